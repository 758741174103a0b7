"""The shape of line current: what each fault makes of it, and what that adds to the ranking of causes.

    python benchmarks/wave_shapes.py learn [--count 30] [--seed N] [--kinds NAME] [--store FOLDER]
    python benchmarks/wave_shapes.py test [--count 30] [--seed N] [--kinds NAME] [--store FOLDER] [--note RUN]

``learn`` prints quantiles of how unlike the two half waves are, u = |up - down| / (up + down), and of the logarithm of
the crest factor, of units of the learning seed: while they draw plainly more than the same unit without its fault, and
up to nameplate current (about where the guard has tripped); of whole units wherever current is large enough. The
numbers in `rampguard.loads.shapes` are rounded from these. ``test`` runs the guard over units of another seed, and says
how often the right cause was first, and among the first two, with and without shapes: the same runs, ranked twice.

Each reading is of one cycle, the last of each 0.1 s, as a digitiser cuts it; 1 % meters, and one gain for all that is
told of the current. Every other short is there at switch-on of a ramp of some 50 s, whose first 12 s are simulated; the
others come at any moment of a ramp of half that time; every third is brought up as a hand turns a knob. The other
faults are there at switch-on, and full line is reached within 45 s.
"""

from __future__ import annotations

import itertools
import json
import pickle
from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

import numpy as np
from fault_population import KINDS, FaultKind, coming
from figures import write_run
from jobs import options_parser
from population import batch, specimens
from ramps import STEPS_A_CYCLE, WINDOW_S, Metering, basis_of, judged, mains_by_hertz, readings_of

from instruments.simulated.faults import FAULTS
from instruments.simulated.tolerances import draw
from instruments.simulated.unit import Unit
from rampguard.guard.evidence import ranked
from rampguard.quantities import LINE_CURRENT, LINE_CURRENT_DOWN, LINE_CURRENT_UP, Cause, Reading, Wave

Taken = list[tuple[int, tuple[Reading, ...]]]
LEARNING: Final = 20261
TESTING: Final = 94117
SHAPED: Final = tuple(kind for kind in KINDS if not kind.name.startswith("short behind"))
"""All but receivers: theirs trip within an inrush, of which no shape is told."""
SHORT_S: Final = 12.0
LATE_S: Final = (2.0, 11.0)
"""Between these a short comes that comes late."""
SLOW_S: Final = 50.0
FAST_S: Final = 25.0
"""To full line, a short there at switch-on, and one that comes late."""
LONG_S: Final = 45.0
LONG_FULL_S: Final = 35.0
"""The others: simulated for so long, to full line."""
LONG_SHARE: Final = 0.8
"""Of faults that take so long so many units, for each of the others."""
PLAINLY: Final = 1.3
"""Current over that of the same unit without its fault, from which it is the fault's shape that is seen."""
SINE_APART: Final = 0.05
SINE_CREST: Final = 1.5
LONG_RANKED: Final = 12
"""Of faults that take long so many are ranked: the guard has to follow each to full line."""
LEAST_PART: Final = 0.02
"""Part of nameplate current below which `learn` does not look."""
ACCURACY: Final = 0.01
FULL: Final = "load on full reservoirs"
"""Leak and running idle are learnt as one: the reservoirs do not know what draws on them."""
HERTZ: Final = (50.0,)
"""Mains of 50 Hz: 100 V and 230 V."""


@dataclass
class Waves:
    """Units of one kind, with and without their fault: of the last cycle of each 0.1 s, shape (windows, 5, units).

    Means of v^2, i^2 and v i; peaks of the current while line voltage is positive, and negative.
    """

    name: str
    volts: np.ndarray
    watts: np.ndarray
    faulted: np.ndarray
    whole: np.ndarray

    @property
    def kind(self) -> FaultKind:
        """Its kind of fault."""
        return next(kind for kind in SHAPED if kind.name == self.name)


def way(generator: np.random.Generator, for_s: float, top_s: float) -> np.ndarray:
    """A way up: as parts of mains in each window; so fast that full line takes ``top_s``, with short holds."""
    speeds = generator.choice([0.0, 1.0, 1.0, 2.0], round(for_s / 1.5) + 1) * generator.uniform(0.8, 1.2)
    steps = np.repeat(speeds, round(1.5 / WINDOW_S))[: round(for_s / WINDOW_S)]
    return np.minimum(1.0, np.cumsum(steps) * WINDOW_S / top_s)


