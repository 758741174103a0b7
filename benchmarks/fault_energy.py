"""What a fault gets before the guard trips, beside people, fuses, and the first reading that could tell.

    python benchmarks/fault_energy.py [--count 200] [--kinds NAME] [--seed N] [--store FOLDER] [--note RUN]

For every fault of `fault_population` so many units on random ways to full line. Told a row: how many tripped; how far
the line had come at the trip beyond the *clairvoyant* reading (the first that differs from the same unit without its
fault by 5 standard uncertainties of its meter); the energy that had gone into the unit by then. Beside it what others
let through on the same ramps: a person who sees the ammeter pass the nameplate's current and acts a second later; a
time-lag fuse (IEC 60127-2 sheet 3) of 1.5 times nameplate current, at the middle of its gates; a person who sees a
series lamp glow (a tenth of its power) and acts a second later.

The ways of metering: 10 readings a second of 0.1 % with power; 3.3 a second; without power; 1 %. For faults that look
like more idle also the first with a known-good capture of another unit of the model.

Also kept: how often causes given so much probability were the true ones (`calibration`).
"""

from __future__ import annotations

import json
import pickle
import tempfile
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

import numpy as np
from calibration import calibration
from fault_population import KINDS, LAMPS_W, Lot, kind_named, lot
from figures import write_run
from jobs import options_parser, results, seed_of
from ramps import MAINS, WINDOW_S, Metering, basis_of, judged, mains_by_hertz, readings_of

from instruments.simulated.amplifier import REFERENCE_V
from rampguard.quantities import Cause

WAYS: Final = {
    "10 a second": Metering(0.001, 1),
    "3.3 a second": Metering(0.001, 3),
    "without power": Metering(0.001, 1, with_power=False),
    "1 % meters": Metering(0.01, 1),
}
KNOWN_GOOD: Final = "10 a second, known-good capture"
REACTION_S: Final = 1.0
"""From the needle's passing a mark to the hand's having switched off; common practice, no source."""
FUSE_TIMES_NAMEPLATE: Final = 1.5
GATES: Final = ((1.5, 3600.0), (2.1, 120.0), (2.75, (0.6 * 10.0) ** 0.5), (4.0, (0.15 * 3.0) ** 0.5), (10.0, 0.0775))
"""Times to open, s, at multiples of a T fuse's rating: the geometric middle of sheet 3's gates (two makers' data)."""
SIGMAS: Final = 5.0
GLOWS_AT: Final = 0.1
"""Part of its power at which a lamp is seen to glow: some 1600 K by the tungsten table."""
PLAINLY: Final = 0.15
"""Part of line from which the idle is worth comparing."""
JUDGED_TOGETHER: Final = 8
"""Units a job."""


@dataclass(frozen=True)
class Outcome:
    """One faulted unit under one way of metering. Line as a part of mains, energy in joules; None: never."""

    kind: str
    way: str
    late: bool
    tripped: bool
    layer: str
    beyond: float | None
    """Line at the trip less line at the clairvoyant reading."""
    after_s: float | None
    """Time of the trip after that reading."""
    energy_j: float
    clairvoyant_j: float | None
    ammeter_j: float
    fuse_j: float
    lamps_j: tuple[float, ...]
    """Behind series lamps of `LAMPS_W`; empty where none was tried."""
    since_press_s: float | None
    """Time of the trip after power was pressed."""
    resistor_j: float | None
    """What a soft-start resistor took from the press to the trip."""
    idle_ratio: float
    """Idle power over that of the same unit without its fault at the same line voltage, at most up to the trip."""
    idle_part: float
    """Idle power, at most up to the trip, over the idle of the same unit without its fault at full line."""
    causes: tuple[tuple[str, float], ...]


