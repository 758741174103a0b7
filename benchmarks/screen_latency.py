"""From a reading past its ceiling to off on the wire, with the screen open beside it: against no screen.

    python benchmarks/screen_latency.py [--count 300] [--frozen 20] [--note RUN]

As `trip_latency`, a run each in turn without a screen, with one open in a terminal, and with one whose terminal is made
another size fifty times a second. Asked: the 99th percentile within 1.2 of that without. Then whole runs by the command
line, the screen stopped (SIGSTOP) in the middle: it is cut after its lease.
"""

from __future__ import annotations

import io
import multiprocessing
import os
import queue
import random
import signal
import statistics
import sys
import tempfile
import time
from contextlib import nullcontext
from pathlib import Path
from typing import Any

import trip_latency
from figures import noted_parser, write_run
from inside import SEED, Attentive
from screen_beside import screen_beside

from rampguard.engine import run as running
from rampguard.engine.lines import LineWriter
from rampguard.engine.link import RunOrder

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from live_help import RAMPGUARD, served_bench
from terminal_help import Terminal

WAYS = ("no screen", "screen open", "screen resized 50 times a second")


class Told(Attentive):
    """An operator who is always there; what is said goes to the screen beside, if there is one."""

    def tell(self, event: str, **details: Any) -> None:
        """Hear it, and pass it on."""
        super().tell(event, **details)
        self._events.put({"event": event, **details})


def told(order: dict[str, Any]) -> int:
    """Run an order that is with the pipe of the screen that it is told to. Returns its exit code."""
    fifo = order.pop("fifo", "")
    with open(fifo, "wb", buffering=0) if fifo else nullcontext(io.BytesIO()) as stream:
        events = LineWriter(stream)
        events.start()
        code = running.run(RunOrder(**order), Told(queue.SimpleQueue(), events))
        events.close()
        return code


class Orders:
    """Puts into each order where it is told."""

    def __init__(self, orders: Any, fifo: str) -> None:
        self._orders, self._fifo = orders, fifo

    def put(self, order: dict[str, Any]) -> None:
        """One order."""
        self._orders.put({**order, "fifo": self._fifo})


def measured(way: str, count: int, orders: Any, codes: Any, folder: Path) -> list[float]:
    """Seconds from the reading to off, of so many runs this way."""
    folder.mkdir(parents=True)
    taken = []

    def runs(to: Any) -> None:
        for k in range(count):
            run_folder = folder / str(k)
            run_folder.mkdir()
            taken.append(trip_latency.one(run_folder, to, codes))

    if way == WAYS[0]:
        runs(orders)
        return taken
    with screen_beside(folder, resized=way == WAYS[2]) as (fifo, _):
        runs(Orders(orders, str(fifo)))
    return taken


def frozen(folder: Path, count: int) -> list[float]:
    """Seconds from the screen's being stopped to off, of whole runs by the command line."""
    taken, generator = [], random.Random(SEED)
    for k in range(count):
        run_folder = folder / f"frozen-{k}"
        run_folder.mkdir()
        with served_bench(run_folder) as bench:
            command = [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--permissives-confirmed"]
            with Terminal([*command, "--into", str(run_folder / "captures")]) as terminal:
                terminal.until("Now ")
                time.sleep(generator.uniform(0.0, 1.0))
                began_s = time.monotonic()
                os.kill(terminal.process.pid, signal.SIGSTOP)
                off_s = bench.off_after_s(began_s)
                assert off_s is not None
                taken.append(off_s)
    return taken


def main() -> None:
    """Measure and print, and keep where asked to."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--frozen", type=int, default=20)
    options = parser.parse_args()
    context = multiprocessing.get_context("spawn")
    orders, codes = context.Queue(), context.Queue()
    worker = context.Process(target=trip_latency.engine, args=(orders, codes, told))
    worker.start()
    taken: dict[str, list[float]] = {way: [] for way in WAYS}
    part = max(1, options.count // 3)
    with tempfile.TemporaryDirectory() as name:
        for number in range(3):  # each way three times, so that a change of the machine is none of theirs
            for way in WAYS:
                folder = Path(name) / f"{number}-{WAYS.index(way)}"
                taken[way] += measured(way, part, orders, codes, folder)
        orders.put(None)
        worker.join(10.0)
        rows = [{"run": options.note, "way": way, **_figures(taken[way], taken[WAYS[0]])} for way in WAYS]
        if options.frozen:
            offs = frozen(Path(name), options.frozen)
            rows.append(
                {
                    "run": options.note,
                    "way": "screen stopped: until off",
                    "trips": len(offs),
                    "p50 ms": round(1e3 * statistics.median(offs)),
                    "most ms": round(1e3 * max(offs)),
                }
            )
    for row in rows:
        print(row, flush=True)
    if options.note:
        title = "From a reading past its ceiling to off on the wire, beside the screen"
        write_run("screen_latency", title, rows, seed=SEED)


def _figures(taken: list[float], without: list[float]) -> dict[str, Any]:
    cuts, base = statistics.quantiles(taken, n=100), statistics.quantiles(without, n=100)
    return {
        "trips": len(taken),
        "p50 ms": round(1e3 * cuts[49], 2),
        "p99 ms": round(1e3 * cuts[98], 2),
        "most ms": round(1e3 * max(taken), 2),
        "p50, of no screen": round(cuts[49] / base[49], 2),
        "p99, of no screen": round(cuts[98] / base[98], 2),
    }


if __name__ == "__main__":
    main()
