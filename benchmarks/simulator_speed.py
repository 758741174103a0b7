"""How fast the simulated units run: one unit against real time, and batches in unit-seconds a second, on one core.

``python benchmarks/simulator_speed.py``
"""

from __future__ import annotations

import math
import time
from typing import Any

import numpy as np
from figures import write_result

from instruments.simulated import amplifier
from instruments.simulated.cycle_mean import STEPS_A_CYCLE
from instruments.simulated.ops import ARRAY
from instruments.simulated.tolerances import draw, stack
from instruments.simulated.units import UNITS, make_unit
from instruments.simulated.world import World

BENCH_S = 5.0
BATCH = 500


def main() -> None:
    """Measure and keep the figures."""
    rows = [{"what": f"one {name}", "times real time": round(_one(name), 1)} for name in UNITS]
    rows.append(
        {"what": f"batch of {BATCH} healthy-amplifier, unit-seconds a second", "times real time": round(_batch())}
    )
    for row in rows:
        print(row)
    write_result(
        "simulator_speed", f"Speed of the simulated units, {STEPS_A_CYCLE} steps a cycle at 50 Hz", rows, seed=1
    )


def _one(name: str) -> float:
    world = World(make_unit(name, 1, 230.0, 50.0), 230.0, 50.0)
    world.set_contactor(closed=True)
    world.set_output(on=True)
    world.set_voltage(115.0)
    began_s = time.perf_counter()
    world.advance(BENCH_S)
    return BENCH_S / (time.perf_counter() - began_s)


def _batch() -> float:
    generator = np.random.default_rng(1)
    specimens: list[dict[str, Any]] = [draw(amplifier.PARTS, generator) for _ in range(BATCH)]
    parameters = amplifier.AmplifierParameters(**stack(specimens), short_s=np.zeros(BATCH))
    state, dt_s, seconds = amplifier.AmplifierState(), 0.02 / STEPS_A_CYCLE, 0.5
    began_s = time.perf_counter()
    for k in range(round(seconds / dt_s)):
        source_v = 115.0 * math.sqrt(2.0) * math.sin(2.0 * math.pi * k / STEPS_A_CYCLE)
        amplifier.step(parameters, state, source_v, dt_s, ARRAY)
    return BATCH * seconds / (time.perf_counter() - began_s)


if __name__ == "__main__":
    main()
