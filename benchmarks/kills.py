"""Kill or hang the engine or the watchdog at random live moments: the wall time until the supply is off.

``python benchmarks/kills.py [--each 20] [--seed 1]``. The simulated source has no communication time-out and its output
stays as it was when a client vanishes, so only the program can switch it off.
"""

from __future__ import annotations

import argparse
import itertools
import random
import signal
import statistics
import sys
import tempfile
import time
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from figures import write_result

from live_help import live_run, served_bench, strike

PROMISED_S = 1.0


def main() -> int:
    """Run all kills; exit 1 if any missed its promise."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--each", type=int, default=20, help="runs of each kind")
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    chance = random.Random(options.seed)
    rows, missed = [], 0
    for victim, how in itertools.product(("engine", "watchdog"), (signal.SIGKILL, signal.SIGSTOP)):
        times = [_one(victim, how, chance) for _ in range(options.each)]
        ok = [t for t in times if t is not None and t < PROMISED_S]
        missed += len(times) - len(ok)
        known = [t for t in times if t is not None]
        row = {
            "victim": victim,
            "signal": how.name,
            "runs": len(times),
            "off_within_1_s": len(ok),
            "median_s": round(statistics.median(known), 4) if known else None,
            "max_s": round(max(known), 4) if known else None,
        }
        rows.append(row)
        print(row, flush=True)
    write_result("kills", "Wall time from a kill to the supply being off", rows, seed=options.seed)
    return 1 if missed else 0


def _one(victim: str, how: signal.Signals, chance: random.Random) -> float | None:
    with (
        tempfile.TemporaryDirectory() as folder,
        served_bench(Path(folder)) as bench,
        live_run(bench, Path(folder) / "captures") as run,
    ):
        run.wait_live(bench, 0.5)
        time.sleep(chance.uniform(0.0, 6.0))
        off_s = bench.off_after_s(strike(run.pids()[victim], how))
        code, summary, _ = run.finish()
        return off_s if code == 3 and summary["off"]["proven"] else None


if __name__ == "__main__":
    sys.exit(main())