def outcomes(some: Lot, units: Iterable[int], seed: int) -> list[Outcome]:
    """Units of a lot, by number, under every way of metering."""
    found = []
    for k in units:
        for number, (name, metering) in enumerate(WAYS.items()):
            found.append(_one(some, k, name, metering, np.random.default_rng([seed, k, number])))
        if some.known_good is not None:
            found.append(_one(some, k, KNOWN_GOOD, next(iter(WAYS.values())), np.random.default_rng([seed, k, 99])))
    return found


def _one(some: Lot, k: int, way: str, metering: Metering, generator: np.random.Generator) -> Outcome:
    volts, watts, late = float(some.volts[k]), float(some.watts[k]), bool(some.onset[k] > 0)
    seen, whole = some.faulted[:, :, k], some.whole[:, :, k]
    taken = readings_of(seen, metering, volts, watts, generator)
    good = None
    if way == KNOWN_GOOD and some.known_good is not None:
        good = readings_of(some.known_good[:, :, k], metering, volts, watts, generator)
    basis = basis_of(some.kind.population.load_class, volts, watts, good)
    verdict = judged(basis, taken, some.pressed_at)
    line = np.sqrt(seen[:, 0]) / volts
    into = np.cumsum(np.maximum(seen[:, 2], 0.0)) * WINDOW_S
    told = _clairvoyant(seen, whole, metering, volts, watts)
    at = round(verdict.trip.time_s / WINDOW_S) if verdict.trip else None
    end = len(seen) - 1 if at is None else at
    amperes = np.sqrt(seen[:, 1])
    idle, whole_idle = (windows[:, 2] - _core_loss(some, k) * windows[:, 0] for windows in (seen, whole))
    compared = np.flatnonzero(line[: end + 1] > PLAINLY)
    place = int(np.count_nonzero(some.onset[:k] == 0))
    lamps = () if late else some.behind.values()
    return Outcome(
        kind=some.kind.name,
        way=way,
        late=late,
        tripped=at is not None,
        layer=str(verdict.trip.layer) if verdict.trip else "",
        beyond=None if at is None or told is None else float(line[at] - line[told]),
        after_s=None if at is None or told is None else (at - told) * WINDOW_S,
        energy_j=float(into[end]),
        clairvoyant_j=None if told is None else float(into[told]),
        ammeter_j=_until(into, amperes > watts / volts, REACTION_S),
        fuse_j=_until(into, _fuse(amperes, FUSE_TIMES_NAMEPLATE * watts / volts), 0.0),
        lamps_j=tuple(
            _until(np.cumsum(b.unit_w[:, place]) * WINDOW_S, b.lamp_part[:, place] > GLOWS_AT, REACTION_S)
            for b in lamps
        ),
        since_press_s=None if at is None or some.pressed_at is None else (at - some.pressed_at) * WINDOW_S,
        resistor_j=_in_resistor(some, k, end),
        idle_ratio=float(np.max(idle[compared] / np.maximum(whole_idle[compared], 1e-9), initial=0.0)),
        idle_part=float(np.max(idle[: end + 1]) / whole_idle[-1]),
        causes=verdict.causes,
    )


def _in_resistor(some: Lot, k: int, end: int) -> float | None:
    """Energy in a receiver's soft-start resistor by then, if it has one: all current since the press is the main's."""
    if "soft_ohm" not in some.parts or some.pressed_at is None:
        return None
    ohm = float(some.parts["soft_ohm"][k]) * (float(some.volts[k]) / REFERENCE_V) ** 2
    return float(np.sum(some.faulted[some.pressed_at : end + 1, 1, k]) * ohm * WINDOW_S)


def _core_loss(some: Lot, k: int) -> float:
    """Core loss in W for each V^2 of line."""
    ohm = some.parts.get("core_loss_ohm")
    return 0.0 if ohm is None else 1.0 / float(ohm[k] * (some.volts[k] / REFERENCE_V) ** 2)


