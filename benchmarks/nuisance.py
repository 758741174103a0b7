"""Live running with both cores busy: whether anything is cut that should not be.

``python benchmarks/nuisance.py [--minutes 60] [--beside N] [--note RUN]``: a whole healthy unit held at full line at
real speed, by the command line, while busy loops run beside it, as many as there are cores unless told otherwise (none
where other work keeps them busy already). Bench, engine, watchdog and screen share those cores with them. Told too, on
Linux: how busy the cores were.
"""

from __future__ import annotations

import json
import os
import sys
import tempfile
import time
from pathlib import Path
from typing import Final

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from figures import noted_parser, write_run
from trip_latency import busy

from live_help import live_run, plan_toml, served_bench

UNIT = "heater"
STEP_V, FULL_V, SLEW_V_PER_S = 20.0, 230.0, 8.0


def plan_of(hold_s: float) -> str:
    """Up by steps, and held at full line for so long."""
    climb = [(STEP_V * k, SLEW_V_PER_S, 0.5, 60.0) for k in range(1, int(FULL_V / STEP_V) + 1)]
    return plan_toml(*climb, (FULL_V, SLEW_V_PER_S, hold_s, hold_s + 60.0))


STAT: Final = Path("/proc/stat")


def cpu_ticks() -> tuple[int, int]:
    """Ticks that the cores idled so far, and all ticks (proc_stat(5)); none where there is no such file."""
    if not STAT.exists():
        return 0, 0
    ticks = [int(field) for field in STAT.read_text(encoding="ascii").splitlines()[0].split()[1:9]]
    return ticks[3] + ticks[4], sum(ticks)


def main() -> int:
    """Run it; exit 1 if anything was cut."""
    parser = noted_parser(__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    parser.add_argument("--beside", type=int, default=os.cpu_count() or 1, help="busy loops")
    options = parser.parse_args()
    hold_s = 60.0 * options.minutes
    with tempfile.TemporaryDirectory() as name, served_bench(Path(name), unit=UNIT) as bench:
        folder, began_s = Path(name), time.monotonic()
        plan = folder / "plan.toml"
        plan.write_text(plan_of(hold_s), encoding="utf-8")
        with live_run(bench, folder / "captures", "--plan", str(plan)) as run, busy(options.beside):
            idle_before, before = cpu_ticks()
            code, summary, _ = run.finish(hold_s + 300.0)
            idle, ticks = cpu_ticks()
        lasted_s = time.monotonic() - began_s
        kept = json.loads((run.capture() / "datapackage.json").read_text(encoding="utf-8"))
    row = {
        "run": options.note,
        "live, minutes": round(lasted_s / 60.0, 1),
        "cores busy": f"{100.0 * (1.0 - (idle - idle_before) / (ticks - before)):.1f} %"
        if ticks > before
        else "unknown",
        "cuts": int(code != 0),
        "outcome": summary["outcome"],
        "why": "" if summary["trip"] is None else summary["trip"]["reason"],
        "capture": kept["outcome"],
    }
    print(row)
    if options.note:
        write_run("nuisance", "Cuts in live running with both cores busy", [row], seed=1)
    return int(code != 0)


if __name__ == "__main__":
    sys.exit(main())