def way_by_hand(generator: np.random.Generator, for_s: float, top_s: float) -> np.ndarray:
    """The same, by a hand that stops, hurries, and turns back a little."""
    speeds = generator.choice([-1.0, 0.0, 0.5, 1.0, 3.0], round(for_s / WINDOW_S), p=[0.03, 0.27, 0.3, 0.25, 0.15])
    return np.clip(np.cumsum(speeds) * WINDOW_S / top_s, 0.0, 1.0)


def waves(kind: FaultKind, hertz: float, each: int, seed: int) -> Waves:
    """So many units on each mains of that frequency."""
    volts = np.repeat(mains_by_hertz()[hertz], each)
    generator = np.random.default_rng([seed, SHAPED.index(kind), round(hertz)])
    watts, drawn_parts = specimens(kind.population, len(volts), generator)
    parts = dict(drawn_parts)
    one = [draw(FAULTS[kind.fault].parts, generator) for _ in volts]
    drawn = {name: np.array([values[name] for values in one]) for name in one[0]}
    kind.given(parts, watts, drawn)
    onset = np.zeros(len(volts), dtype=int)
    if kind.short:
        late = generator.uniform(*LATE_S, len(volts)) / WINDOW_S
        onset = np.where(np.arange(len(volts)) % 2 == 1, late, 0.0).astype(int)
        drawn_ways = [
            (way_by_hand if k % 3 == 0 else way)(generator, SHORT_S, FAST_S if onset[k] else SLOW_S)
            for k in range(len(volts))
        ]
    else:
        drawn_ways = [way(generator, LONG_S, LONG_FULL_S) for _ in volts]
    both = {name: np.tile(values, 2) for name, values in parts.items()}
    unit = batch(kind.population, both, np.tile(volts, 2), hertz)
    events = coming(kind, drawn, kind.none(both), onset, 1)
    ways = np.tile(np.array(drawn_ways).T * volts, 2)
    faulted, whole = np.split(cycles(unit, ways, hertz, events), 2, axis=2)
    return Waves(kind.name, volts, watts, faulted, whole)


def cycles(unit: Unit, ways: np.ndarray, hertz: float, events: Mapping[int, Callable[[Unit], None]]) -> np.ndarray:
    """What the last cycle of each window tells: see `Waves`. ``ways`` in V rms, shape (windows, units).

    ``events`` are what happens in some windows.
    """
    dt_s, count = 1.0 / (hertz * STEPS_A_CYCLE), round(WINDOW_S * hertz)
    sine = np.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(STEPS_A_CYCLE) / STEPS_A_CYCLE)
    seen = np.zeros((len(ways), 5, ways.shape[1]))
    for w, level in enumerate(ways):
        if w in events:
            events[w](unit)
        before = ways[w - 1] if w else np.zeros_like(level)
        for cycle in range(count):
            now = before + (level - before) * ((cycle + 1) / count)
            sums, peaks = np.zeros((3, len(level))), np.zeros((2, len(level)))
            for wave in sine:
                line_a = unit.step(now * wave, dt_s)
                line_v = now * wave - line_a * unit.supply_ohm
                sums += (line_v * line_v, line_a * line_a, line_v * line_a)
                side = 0 if wave > 0.0 else 1
                np.maximum(peaks[side], line_a if wave > 0.0 else -line_a, out=peaks[side])
        seen[w] = np.concatenate([sums / STEPS_A_CYCLE, peaks])
    return seen


def _stored(kind: FaultKind, hertz: float, each: int, seed: int, store: Path | None) -> Waves:
    """Simulated now, or kept from before."""
    if store is None:
        return waves(kind, hertz, each, seed)
    store.mkdir(parents=True, exist_ok=True)
    file = store / f"{SHAPED.index(kind)}-{hertz:g}-{each}-{seed}.waves"
    if not file.exists():
        file.write_bytes(pickle.dumps(waves(kind, hertz, each, seed)))
    found: Waves = pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself
    return found


@dataclass
class Seen:
    """Shapes in some windows of a unit: half waves apart, logarithm of the crest factor, part of nameplate current."""

    apart: np.ndarray
    crest: np.ndarray
    part: np.ndarray

    def of(self, where: np.ndarray) -> Seen:
        """Some of them."""
        return Seen(self.apart[where], self.crest[where], self.part[where])


def shapes_of(seen: np.ndarray, where: np.ndarray, nameplate_a: float) -> Seen:
    """Of one unit's windows, shape (windows, 5), those of ``where``."""
    rms, up, down = np.sqrt(seen[where, 1]), seen[where, 3], seen[where, 4]
    return Seen(np.abs(up - down) / (up + down), np.log(np.maximum(up, down) / rms), rms / nameplate_a)


