"""How fast the simulated units run: one unit against real time, and batches in unit-seconds a second, on one core.

``python benchmarks/simulator_speed.py``
"""

from __future__ import annotations

import math
import time

from figures import write_result

from instruments.simulated.cycle_mean import STEPS_A_CYCLE
from instruments.simulated.units import UNITS, make_batch, make_unit
from instruments.simulated.world import World

BENCH_S = 5.0
BATCH = 1500
BATCH_S = 0.2


def main() -> None:
    """Measure and keep the figures."""
    rows = []
    for name in UNITS:
        rows.append(
            {
                "unit": name,
                "one, times real time": round(_one(name), 1),
                f"batch of {BATCH}, unit-seconds a second": round(_batch(name)),
            }
        )
        print(rows[-1], flush=True)
    write_result(
        "simulator_speed", f"Speed of the simulated units, {STEPS_A_CYCLE} steps a cycle at 50 Hz", rows, seed=1
    )


def _one(name: str) -> float:
    """With the bench's windows around it, at half of line."""
    world = World(make_unit(name, 1, 230.0, 50.0), 230.0, 50.0)
    world.set_contactor(closed=True)
    world.set_output(on=True)
    world.set_voltage(115.0)
    began_s = time.perf_counter()
    world.advance(BENCH_S)
    return BENCH_S / (time.perf_counter() - began_s)


def _batch(name: str) -> float:
    unit, dt_s = make_batch(name, range(1, BATCH + 1), 230.0, 50.0), 0.02 / STEPS_A_CYCLE
    began_s = time.perf_counter()
    for k in range(round(BATCH_S / dt_s)):
        unit.step(115.0 * math.sqrt(2.0) * math.sin(2.0 * math.pi * k / STEPS_A_CYCLE), dt_s)
    return BATCH * BATCH_S / (time.perf_counter() - began_s)


if __name__ == "__main__":
    main()
