"""The same units brought up by a plan and by a hand at a variac's knob: what is caught, when, and what it had cost.

    python benchmarks/hand_turned.py [--count 500] [--kinds NAME] [--seed N] [--store FOLDER] [--note RUN]

A hand goes by jerks, pauses and back, at 0.5 to 20 V/s (of 230 V; in proportion elsewhere). Half of the ramps are of
healthy units, none of which may trip; half are of faulted ones. Read by a power meter (10 a second, 0.1 %) and by two
handhelds: two readings a second, 1 % and 1.5 % and five counts, no reading for 0.7 s while one changes range, no power.
"""

from __future__ import annotations

import json
from typing import Any, Final

import numpy as np
from fault_population import KINDS, Way, by_plan, kind_named, lots
from figures import write_run
from jobs import options_parser, results, seed_of, upper_bound
from ramps import HOLD_S, MAINS, RAMP_S, WINDOW_S, Metering, basis_of, judged, mains_by_hertz, readings_of

from instruments.simulated.amplifier import REFERENCE_V
from instruments.simulated.fleet import HANDHELD_COUNTS, HANDHELD_CURRENT_RANGES, HANDHELD_VOLT_RANGES
from instruments.simulated.meters import NO_READING_REPLY, OVER_RANGE_REPLY, Autoranging, Front
from rampguard.engine.supply import RANGES_IN_A_ROW, silence_s
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Reading, Validity

FAULTS: Final = (
    "rail-to-rail short",
    "one device shorted",
    "shorted diode",
    "shorted converter switch",
    "shorted turns",
    "leaking reservoir",
)
SLOWEST_V_PER_S, FASTEST_V_PER_S = 0.5, 20.0
HANDHELD_EVERY: Final = 5
"""Windows between two readings of a handheld."""
RANGE_CHANGE_S: Final = 0.7
COUNTS_OFF: Final = 5.0
NOISE: Final = 2e-4
"""One standard deviation, as a part of range: a count or so."""
GAP_S: Final = silence_s(HANDHELD_EVERY * WINDOW_S, RANGE_CHANGE_S, RANGES_IN_A_ROW)
HANDHELDS: Final = (
    ("volts", LINE_VOLTAGE, HANDHELD_VOLT_RANGES, 0.010),
    ("amperes", LINE_CURRENT, HANDHELD_CURRENT_RANGES, 0.015),
)
"""Name, signal, ranges and stated accuracy of each, in the order of the columns of what was seen."""


def turned(generator: np.random.Generator, k: int) -> np.ndarray:
    """A hand's way to full line: a stretch at some speed, a pause, a little back, a jerk; then it stays there."""
    windows = round((RAMP_S + HOLD_S) / WINDOW_S)
    part, at, w = np.ones(windows), 0.0, 0
    while w < windows and at < 1.0:
        does = generator.choice(["up", "pause", "back", "jerk"], p=[0.6, 0.25, 0.08, 0.07])
        speed = np.exp(generator.uniform(np.log(SLOWEST_V_PER_S), np.log(FASTEST_V_PER_S)))
        speed = {"up": speed, "pause": 0.0, "back": -speed, "jerk": FASTEST_V_PER_S}[str(does)]
        for _ in range(round(generator.uniform(0.3, 3.0) / WINDOW_S)):
            if w < windows:
                at = float(np.clip(at + speed / REFERENCE_V * WINDOW_S, 0.0, 1.0))
                part[w] = at
                w += 1
    return part


def handhelds(seen: np.ndarray, seed: int) -> list[tuple[int, tuple[Reading, ...]]]:
    """What two handhelds, each a specimen of its own, show of one unit: ``seen`` has the shape (windows, 3)."""
    gap = round(RANGE_CHANGE_S / WINDOW_S)
    meters = [
        Autoranging(
            Front(name, 0.7 * accuracy, 0.0, NOISE), seed, ranges=ranges, counts=HANDHELD_COUNTS, gap_windows=gap
        )
        for name, _, ranges, accuracy in HANDHELDS
    ]
    taken = []
    for w in range(0, len(seen), HANDHELD_EVERY):
        shown = [meter.read(float(np.sqrt(seen[w, n])), window=w) for n, meter in enumerate(meters)]
        taken.append((w, tuple(_reading(n, value, meters[n].full, w) for n, value in enumerate(shown))))
    return taken