def _clairvoyant(seen: np.ndarray, whole: np.ndarray, metering: Metering, volts: float, watts: float) -> int | None:
    """The first window read in which current or power differs by so many of the meter's standard uncertainties."""
    pairs = [(np.sqrt(seen[:, 1]), np.sqrt(whole[:, 1]), 3.0 * watts / volts)]
    if metering.with_power:
        pairs.append((seen[:, 2], whole[:, 2], 3.0 * watts))
    told = np.zeros(len(seen), dtype=np.bool_)
    for with_fault, without, full in pairs:
        sigma = metering.accuracy * (np.abs(with_fault) + 0.05 * full) / np.sqrt(3.0)
        told |= np.abs(with_fault - without) > SIGMAS * sigma
    read = np.flatnonzero(told[:: metering.every]) * metering.every
    return int(read[0]) if len(read) else None


def _until(into: np.ndarray, seen: np.ndarray, later_s: float) -> float:
    """Energy by so long after something is first seen; all of it where it never is."""
    first = np.flatnonzero(seen)
    at = len(into) - 1 if not len(first) else min(len(into) - 1, int(first[0]) + round(later_s / WINDOW_S))
    return float(into[at])


def _fuse(amperes: np.ndarray, rating_a: float) -> np.ndarray:
    """Whether the fuse has opened by each window: parts of its time to open, added up (a fuse does not cool here)."""
    times, seconds = zip(*GATES, strict=True)
    ratio = np.maximum(amperes / rating_a, 1e-6)
    opens_s = np.exp(np.interp(np.log(ratio), np.log(times), np.log(seconds)))
    # Past the last gate the melting integral rules: time falls as the square of current.
    opens_s = np.where(ratio > times[-1], seconds[-1] * (times[-1] / ratio) ** 2, opens_s)
    opens_s = np.where(ratio < times[0], np.inf, opens_s)
    return np.asarray(np.cumsum(WINDOW_S / opens_s) >= 1.0)


def _lot_of(job: tuple[int, float, int, int, Path]) -> list[tuple[str, int]]:
    """A lot, simulated and left in a file; its name, and how many units it has."""
    which, hertz, each, seed, folder = job
    some = lot(KINDS[which], hertz, each, seed)
    file = folder / f"{which}-{hertz:g}-{each}-{seed}.lot"
    file.write_bytes(pickle.dumps(some))
    return [(file.name, len(some.watts))]


def _outcomes_of(job: tuple[Path, int, int, int]) -> list[Outcome]:
    file, first, last, seed = job
    some: Lot = pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself
    return outcomes(some, range(first, last), seed)


def _quantile(values: list[float | None], part: float) -> str:
    known = [value for value in values if value is not None]
    return f"{np.quantile(known, part):.3g}" if known else ""


def _grouped(found: list[Outcome]) -> Iterator[tuple[str, str, list[Outcome]]]:
    for kind, way in dict.fromkeys((o.kind, o.way) for o in found):
        yield kind, way, [o for o in found if (o.kind, o.way) == (kind, way)]


def table(found: list[Outcome], run_name: str, commit: str) -> list[dict[str, Any]]:
    """When the guard tripped: a row for each fault and way of metering."""
    rows = []
    for kind, way, some in _grouped(found):
        tripped = [o for o in some if o.tripped]
        beyond = [None if o.beyond is None else 100.0 * o.beyond for o in tripped]
        named = [_faults(o) for o in some]
        cause, idle = kind_named(kind).cause, _idle_figures(some)
        rows.append(
            {
                **_whose(run_name, commit, kind, way),
                "units": len(some),
                "tripped": len(tripped),
                "line beyond the clairvoyant, %: median": _quantile(beyond, 0.5),
                "worst": _quantile(beyond, 1.0),
                "seconds after it: median": _quantile([o.after_s for o in tripped], 0.5),
                "most": _quantile([o.after_s for o in tripped], 1.0),
                "after the press, s: most": _quantile([o.since_press_s for o in some], 1.0),
                "in the soft start's resistor, J: most": _quantile([o.resistor_j for o in some], 1.0),
                **(idle if cause == Cause.RUNAWAY else dict.fromkeys(idle, "")),
                "cause first": f"{100 * np.mean([n[:1] == [cause] for n in named]):.0f} %",
                "among two": f"{100 * np.mean([cause in n[:2] for n in named]):.0f} %",
                "layers": " ".join(
                    f"{layer}:{sum(o.layer == layer for o in tripped)}" for layer in ("ceiling", "band", "evidence")
                ),
            }
        )
    return rows