def faulted_shapes(some: Waves, k: int) -> Seen:
    """Where a fault is seen and the guard has hardly acted: plainly more than without it, up to nameplate current."""
    nameplate_a = float(some.watts[k] / some.volts[k])
    with_a, without_a = np.sqrt(some.faulted[:, 1, k]), np.sqrt(some.whole[:, 1, k])
    over = np.flatnonzero(with_a > nameplate_a)
    where = (with_a > PLAINLY * without_a) & (with_a > LEAST_PART * nameplate_a)
    if len(over):
        where[over[0] + 1 :] = False
    return shapes_of(some.faulted[:, :, k], where, nameplate_a)


def whole_shapes(some: Waves, k: int) -> Seen:
    """Of the unit without its fault, wherever its current is large enough."""
    nameplate_a = float(some.watts[k] / some.volts[k])
    where = np.sqrt(some.whole[:, 1, k]) > LEAST_PART * nameplate_a
    return shapes_of(some.whole[:, :, k], where, nameplate_a)


EDGES: Final = (LEAST_PART, 0.05, 0.1, 0.2, 0.5, 1.0, 10.0)
"""Of the bins around `rampguard.loads.shapes.PARTS`."""
MEDIAN_OF_STUDENT: Final = 0.741
"""Half of a Student distribution of 4 degrees of freedom is nearer to its middle than this; by its closed form."""
QUANTILES: Final = (0.05, 0.25, 0.5, 0.75, 0.95)


def learnt(name: str, seen: list[Seen]) -> Iterator[dict[str, Any]]:
    """Quantiles by the part of nameplate current that flows: every unit counts the same, by its windows' medians."""
    for low, high in itertools.pairwise(EDGES):
        medians = [
            (np.median(one.apart[inside]), np.median(one.crest[inside]))
            for one in seen
            if (inside := (one.part >= low) & (one.part < high)).any()
        ]
        if medians:
            apart, crest = np.array(medians).T
            yield {
                "units": name,
                "of nameplate current": f"{low:g} to {high:g}",
                "count": len(medians),
                "apart": [round(float(q), 3) for q in np.quantile(apart, QUANTILES)],
                "crest factor": [round(float(q), 2) for q in np.exp(np.quantile(crest, QUANTILES))],
                "sd of its logarithm": round(float(np.std(crest)), 2),
                "apart, as a spread has it": round(float(np.median(apart)) / MEDIAN_OF_STUDENT, 3),
            }


@dataclass(frozen=True)
class Ranked:
    """One unit's run: whether it tripped, and its faults ranked without and with what shapes say, best first."""

    kind: str
    tripped: bool
    wave: Wave | None
    without: tuple[tuple[str, float], ...]
    shaped: tuple[tuple[str, float], ...]


def with_peaks(seen: np.ndarray, nameplate_a: float, taken: Taken, generator: np.random.Generator) -> Taken:
    """The readings with the current's peaks: of its gain, with an offset within the meter's absolute part."""
    span = ACCURACY * 0.05 * 3.0 * nameplate_a
    offset = generator.uniform(-0.7, 0.7) * span
    found = []
    for w, readings in taken:
        current = next(reading for reading in readings if reading.signal == LINE_CURRENT)
        gain = (current.value or 0.0) / max(float(np.sqrt(seen[w, 1])), 1e-12)
        peaks = ((LINE_CURRENT_UP, seen[w, 3] * gain + offset), (LINE_CURRENT_DOWN, seen[w, 4] * gain - offset))
        noisy = ((signal, float(peak + generator.normal(0.0, 0.1 * span))) for signal, peak in peaks)
        at_s = current.time_s
        beside = (Reading(signal, peak, at_s, at_s, bound=ACCURACY * peak + span) for signal, peak in noisy)
        found.append((w, (*readings, *beside)))
    return found


def ranked_twice(some: Waves, k: int, seed: int, *, faulted: bool = True) -> Ranked:
    """The guard over one unit's readings, and its causes by what was read with and without shapes."""
    volts, watts = float(some.volts[k]), float(some.watts[k])
    seen = (some.faulted if faulted else some.whole)[:, :, k]
    generator = np.random.default_rng([seed, k])
    metering = Metering(ACCURACY, 1 if some.kind.short else 3)
    taken = with_peaks(seen, watts / volts, readings_of(seen, metering, volts, watts, generator), generator)
    verdict = judged(basis_of(some.kind.population.load_class, volts, watts), taken)
    evidence, tripped = verdict.evidence, verdict.trip is not None
    without = ranked(replace(evidence, shape={}, wave=None), verdict.trip)
    return Ranked(
        some.name,
        tripped,
        evidence.wave,
        *(
            tuple(pair for pair in causes if not tripped or pair[0] != Cause.NO_FAULT)
            for causes in (without, verdict.causes)
        ),
    )


