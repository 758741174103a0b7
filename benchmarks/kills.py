"""Kill or hang the engine, the watchdog or the screen at random live moments: the wall time until the supply is off.

``python benchmarks/kills.py [--each 50] [--only screen/SIGSTOP] [--seed 1] [--note RUN]``. The simulated source has
no communication time-out and its output stays as it was when a client vanishes, so only the program can switch it
off. Also asked: that off is proven by whoever is left, and that the capture has every row up to a second before. A
run that ended by itself before it was struck (on a machine that is too busy for the simulated bench) is counted, and
another takes its place.
"""

from __future__ import annotations

import contextlib
import csv
import itertools
import json
import os
import random
import signal
import statistics
import sys
import tempfile
import time
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from figures import noted_parser, write_run

from live_help import LiveRun, live_run, served_bench, strike

PROMISED_S = 1.0
VICTIMS = ("engine", "watchdog", "screen")
SIGNALS = (signal.SIGKILL, signal.SIGSTOP)


@dataclass(frozen=True)
class Struck:
    """What became of one run."""

    off_s: float | None
    proven: bool
    lost_s: float
    """Wall time between the last row of the capture and the blow."""


def main() -> int:
    """Run all kills; exit 1 if any missed its promise."""
    parser = noted_parser(__doc__)
    parser.add_argument("--each", type=int, default=50, help="runs of each kind")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--only", default="", help="one group, such as screen/SIGSTOP")
    options = parser.parse_args()
    chance = random.Random(options.seed)
    rows, missed = [], 0
    for victim, how in itertools.product(VICTIMS, SIGNALS):
        if options.only not in ("", f"{victim}/{how.name}"):
            continue
        found, ended_before = several(victim, how, chance, options.each)
        missed += sum(not _as_promised(struck) for struck in found)
        row = {"run": options.note, "victim": victim, "signal": how.name, **_figures(found)}
        rows.append(row | {"ended by themselves before": ended_before})
        print(rows[-1], flush=True)
        if options.note:
            write_run("kills", "Wall time from a kill to the supply being off", rows, seed=options.seed)
    return 1 if missed else 0


def several(victim: str, how: signal.Signals, chance: random.Random, wanted: int) -> tuple[list[Struck], int]:
    """So many runs struck, and how many ended by themselves before."""
    found: list[Struck] = []
    ended_before = 0
    while len(found) < wanted:
        struck = one(victim, how, chance)
        if struck is None:
            ended_before += 1
            if ended_before > wanted:
                raise RuntimeError("most runs end by themselves: this machine is too busy")
        else:
            found.append(struck)
    return found, ended_before


def _as_promised(struck: Struck) -> bool:
    return struck.off_s is not None and struck.off_s < PROMISED_S and struck.proven and struck.lost_s < PROMISED_S


def _figures(found: list[Struck]) -> dict[str, object]:
    known = sorted(struck.off_s for struck in found if struck.off_s is not None)
    return {
        "runs": len(found),
        "off within 1 s": sum(off_s < PROMISED_S for off_s in known),
        "off proven": sum(struck.proven for struck in found),
        "median s": round(statistics.median(known), 4) if known else None,
        "90 % s": round(known[int(0.9 * len(known))], 4) if known else None,
        "most s": round(known[-1], 4) if known else None,
        "rows lost, most s": round(max(struck.lost_s for struck in found), 2),
    }


def one(victim: str, how: signal.Signals, chance: random.Random) -> Struck | None:
    """One run, struck at a random moment while live; None if it ended before that."""
    with (
        tempfile.TemporaryDirectory() as folder,
        served_bench(Path(folder)) as bench,
        live_run(bench, Path(folder) / "captures") as run,
    ):
        try:
            run.wait_live(bench, 0.5)
        except TimeoutError:
            return None
        time.sleep(chance.uniform(0.0, 6.0))
        if run.process.poll() is not None:
            return None
        pid = run.process.pid if victim == "screen" else run.pids()[victim]
        struck_at = datetime.now(UTC)
        off_s = bench.off_after_s(strike(pid, how))
        if victim != "screen":
            code, summary, _ = run.finish()
            proven = code == 3 and summary["off"]["proven"]
        else:
            proven = _proven_without_screen(run)
            if how is signal.SIGSTOP:
                os.kill(pid, signal.SIGCONT)
        return Struck(off_s, proven, max(0.0, _lost_s(run.capture(), struck_at)))


def _proven_without_screen(run: LiveRun, patience_s: float = 10.0) -> bool:
    """What the engine, left alone, wrote into the capture."""
    deadline_s = time.monotonic() + patience_s
    while time.monotonic() < deadline_s:
        with contextlib.suppress(OSError, ValueError):
            result = json.loads((run.capture() / "datapackage.json").read_text(encoding="utf-8")).get("result")
            if result:
                return bool(result["outcome"] == "tripped" and result["off"]["proven"])
        time.sleep(0.02)
    return False


def _lost_s(capture: Path, struck_at: datetime) -> float:
    """From the last row to the blow, by the wall time of the moment at which it was energised."""
    with (capture / "events.csv").open(encoding="utf-8") as stream:
        energised = next(row for row in csv.DictReader(stream) if row["kind"] == "energise")
    with (capture / "readings.csv").open(encoding="utf-8") as stream:
        last_s = max(float(row["time_s"]) for row in csv.DictReader(stream))
    live_s = (struck_at - datetime.fromisoformat(energised["wall_time"])).total_seconds()
    return live_s + float(energised["time_s"]) - last_s


if __name__ == "__main__":
    sys.exit(main())