TREBLED: Final = 3.0


def _whose(run_name: str, commit: str, kind: str, way: str) -> dict[str, Any]:
    return {"run": run_name, "classes as of": commit, "fault": kind, "metered": way}


def _idle_figures(some: list[Outcome]) -> dict[str, Any]:
    return {
        "idle at most, of the whole unit's then: worst": _quantile([o.idle_ratio for o in some], 1.0),
        "of its idle at full line: worst": _quantile([o.idle_part for o in some], 1.0),
        "trebled, of full line": sum(o.idle_part > TREBLED for o in some),
        "trebled, then": sum(o.idle_ratio > TREBLED for o in some),
    }


def _faults(outcome: Outcome) -> list[str]:
    """The causes named, best first; after a trip, of faults."""
    return [name for name, _ in outcome.causes if name != "no-fault" or not outcome.tripped]


def energies(found: list[Outcome], run_name: str, commit: str) -> list[dict[str, Any]]:
    """Energy into the unit, J, in the median: a row for each fault and way of metering."""
    rows = []
    for kind, way, some in _grouped(found):
        there = [o for o in some if not o.late]
        lamps = [[o.lamps_j[n] for o in there if o.lamps_j] for n in range(len(LAMPS_W))]
        rows.append(
            {
                **_whose(run_name, commit, kind, way),
                "guard, all": _quantile([o.energy_j for o in some], 0.5),
                "there at switch-on: guard": _quantile([o.energy_j for o in there], 0.5),
                "nine in ten": _quantile([o.energy_j for o in there], 0.9),
                "clairvoyant": _quantile([o.clairvoyant_j for o in there], 0.5),
                "person at the ammeter": _quantile([o.ammeter_j for o in there], 0.5),
                "fuse": _quantile([o.fuse_j for o in there], 0.5),
                **{f"{w:g} W lamp": _quantile(list(some_j), 0.5) for w, some_j in zip(LAMPS_W, lamps, strict=True)},
            }
        )
    return rows


def main() -> None:
    """Run it, print what was found, and keep it."""
    options = options_parser(str(__doc__), count=200).parse_args()
    seed, commit = seed_of(options)
    chosen = [k for k, kind in enumerate(KINDS) if options.kinds in kind.name]
    each = -(-options.count // len(MAINS))
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.store or Path(temporary)
        jobs = [(k, hertz, each, seed, folder) for k in chosen for hertz in mains_by_hertz()]
        lots = [made for some in results(_lot_of, jobs, options.store) for made in some]
        slices = [
            (folder / name, first, min(first + JUDGED_TOGETHER, units), seed)
            for name, units in lots
            for first in range(0, units, JUDGED_TOGETHER)
        ]
        found = [outcome for some in results(_outcomes_of, slices, options.store) for outcome in some]
    run_name = options.note or "unnamed"
    answers = [(o.tripped, o.causes[0][1], o.causes[0][0] == kind_named(o.kind).cause) for o in found]
    kept = (
        ("fault_energy", "Faults: when the guard trips", table(found, run_name, commit)),
        ("fault_energy_joules", "Faults: energy into the unit, J, median", energies(found, run_name, commit)),
        ("calibration", "Causes: how often an answer is right", calibration(answers, run_name, commit)),
    )
    for name, title, rows in kept:
        for row in rows:
            print(json.dumps(row))
        if options.note:
            write_run(name, title, rows, seed=seed, script="fault_energy")


if __name__ == "__main__":
    main()
