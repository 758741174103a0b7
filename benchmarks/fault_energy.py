"""What a fault gets before the guard trips, beside people, fuses, and the first reading that could tell.

    python benchmarks/fault_energy.py [--count 200] [--kinds NAME] [--seed N] [--note RUN]

For every fault of `fault_population` so many units on random ways to full line. Told a row: how many tripped; how far
the line had come at the trip beyond the *clairvoyant* reading (the first that differs from the same unit without its
fault by 5 standard uncertainties of its meter); the energy that had gone into the unit by then. Beside it what others
let through on the same ramps: a person who sees the ammeter pass the nameplate's current and acts a second later, and a
time-lag fuse (IEC 60127-2 sheet 3) of 1.5 times nameplate current, at the middle of its gates.

The ways of metering: 10 readings a second of 0.1 % with power; 3.3 a second; without power; 1 %.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import time
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from fault_population import KINDS, Lot, lot, lots_of
from figures import write_run
from healthy_ramps import frozen_seed
from ramps import WINDOW_S, Metering, judged, readings_of

WAYS: Final = {
    "10 a second": Metering(0.001, 1),
    "3.3 a second": Metering(0.001, 3),
    "without power": Metering(0.001, 1, with_power=False),
    "1 % meters": Metering(0.01, 1),
}
REACTION_S: Final = 1.0
"""From the needle's passing a mark to the hand's having switched off; common practice, no source."""
FUSE_TIMES_NAMEPLATE: Final = 1.5
GATES: Final = ((1.5, 3600.0), (2.1, 120.0), (2.75, (0.6 * 10.0) ** 0.5), (4.0, (0.15 * 3.0) ** 0.5), (10.0, 0.0775))
"""Times to open, s, at multiples of a T fuse's rating: the geometric middle of sheet 3's gates (two makers' data)."""
SIGMAS: Final = 5.0


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
    idle_ratio: float
    """Idle power at the trip (or the end) over that of the same unit without its fault."""
    causes: tuple[tuple[str, float], ...]


def outcomes(some: Lot, seed: int, late: bool) -> list[Outcome]:
    """Every unit of a lot under every way of metering."""
    found = []
    for k in range(len(some.watts)):
        for number, (name, metering) in enumerate(WAYS.items()):
            found.append(_one(some, k, name, metering, np.random.default_rng([seed, k, number]), late=late))
    return found


def _one(some: Lot, k: int, name: str, metering: Metering, generator: np.random.Generator, *, late: bool) -> Outcome:
    volts, watts = some.volts, float(some.watts[k])
    seen, whole = some.faulted[:, :, k], some.whole[:, :, k]
    taken = readings_of(seen, metering, volts, watts, generator)
    verdict = judged(some.kind.population.load_class, volts, watts, taken, some.pressed_at)
    line = np.sqrt(seen[:, 0]) / volts
    into = np.cumsum(np.maximum(seen[:, 2], 0.0)) * WINDOW_S
    told = _clairvoyant(seen, whole, metering, volts, watts)
    at = round(verdict.trip.time_s / WINDOW_S) if verdict.trip else None
    end = len(seen) - 1 if at is None else at
    lost = _core_loss(some, k)
    return Outcome(
        kind=some.kind.name,
        way=name,
        late=late,
        tripped=at is not None,
        layer=str(verdict.trip.layer) if verdict.trip else "",
        beyond=None if at is None or told is None else float(line[at] - line[told]),
        after_s=None if at is None or told is None else (at - told) * WINDOW_S,
        energy_j=float(into[end]),
        clairvoyant_j=None if told is None else float(into[told]),
        ammeter_j=_until(into, np.sqrt(seen[:, 1]) > watts / volts, REACTION_S),
        fuse_j=_until(into, _fuse(np.sqrt(seen[:, 1]), FUSE_TIMES_NAMEPLATE * watts / volts), 0.0),
        idle_ratio=float((seen[end, 2] - lost * seen[end, 0]) / max(whole[end, 2] - lost * whole[end, 0], 1e-9)),
        causes=verdict.causes,
    )


def _core_loss(some: Lot, k: int) -> float:
    """Core loss in W for each V^2 of line."""
    ohm = some.parts.get("core_loss_ohm")
    return 0.0 if ohm is None else 1.0 / float(ohm[k] * (some.volts / 230.0) ** 2)


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


def _job(job: tuple[int, tuple[float, float], int, bool, int]) -> list[Outcome]:
    which, mains, count, late, seed = job
    return outcomes(lot(KINDS[which], mains, count, seed, late=late), seed, late)


def _quantile(values: list[float], part: float) -> str:
    return f"{np.quantile(values, part):.3g}" if values else "none"


def table(found: list[Outcome], run_name: str, commit: str) -> list[dict[str, Any]]:
    """A row for each fault and way of metering."""
    rows = []
    for kind, way in dict.fromkeys((o.kind, o.way) for o in found):
        some = [o for o in found if (o.kind, o.way) == (kind, way)]
        cause = next(k.cause for k in KINDS if k.name == kind)
        there = [o for o in some if not o.late]
        tripped = [o for o in some if o.tripped]
        beyond = [100.0 * o.beyond for o in tripped if o.beyond is not None]
        named = [[name for name, _ in o.causes if name != "no-fault" or not o.tripped] for o in some]
        rows.append(
            {
                "run": run_name,
                "classes as of": commit,
                "fault": kind,
                "metered": way,
                "units": len(some),
                "tripped": len(tripped),
                "line beyond the clairvoyant, %: median": _quantile(beyond, 0.5),
                "worst": _quantile(beyond, 1.0),
                "seconds after it: median": _quantile([o.after_s for o in tripped if o.after_s is not None], 0.5),
                "most": _quantile([o.after_s for o in tripped if o.after_s is not None], 1.0),
                "energy, J: median": _quantile([o.energy_j for o in some], 0.5),
                "there at switch-on": _quantile([o.energy_j for o in there], 0.5),
                "clairvoyant, J": _quantile([o.clairvoyant_j for o in there if o.clairvoyant_j is not None], 0.5),
                "person at the ammeter, J": _quantile([o.ammeter_j for o in some], 0.5),
                "fuse, J": _quantile([o.fuse_j for o in some], 0.5),
                "idle at the trip, times: most": _quantile([o.idle_ratio for o in some], 1.0),
                "cause first": f"{100 * np.mean([n[0] == cause for n in named]):.0f} %",
                "among two": f"{100 * np.mean([cause in n[:2] for n in named]):.0f} %",
                "layers": " ".join(
                    f"{layer}:{sum(o.layer == layer for o in tripped)}" for layer in ("ceiling", "band", "evidence")
                ),
            }
        )
    return rows


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=200)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--kinds", default="", help="only faults with this in their name")
    parser.add_argument("--note", default="", help="keep the figures under this name of a run")
    options = parser.parse_args()
    seed, commit = frozen_seed() if options.seed is None else (options.seed, "none")
    jobs = [
        (k, mains, count, late, seed)
        for k, kind in enumerate(KINDS)
        if options.kinds in kind.name
        for mains, count, late in lots_of(kind, options.count)
    ]
    begun_s, found = time.monotonic(), []
    with multiprocessing.Pool(2) as pool:
        for some in pool.imap(_job, jobs):
            found += some
            print(f"{len(found)} ramps judged, {time.monotonic() - begun_s:.0f} s", end="\r", flush=True)
    print()
    rows = table(found, options.note, commit)
    for row in rows:
        print(json.dumps(row))
    if options.note:
        write_run("fault_energy", "Faults: what they get before the guard trips", rows, seed=seed)


if __name__ == "__main__":
    main()
