"""Whole units brought up to full line, judged cycle by cycle: whether any is tripped for what a cycle may hold.

    python benchmarks/ramps_by_cycle.py [--count 20] [--seed N] [--kinds NAME] [--store FOLDER] [--note RUN]

Every healthy unit of the simulated bench that takes no press of a button, so many specimens each, on mains of 100 V and
230 V at 50 Hz and 120 V at 60 Hz in turn, brought up in steps with holds and read by a digitiser as in `inrush`. All
layers judge every cycle: a reservoir's charge, a soft start's bypass, a converter's start may fall into one.
"""

from __future__ import annotations

import itertools
import re
from collections import Counter
from typing import Any, Final

import numpy as np
from figures import write_run
from inrush import One, judged
from jobs import options_parser, results, upper_bound
from ramps import MAINS, STEPS_A_CYCLE

from instruments.simulated.units import make_batch

SEED: Final = 20261130
UNITS: Final = (
    *(
        "healthy-amplifier",
        "single-rail-amplifier",
        "class-g-amplifier",
        "soft-start-amplifier",
        "ntc-amplifier",
        "repaired-amplifier",
    ),
    *("healthy-switch-mode", "no-lockout-switch-mode", "corrected-switch-mode"),
    *("healthy-valve", "direct-rectifier-valve", "silicon-valve", "choke-input-valve"),
    *("transformer", "lamp", "heater", "induction-motor", "universal-motor"),
)
STEPS: Final = 10
RISE_PER_S: Final = 0.04
HOLD_S: Final = 1.0
LOT: Final = 10
Job = tuple[str, int, int, int]


def lot(job: Job) -> list[One]:
    """One lot of units, brought up together."""
    unit, first, count, number = job
    volts, hertz = MAINS[number % len(MAINS)]
    generator = np.random.default_rng([first, number])
    batch = make_batch(unit, range(first, first + count), volts, hertz)
    dt_s = 1.0 / (hertz * STEPS_A_CYCLE)
    sine = np.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(STEPS_A_CYCLE) / STEPS_A_CYCLE)
    level = way(dt_s) * volts
    seen = np.zeros((len(level), 2, count))
    for k, rms in enumerate(level):
        source_v = rms * sine[k % STEPS_A_CYCLE]
        line_a = batch.step(np.full(count, source_v), dt_s)
        seen[k] = source_v - line_a * batch.supply_ohm, line_a
    plate = batch.nameplate
    return [
        judged(unit, first + k, (volts, hertz), seen[:, :, k], (), -1, plate.nameplate_w, generator, plate.load_class)
        for k in range(count)
    ]


def way(dt_s: float) -> np.ndarray:
    """Line voltage at each step, as a part of mains: ten steps, each with a hold."""
    climb, hold = round(1.0 / STEPS / RISE_PER_S / dt_s), round(HOLD_S / dt_s)
    edges = np.linspace(0.0, 1.0, STEPS + 1)
    parts = [np.concatenate([np.linspace(a, b, climb), np.full(hold, b)]) for a, b in itertools.pairwise(edges)]
    return np.concatenate(parts)


def rows(found: list[One], note: str) -> list[dict[str, Any]]:
    """The figures, a row a unit."""
    table = []
    for unit in UNITS:
        some = [one for one in found if one.unit == unit]
        tripped = sum(bool(one.said) for one in some)
        if some:
            table.append({"run": note, "unit": unit, "count": len(some), "tripped": tripped})
    tripped = sum(bool(one.said) for one in found)
    bound = f"{100 * upper_bound(tripped, len(found)):.2g} %"
    return [*table, {"run": note, "unit": "all", "count": len(found), "tripped": tripped, "at most (95 %)": bound}]


def main() -> None:
    """Run it."""
    options = options_parser(__doc__, 20).parse_args()
    seed = SEED if options.seed is None else options.seed
    firsts = range(0, options.count, LOT)
    jobs = [
        (unit, seed + first, min(LOT, options.count - first), n + place)
        for place, unit in enumerate(UNITS)
        for n, first in enumerate(firsts)
        if options.kinds in unit
    ]
    found = [one for some in results(lot, jobs, options.store) for one in some]
    for row in rows(found, options.note):
        print(row)
    for unit, said in Counter((one.unit, re.sub(r"[0-9.]+", "#", one.said)[:110]) for one in found if one.said).items():
        print(f"{said:5d}  {unit[0]}: {unit[1]}")
    if options.note:
        write_run("ramps_by_cycle", "Healthy units, judged cycle by cycle", rows(found, options.note), seed=seed)


if __name__ == "__main__":
    main()
