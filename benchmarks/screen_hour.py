"""An hour of 50 readings a second, as fast as this machine goes, with the screen beside it.

    python benchmarks/screen_hour.py [--minutes 60] [--note RUN]

The engine's own loop and guard, all layers, in lock-step over a simulated amplifier whose meters read every 20 ms; its
events go to a screen in a terminal. Told: whether every reading is in the capture, the time from a reading's arrival to
its row's bytes being written, frames a second and processor time of the screen, and both processes' memory.
"""

from __future__ import annotations

import csv
import json
import os
import queue
import statistics
import sys
import tempfile
import time
from array import array
from collections import deque
from pathlib import Path
from typing import Any, Final
from unittest import mock

READ_EVERY_S: Final = 0.02

from instruments.simulated import world  # noqa: E402 - before whoever takes its window by value

world.WINDOW_S = READ_EVERY_S  # type: ignore[misc]

import inside  # noqa: E402
from figures import noted_parser, write_run  # noqa: E402
from screen_beside import rss_mb, screen_beside  # noqa: E402
from screen_latency import Told  # noqa: E402

from instruments import connect  # noqa: E402
from rampguard.archive import spool  # noqa: E402
from rampguard.engine import acquire, before_power  # noqa: E402
from rampguard.engine import run as running  # noqa: E402
from rampguard.engine.lines import LineWriter  # noqa: E402
from rampguard.engine.link import RunOrder  # noqa: E402

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from live_help import plan_toml  # noqa: E402

UNIT: Final = "healthy-amplifier"
CLIMB: Final = tuple((23.0 * k, 10.0, 1.0, 60.0) for k in range(1, 11))


class Forgetful(set[str]):
    """Keeps none of the lines that the instruments sent: they are no part of the engine's memory."""

    def update(self, *lines: object) -> None:
        """Nothing."""


class Watched:
    """Every reading that arrived, and how long each row took to be written."""

    def __init__(self) -> None:
        self.readings = 0
        self.rows_s = array("d")
        self.memory_mb: list[float] = []
        self._arrived_s = 0.0
        self._waiting: deque[float] = deque()

    def collect(self, real: Any, stepper: Any, meanwhile: Any) -> Any:
        """As the loop collects."""
        moments = real(stepper, meanwhile)
        self._arrived_s = time.perf_counter()
        self.readings += sum(
            reading.value is not None for moment in moments for batch in moment for reading in batch.readings
        )
        return moments

    def put(self, real: Any, spooled: Any, line: Any) -> None:
        """As a row is put."""
        if line.file.startswith("readings"):
            self._waiting.append(self._arrived_s)
        real(spooled, line)

    def write(self, real: Any, spooled: Any, line: Any) -> None:
        """As a row is written."""
        real(spooled, line)
        if line.file.startswith("readings") and self._waiting:
            self.rows_s.append(time.perf_counter() - self._waiting.popleft())
            if len(self.rows_s) % 3000 == 0:
                self.memory_mb.append(rss_mb())


def main() -> int:
    """Measure and print, and keep where asked to; 1 where a reading is missing."""
    parser = noted_parser(__doc__)
    parser.add_argument("--minutes", type=float, default=60.0)
    options = parser.parse_args()
    seen = Watched()
    collect, put, write = acquire.LockStep.collect, spool.Spool.put, spool.Spool._write
    with tempfile.TemporaryDirectory() as name, screen_beside(Path(name)) as (fifo, frames):
        folder = Path(name)
        plan = folder / "plan.toml"
        hold_s = 60.0 * options.minutes
        plan.write_text(plan_toml(*CLIMB, (230.0, 10.0, hold_s, hold_s + 60.0)), encoding="utf-8")
        with (
            mock.patch.object(inside, "UNIT", UNIT),
            mock.patch.object(acquire, "TICK_S", READ_EVERY_S),
            mock.patch.object(before_power, "Guardian", inside.Unwatched),
            mock.patch.object(acquire.LockStep, "collect", lambda s, m: seen.collect(collect, s, m)),
            mock.patch.object(spool.Spool, "put", lambda s, line: seen.put(put, s, line)),
            mock.patch.object(spool.Spool, "_write", lambda s, line: seen.write(write, s, line)),
            fifo.open("wb", buffering=0) as stream,
        ):
            bench = inside.Inside((), folder)
            bench.sent = Forgetful()
            with mock.patch.object(connect, "Link", bench.link):
                events = LineWriter(stream)
                events.start()
                began_s = time.monotonic()
                order = RunOrder(
                    bench=str(folder / "bench.toml"),
                    into=str(folder / "captures"),
                    plan=str(plan),
                    permissives_confirmed="simulated bench",
                )
                code = running.run(order, Told(queue.SimpleQueue(), events))
                took_s = time.monotonic() - began_s
                events.close()
        [capture] = [path for path in (folder / "captures").iterdir() if path.is_dir()]
        kept = _kept(capture)
        told = [json.loads(line) for line in frames.read_text(encoding="utf-8").splitlines()]
    row = {"run": options.note, "exit code": code, **_figures(seen, kept, told, took_s, options.minutes)}
    print(row)
    if options.note:
        title = "An hour of 50 readings a second with the screen beside it, as fast as the machine goes"
        write_run("screen_hour", title, [row], seed=inside.SEED)
    return int(code != 0 or row["readings missing from the capture"] != 0)


def _kept(capture: Path) -> int:
    """How many readings are in a capture."""
    with (capture / "readings.csv").open(encoding="utf-8", newline="") as file:
        rows = csv.reader(file)
        head = next(rows)
        units = ("_v", "_a", "_w", "_degc")
        columns = [
            k
            for k, column in enumerate(head)
            if column.endswith(units) and not column.startswith(("set_", "expected_", "band_"))
        ]
        return sum(row[k] != "" for row in rows for k in columns)


def _figures(seen: Watched, kept: int, told: list[dict[str, Any]], took_s: float, minutes: float) -> dict[str, Any]:
    cuts = statistics.quantiles(seen.rows_s, n=1000)
    first, last = told[min(5, len(told) - 1)], told[-1]
    span_s = max(1e-9, last["at_s"] - first["at_s"])
    tenth = max(1, len(seen.memory_mb) // 10)
    return {
        "bench minutes": minutes,
        "wall minutes": round(took_s / 60.0, 1),
        "readings": seen.readings,
        "readings missing from the capture": seen.readings - kept,
        "reading to bytes written, p50 ms": round(1e3 * cuts[499], 2),
        "p99 ms": round(1e3 * cuts[989], 2),
        "p99.9 ms": round(1e3 * cuts[998], 2),
        "frames a second": round((last["frames"] - first["frames"]) / span_s, 2),
        "screen, of one core": round((last["cpu_s"] - first["cpu_s"]) / span_s, 2),
        "screen MB, first and last": f"{first['rss_mb']:.0f}, {last['rss_mb']:.0f}",
        "engine MB, first and last tenth": f"{statistics.mean(seen.memory_mb[:tenth] or [0.0]):.0f},"
        f" {statistics.mean(seen.memory_mb[-tenth:] or [0.0]):.0f}",
    }


if __name__ == "__main__":
    os.environ.setdefault("OMP_NUM_THREADS", "1")
    raise SystemExit(main())