def _percent(found: list[Ranked], cause: str, *, shaped: bool, first: int) -> str:
    named = [[name for name, _ in (one.shaped if shaped else one.without)[:first]] for one in found]
    return f"{100 * np.mean([cause in names for names in named]):.0f} %"


def row(kind: FaultKind, found: list[Ranked], run_name: str) -> dict[str, Any]:
    """How often the right cause was named."""
    both = [(one.without[0][0] == kind.cause, one.shaped[0][0] == kind.cause) for one in found]
    return {
        "run": run_name,
        "fault": kind.name,
        "units": len(found),
        "tripped": sum(one.tripped for one in found),
        "shape told": sum(one.wave is not None for one in found),
        "first, without": _percent(found, kind.cause, shaped=False, first=1),
        "first, with": _percent(found, kind.cause, shaped=True, first=1),
        "among two, without": _percent(found, kind.cause, shaped=False, first=2),
        "among two, with": _percent(found, kind.cause, shaped=True, first=2),
        "became right": sum(after and not before for before, after in both),
        "became wrong": sum(before and not after for before, after in both),
        "probability of the right one, mean: without": _mean_of(kind.cause, [one.without for one in found]),
        "with": _mean_of(kind.cause, [one.shaped for one in found]),
    }


def _mean_of(cause: str, causes: list[tuple[tuple[str, float], ...]]) -> str:
    return f"{np.mean([dict(each).get(cause, 0.0) for each in causes]):.3f}"


def all_learnt(lots: list[Waves]) -> Iterator[dict[str, Any]]:
    """What was learnt of each cause of each class, however it comes about; and of whole units."""
    of_cause: dict[str, list[Seen]] = {}
    for some in lots:
        load_class = some.kind.population.load_class
        name = FULL if some.kind.cause in (Cause.LEAK, Cause.RUNAWAY) else some.kind.cause
        for k in range(len(some.watts)):
            of_cause.setdefault(f"{load_class}, {name}", []).append(faulted_shapes(some, k))
            of_cause.setdefault(f"{load_class}, whole", []).append(whole_shapes(some, k))
    for name, seen in of_cause.items():
        yield from learnt(name, seen)
        if name.endswith(Cause.DIODE_SHORT):
            yield from learnt(f"{name}, yet a sine", [one.of(_yet_a_sine(one)) for one in seen])
            yield from learnt(f"{name}, no longer", [one.of(~_yet_a_sine(one)) for one in seen])


def _yet_a_sine(seen: Seen) -> np.ndarray:
    """Where the other diodes do not conduct yet."""
    return (seen.apart < SINE_APART) & (seen.crest < np.log(SINE_CREST))


def tested(lots: list[Waves], seed: int, run_name: str) -> Iterator[dict[str, Any]]:
    """How often the right cause was named, a row for each kind of fault."""
    for name in dict.fromkeys(some.name for some in lots):
        own = [(some, k) for some in lots if some.name == name for k in range(len(some.watts))]
        if not own[0][0].kind.short:
            own = own[:: max(1, len(own) // LONG_RANKED)]
        yield row(own[0][0].kind, [ranked_twice(some, k, seed) for some, k in own], run_name)


def main() -> None:
    """Learn or test, print what was found, and keep what a test found."""
    parser = options_parser(str(__doc__), count=30)
    parser.add_argument("what", choices=("learn", "test"))
    options = parser.parse_args()
    seed = options.seed if options.seed is not None else {"learn": LEARNING, "test": TESTING}[options.what]
    kinds = [kind for kind in SHAPED if options.kinds in kind.name]
    each = {True: options.count, False: round(LONG_SHARE * options.count)}
    lots = [_stored(kind, hertz, each[kind.short], seed, options.store) for kind in kinds for hertz in HERTZ]
    rows = []
    for found in all_learnt(lots) if options.what == "learn" else tested(lots, seed, options.note or "unnamed"):
        rows.append(found)
        print(json.dumps(found), flush=True)
    if options.note and options.what == "test":
        write_run("wave_shapes", "Causes ranked without and with the wave's shape", rows, seed=seed)


if __name__ == "__main__":
    main()