def _reading(n: int, value: float, full: float, w: int) -> Reading:
    _, signal, _, accuracy = HANDHELDS[n]
    time_s = w * WINDOW_S
    if value >= OVER_RANGE_REPLY:
        validity = Validity.INVALID if value == NO_READING_REPLY else Validity.OVER_RANGE
        return Reading(signal, None, time_s, time_s, validity)
    bound = accuracy * abs(value) + COUNTS_OFF * full / HANDHELD_COUNTS
    return Reading(signal, max(0.0, value), time_s, time_s, bound=bound)


WAYS: Final[dict[str, Way]] = {"by plan": by_plan, "by hand": turned}


def one_lot(job: tuple[str, float, int, int]) -> list[dict[str, Any]]:
    """Units with and without one fault, on one frequency, both ways and both meters."""
    name, hertz, each, seed = job
    kind = kind_named(name)
    found: list[dict[str, Any]] = []
    both = lots(kind, hertz, each, seed, ways=tuple(WAYS.values()), lamps=False)
    for number, (way, some) in enumerate(zip(WAYS, both, strict=True)):
        for k, (volts, watts) in enumerate(zip(some.volts.tolist(), some.watts.tolist(), strict=True)):
            basis = basis_of(kind.population.load_class, volts, watts)
            for faulted, seen in ((True, some.faulted[:, :, k]), (False, some.whole[:, :, k])):
                line, into = np.sqrt(seen[:, 0]) / volts, np.cumsum(np.maximum(seen[:, 2], 0.0)) * WINDOW_S
                generator = np.random.default_rng([seed, KINDS.index(kind), round(hertz), k, number, int(faulted)])
                for metered in ("power meter", "handhelds"):
                    if metered == "power meter":
                        taken, gap_s = readings_of(seen, Metering(0.001, 1), volts, watts, generator), 0.0
                    else:
                        taken, gap_s = handhelds(seen, seed + k), GAP_S
                    trip = judged(basis, taken, line_gap_s=gap_s).trip
                    at = len(seen) - 1 if trip is None else round(trip.time_s / WINDOW_S)
                    found.append(
                        {
                            "unit": name if faulted else "healthy",
                            "specimen": f"{name}, {hertz:g} Hz, {volts:g} V, {watts:g} W, no. {k}",
                            "brought up": way,
                            "metered": metered,
                            "tripped": trip is not None,
                            "line": float(line[at]),
                            "joules": float(into[at]),
                            "why": "" if trip is None else trip.reason,
                        }
                    )
    return found


def table(found: list[dict[str, Any]], run_name: str, commit: str) -> list[dict[str, Any]]:
    """A row for each fault, way and meter; the healthy ones together."""
    rows = []
    keys = dict.fromkeys((f["unit"], f["brought up"], f["metered"]) for f in found)
    for unit, way, metered in sorted(keys, key=lambda key: (key[0] == "healthy", key)):
        some = [f for f in found if (f["unit"], f["brought up"], f["metered"]) == (unit, way, metered)]
        tripped = [f for f in some if f["tripped"]]
        healthy = unit == "healthy"
        rows.append(
            {
                "run": run_name,
                "classes as of": commit,
                "unit": unit,
                "brought up": way,
                "metered": metered,
                "ramps": len(some),
                "tripped": len(tripped),
                "at most (95 %)": f"{100 * upper_bound(len(tripped), len(some)):.2f} %" if healthy else "",
                "line at the trip, %: median": "" if healthy else _middle([100.0 * f["line"] for f in tripped], 0.5),
                "J by then: median": "" if healthy else _middle([f["joules"] for f in tripped], 0.5),
                "nine in ten": "" if healthy else _middle([f["joules"] for f in tripped], 0.9),
            }
        )
    return rows


def _middle(values: list[float], part: float) -> str:
    return f"{np.quantile(values, part):.3g}" if values else ""


def main() -> None:
    """Run it, print what was found, and keep it."""
    options = options_parser(str(__doc__), count=500).parse_args()
    seed, commit = seed_of(options)
    chosen = [name for name in FAULTS if options.kinds in name]
    # Each unit is tried with its fault and without: two ramps by hand.
    each = -(-options.count // (2 * len(FAULTS) * len(MAINS)))
    jobs = [(name, hertz, each, seed) for name in chosen for hertz in mains_by_hertz()]
    found = [row for some in results(one_lot, jobs, options.store) for row in some]
    rows = table(found, options.note or "unnamed", commit)
    for row in rows:
        print(json.dumps(row))
    for f in found:
        if f["unit"] == "healthy" and f["tripped"]:
            print(f)
    if options.note:
        write_run("hand_turned", "Turned by hand: what the guard trips at", rows, seed=seed)


if __name__ == "__main__":
    main()
