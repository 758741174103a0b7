"""From a reading past its ceiling to off, on the wire: as a ratio to a bare PyVISA write.

    python benchmarks/trip_latency.py [--count 1000] [--note RUN]

The engine's own `run`, in a process of its own, over sockets to instruments served here, in lock-step; the watchdog is
left out. At the 20th line that it is told the power meter answers with SCPI's infinity. Timed is from then, just before
the reply is sent, until the first way off arrives as a line at its instrument. Idle, and with two busy loops beside it.
The bare write: a line by a VISA session until it has arrived at a server like these.
"""

from __future__ import annotations

import io
import multiprocessing
import queue
import statistics
import tempfile
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any
from unittest import mock

from figures import noted_parser, write_run
from inside import MAINS, PLAN, SEED, UNIT, Attentive, Unwatched

from instruments.simulated.bench_text import bench_file_text
from instruments.simulated.mischief import Mischief, Mischiefs, Reaction
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.simulated.serve import SimulationOptions, fleet_of
from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from instruments.visa import VisaSession
from rampguard.engine import before_power
from rampguard.engine import run as running
from rampguard.engine.lines import LineWriter
from rampguard.engine.link import RunOrder

AT_LINE = 20
LOADS = {"idle": 0, "both cores busy": 2}


@dataclass
class Timed(Mischiefs):
    """Notes when the reply that is past the ceiling goes, and when anything is told to switch off after it."""

    notes: Callable[[str], None] = lambda what: None

    def react(self, line: str, execute: Callable[[str], str | None], flood: Callable[[], None]) -> Reaction:
        """As an instrument does."""
        if line.startswith(("ROUT:OPEN", "OUTP OFF")):
            self.notes("off")
        done = self.done
        reaction = super().react(line, execute, flood)
        if self.done > done:
            self.notes("past")
        return reaction


@dataclass
class Times:
    """When each first happened, seconds."""

    at: dict[str, float] = field(default_factory=dict)

    def note(self, what: str) -> None:
        """Now; off counts only after the reading."""
        if what == "past" or "past" in self.at:
            self.at.setdefault(what, time.perf_counter())


def unheard(order: dict[str, Any]) -> int:
    """Run an order that nobody looks at. Returns its exit code."""
    return running.run(RunOrder(**order), Attentive(queue.SimpleQueue(), LineWriter(io.BytesIO())))


def engine(orders: Any, codes: Any, act: Callable[[dict[str, Any]], int] = unheard) -> None:
    """Run what comes, in a process of its own."""
    with (
        mock.patch.object(before_power, "Guardian", Unwatched),
        mock.patch.object(before_power, "PROOF_DEADLINE_S", 0.2),
        mock.patch.object(running, "PROOF_DEADLINE_S", 0.2),
    ):
        while (order := orders.get()) is not None:
            codes.put(act(order))


def one(folder: Path, orders: Any, codes: Any) -> float:
    """Seconds from the reading to off, of one run."""
    times = Times()
    world = World(make_unit(UNIT, SEED, *MAINS), *MAINS)
    options = SimulationOptions(unit=UNIT, bench_file=folder / "bench.toml", lock_step=True)
    past = (Mischief("power-meter", "over-range", AT_LINE),)
    servers = {
        name: ScpiServer(
            instrument,
            mischiefs=Timed(past if name == "power-meter" else (), notes=times.note),
        )
        for name, instrument in fleet_of(world, options).items()
    }
    try:
        resources = {name: server.resource for name, server in servers.items()}
        options.bench_file.write_text(bench_file_text(options, world.unit, resources), encoding="utf-8")
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        orders.put(
            {
                "bench": str(options.bench_file),
                "into": str(folder / "captures"),
                "plan": str(folder / "plan.toml"),
                "permissives_confirmed": "simulated bench",
            }
        )
        code = codes.get(timeout=60.0)
    finally:
        for server in servers.values():
            server.close()
    assert code == 3, code
    return times.at["off"] - times.at["past"]


def bare_write(count: int) -> list[float]:
    """Seconds from a VISA session's write until the line has arrived."""
    arrived: queue.SimpleQueue[float] = queue.SimpleQueue()
    instrument = ScpiInstrument("SIMULATED,TEST,0,1", threading.RLock())
    instrument.add("OUTPut", lambda _: arrived.put(time.perf_counter()))
    server = ScpiServer(instrument)
    session = VisaSession(server.resource, 0.5, "\n", "\n")
    session.write("OUTP 0")
    arrived.get()
    taken = []
    for _ in range(count):
        began_s = time.perf_counter()
        session.write("OUTP 0")
        taken.append(arrived.get() - began_s)
    session.close()
    server.close()
    return taken


def _busy() -> None:
    while True:
        sum(range(10_000))


@contextmanager
def busy(processes: int) -> Iterator[None]:
    """So many busy loops beside."""
    loops = [multiprocessing.Process(target=_busy, daemon=True) for _ in range(processes)]
    for loop in loops:
        loop.start()
    try:
        yield
    finally:
        for loop in loops:
            loop.kill()
            loop.join()


def main() -> None:
    """Measure and print, and keep where asked to."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=1000)
    options = parser.parse_args()
    context = multiprocessing.get_context("spawn")
    orders, codes = context.Queue(), context.Queue()
    worker = context.Process(target=engine, args=(orders, codes))
    worker.start()
    rows = []
    for load, loops in LOADS.items():
        with busy(loops), tempfile.TemporaryDirectory() as name:
            bare_s = statistics.median(bare_write(options.count))
            taken = []
            for k in range(options.count):
                folder = Path(name) / str(k)
                folder.mkdir()
                taken.append(one(folder, orders, codes))
            rows.append({"run": options.note, "load": load, **_figures(taken, bare_s)})
            print(rows[-1], flush=True)
    orders.put(None)
    worker.join(10.0)
    if options.note:
        title = "From a reading past its ceiling to off on the wire, as a ratio to a bare VISA write"
        write_run("trip_latency", title, rows, seed=SEED)


def _figures(taken: list[float], bare_s: float) -> dict[str, Any]:
    cuts = statistics.quantiles(taken, n=1000)
    figures: dict[str, Any] = {"trips": len(taken), "bare write, median us": round(bare_s * 1e6)}
    for words, cut in (("p50", cuts[499]), ("p99", cuts[989]), ("p99.9", cuts[998])):
        figures[f"{words} ms"] = round(cut * 1e3, 2)
        figures[f"{words}, of a bare write"] = round(cut / bare_s, 1)
    return figures


if __name__ == "__main__":
    main()
