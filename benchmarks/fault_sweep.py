"""Every fault of an instrument at every line it is told, once and for good: whether any run ends live and unsaid.

    python benchmarks/fault_sweep.py [--stride 1] [--pairs 400] [--sockets 500] [--note RUN]

A short plan on a simulated heater, all in this process: the engine's own `run`, its threads, its links and its cut-off,
over sessions that end in the simulated instruments instead of a socket, on the bench's own clock. Deadlines are cut to
a tenth, and so is an answer that is late. The watchdog is left out: what it does is in `kills`. Pairs are of a fault on
the way off with one anywhere. The disk of the capture fails as well: full, slow, its folder removed.

So many of them, at random, are done again as a user would: the command line, its processes and its watchdog, over real
sockets, at real deadlines.

A run is bad if it ends with the output on and any exit code but 4, if it ends by an exception, if its capture holds a
number that no instrument sent, or if its record is not whole and it does not say so.
"""

from __future__ import annotations

import argparse
import csv
import errno
import io
import itertools
import json
import multiprocessing
import queue
import random
import shutil
import subprocess
import sys
import tempfile
import threading
import time
from collections import Counter
from collections.abc import Callable, Iterator
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import IO, Any
from unittest import mock

from figures import write_run

from instruments import connect as connecting
from instruments import visa
from instruments.simulated import mischief as mischiefs
from instruments.simulated.mischief import DEEDS, Mischief, Mischiefs
from instruments.simulated.serve import SimulationOptions, _fleet, bench_file_text
from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from rampguard.archive import spool, writer
from rampguard.engine import cutoff, live, loop, reservoirs
from rampguard.engine import run as running
from rampguard.engine.lines import LineWriter
from rampguard.engine.link import EXIT_UNPROVEN, RunOrder
from rampguard.engine.operator import Operator

UNIT, SEED = "heater", 1
MAINS = (230.0, 50.0)
PLAN = """\
format = 1
title = "short"

[mains]
voltage_v = 230.0
frequency_hz = 50.0

[[stages]]
name = "probe"
line_voltage_v = 18.0
slew_v_per_s = 15.0
hold_s = 0.5
timeout_s = 10.0
ends_when = "held"
"""
SPOKEN_TO = ("source", "contactor", "clock", "power-meter")
WAY_OFF = ("source", "contactor")
SHORTER = (
    (visa, "OPEN_DEADLINE_S", 0.1),
    (mischiefs, "LATE_S", 0.08),
    (cutoff, "RETRY_EVERY_S", 0.01),
    (running, "PROOF_DEADLINE_S", 0.3),
    (loop, "STUBBORN_AFTER_S", 0.15),
    (loop, "SOURCE_LIMIT_S", 0.15),
    (live, "SOURCE_LIMIT_S", 0.15),
    (loop, "WATCHED_S", 0.2),
    (reservoirs, "WATCHED_S", 0.2),
    (spool, "GRACE_S", 0.1),
    (writer.CaptureWriter.finish, "__defaults__", (0.5,)),
)
REPLY_S = 0.05
DISK = "disk"
DISK_DEEDS = ("disk-full", "slow-disk", "folder-removed")
SLOW_S = 0.2


class Disk:
    """An unbuffered file of the capture that fails as planned at the n-th write to any of them."""

    told = 0
    done = 0

    def __init__(self, stream: IO[bytes], path: Path, planned: tuple[Mischief, ...]) -> None:
        self._stream, self._path = stream, path
        self._planned = tuple(mischief for mischief in planned if mischief.instrument == DISK)

    def write(self, data: bytes) -> int:
        """Write, or not."""
        Disk.told += 1
        for mischief in self._planned:
            if mischief.is_due(Disk.told):
                Disk.done += 1
                if mischief.kind == "disk-full":
                    raise OSError(errno.ENOSPC, "No space left on device")
                if mischief.kind == "slow-disk":
                    time.sleep(SLOW_S)
                else:
                    shutil.rmtree(self._path.parent, ignore_errors=True)
        return self._stream.write(data)

    def fileno(self) -> int:
        """The file's own."""
        return self._stream.fileno()

    def close(self) -> None:
        """Close it."""
        self._stream.close()

    def __enter__(self) -> Disk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


class Inside:
    """A bench in this process: its world, its instruments, what they do wrong, and every line that they sent."""

    def __init__(self, planned: tuple[Mischief, ...], folder: Path) -> None:
        self.world = World(make_unit(UNIT, SEED, *MAINS), *MAINS)
        options = SimulationOptions(unit=UNIT, bench_file=folder / "bench.toml", lock_step=True)
        self.fleet = _fleet(self.world, options)
        self.mischiefs = {name: Mischiefs.of(name, planned) for name in self.fleet}
        self.sent: set[str] = set()
        # No port is opened: the addresses only tell the instruments apart, on loopback as lock-step wants it.
        self.by_address = {f"TCPIP0::127.0.0.1::{k}::SOCKET": name for k, name in enumerate(self.fleet, 1)}
        resources = {name: address for address, name in self.by_address.items()}
        options.bench_file.write_text(bench_file_text(options, self.world, resources), encoding="utf-8")

    @property
    def live(self) -> bool:
        """Whether line voltage reaches the unit."""
        return self.world.output_on and self.world.contactor_closed

    def link(self, resource: str, *, name: str, identity: str = "", **_: Any) -> visa.Link:
        """A link to one of its instruments."""
        instrument = self.by_address[resource]
        return visa.Link(
            resource,
            name=name,
            identity=identity,
            deadline_s=REPLY_S,
            open_session=lambda: InsideSession(self, instrument),
        )


class InsideSession:
    """What `visa.Session` asks for, ending in an instrument of this process; raises as a VISA session would."""

    def __init__(self, bench: Inside, name: str) -> None:
        self._bench, self._name = bench, name
        self._waiting = b""
        self._gone = bench.mischiefs[name].refuses

    def write(self, text: str) -> None:
        """Have it done."""
        if self._gone:
            return  # as a write to nobody: it succeeds
        instrument = self._bench.fleet[self._name]
        reaction = self._bench.mischiefs[self._name].react(text, instrument.execute, instrument.flood)
        self._waiting += reaction.sends
        self._gone = reaction.hangs_up

    def read(self) -> str:
        """One line."""
        line, end, rest = self._waiting.partition(b"\n")
        if not end:
            self._waiting = b""
            raise TimeoutError("VI_ERROR_TMO")
        self._waiting = rest
        text = line.decode("ascii")
        self._bench.sent.update(text.split(";"))
        return text

    def leftover(self) -> bool:
        """Whether something waits that nobody asked for."""
        if self._gone:
            raise ConnectionResetError("the other side closed the connection")
        return bool(self._waiting)

    def sever(self) -> None:
        """Nothing here blocks."""

    def close(self) -> None:
        """Nothing to close."""


class NoWatchdog:
    """Stands where the watchdog does."""

    ready = ("contactor", "source")
    pid = 0

    def __init__(self, *_: Any) -> None: ...

    def feed(self) -> None:
        """Nobody to feed."""

    def trouble(self) -> str:
        """None."""
        return ""

    def release(self, timeout_s: float = 0.0) -> None:
        """Nobody to let go."""

    def take_over(self) -> None:
        """Nobody to take over."""


class Attentive(Operator):
    """An operator who is always there, and heard why a run was refused."""

    refused = ""
    not_whole = False
    """Whether it was said that the record is not whole."""

    def tell(self, event: str, **details: Any) -> None:
        """Hear it."""
        if event == "refused":
            self.refused = str(details["text"])
        self.not_whole = self.not_whole or details.get("kind") == "capture"

    def lost(self) -> str:
        """Never."""
        return ""


@dataclass
class Outcome:
    """What became of one run."""

    planned: tuple[str, ...]
    code: int | None
    """None: it ended by an exception."""
    live: bool
    done: int
    """How much mischief was done."""
    invented: list[str] = field(default_factory=list)
    problem: str = ""
    unsaid: bool = False
    """Whether the record is not whole, and nobody said so."""

    @property
    def bad(self) -> bool:
        """Whether it may not be."""
        lives = self.live and self.code != EXIT_UNPROVEN
        return self.code is None or bool(self.invented) or self.unsaid or lives


def one(planned: tuple[Mischief, ...]) -> Outcome:
    """One run with so much mischief planned."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name, ExitStack() as stack:
        folder = Path(name)
        bench = Inside(planned, folder)
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        for module, constant, value in SHORTER:
            stack.enter_context(mock.patch.object(module, constant, value))
        stack.enter_context(mock.patch.object(connecting, "Link", bench.link))
        stack.enter_context(mock.patch.object(running, "Guardian", NoWatchdog))
        Disk.told = Disk.done = 0
        opened = writer._open
        disk = mock.patch.object(writer, "_open", lambda path, first: Disk(opened(path, first), path, planned))
        stack.enter_context(disk)
        order = RunOrder(
            bench=str(folder / "bench.toml"),
            into=str(folder / "captures"),
            plan=str(folder / "plan.toml"),
            permissives_confirmed="simulated bench",
        )
        operator = Attentive(queue.SimpleQueue(), LineWriter(io.BytesIO()))
        code, problem = None, ""
        try:
            code = running.run(order, operator)
            problem = operator.refused
        except Exception as error:  # noqa: BLE001 - whatever ends the engine is what is looked for
            problem = f"{type(error).__name__}: {error}"
        done = Disk.done + sum(mischief.done for mischief in bench.mischiefs.values())
        said = tuple(map(str, planned))
        invented = list(_invented(folder / "captures", bench.sent))
        sealed = any((folder / "captures").glob("*/seal.sha256"))
        unsaid = code in (0, 3, 5) and not sealed and not operator.not_whole
        return Outcome(said, code, bench.live, done, invented, problem, unsaid)


def over_sockets(planned: tuple[Mischief, ...]) -> Outcome:
    """The same by the command line, every process of it, over sockets; live is what the supply's log ends with."""
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        (folder / "plan.toml").write_text(PLAN, encoding="utf-8")
        bench_file, log = folder / "bench.toml", folder / "supply.jsonl"
        asked = [text for mischief in planned for text in ("--mischief", str(mischief))]
        bench = subprocess.Popen(
            [sys.executable, "-m", "instruments.simulated", "--lock-step", "--unit", UNIT, "--seed", str(SEED)]
            + ["--bench-file", str(bench_file), "--log", str(log), *asked],
            stdin=subprocess.PIPE,
        )
        try:
            while not bench_file.exists():
                time.sleep(0.02)
            done = subprocess.run(
                [sys.executable, "-m", "rampguard", "run", "--bench", str(bench_file), "--no-screen", "--json"]
                + ["--plan", str(folder / "plan.toml"), "--into", str(folder / "captures"), "--permissives-confirmed"],
                capture_output=True,
                text=True,
                timeout=90,
                check=False,
            )
        finally:
            bench.communicate(b"", timeout=20)
        lines = log.read_text(encoding="utf-8").splitlines()
        live = bool(lines) and bool(json.loads(lines[-1])["output"])
        return Outcome(tuple(map(str, planned)), done.returncode, live, done=1, problem=done.stderr[-400:])


def _invented(captures: Path, sent: set[str]) -> Iterator[str]:
    """Numbers of a capture that no instrument sent."""
    known = set()
    for text in sent:
        try:
            known.add(float(text))
        except ValueError:
            continue
    for file in captures.glob("*/readings.csv"):
        with file.open(encoding="utf-8") as stream:
            for row in csv.DictReader(stream):
                for column in ("line_voltage_v", "line_current_a", "real_power_w"):
                    if row[column] and float(row[column]) not in known:
                        yield f"{column} = {row[column]}"


def lines_told() -> dict[str, int]:
    """How many lines each instrument, and the disk, is told in a run without mischief."""
    made: list[Inside] = []
    first = Inside.__init__

    def remember(self: Inside, planned: tuple[Mischief, ...], folder: Path) -> None:
        first(self, planned, folder)
        made.append(self)

    with mock.patch.object(Inside, "__init__", remember):
        outcome = one(())
    assert outcome.code == 0, outcome
    return {name: made[0].mischiefs[name].told for name in SPOKEN_TO} | {DISK: Disk.told}


def plans(stride: int, pairs: int, seed: int) -> list[tuple[Mischief, ...]]:
    """Every kind at every ``stride``-th line of every instrument, once and for good; and so many pairs."""
    told = lines_told()
    single = [
        Mischief(name, kind, at, lasting)
        for name in SPOKEN_TO
        for kind in DEEDS
        if (kind == "clock-jump") <= (name == "clock")
        for at in range(1, told[name] + 1, stride)
        for lasting in (False, True)
    ]
    single += [
        Mischief(DISK, kind, at, lasting)
        for kind in DISK_DEEDS
        for at in range(1, told[DISK] + 1, stride)
        for lasting in (False, True)
    ]
    chance = random.Random(seed)
    off = [mischief for mischief in single if mischief.instrument in WAY_OFF]
    return [(mischief,) for mischief in single] + [(chance.choice(off), chance.choice(single)) for _ in range(pairs)]


def main() -> int:
    """Run all; exit 1 if any was bad."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--stride", type=int, default=1)
    parser.add_argument("--pairs", type=int, default=400)
    parser.add_argument("--sockets", type=int, default=0, help="so many of them again, over sockets")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--note", default="", help="keep the figures under this name of a run")
    options = parser.parse_args()
    planned = plans(options.stride, options.pairs, options.seed)
    spoken = [some for some in planned if all(mischief.instrument != DISK for mischief in some)]
    again = random.Random(options.seed).sample(spoken, min(options.sockets, len(spoken)))
    outcomes = _all(one, planned)
    rows = table(outcomes, options.note)
    if again:
        outcomes += (through := _all(over_sockets, again))
        rows.append({**table(through, options.note)[-1], "mischief": "any, over sockets, with the watchdog"})
    for row in rows:
        print(row)
    if options.note:
        write_run("fault_sweep", "Runs by exit code, every fault at every line", rows, seed=options.seed)
    return any(outcome.bad for outcome in outcomes)


def _all(run: Callable[[tuple[Mischief, ...]], Outcome], planned: list[tuple[Mischief, ...]]) -> list[Outcome]:
    """Two at a time; what is bad is told at once."""
    outcomes = []
    with multiprocessing.Pool(2, maxtasksperchild=100) as pool:
        for outcome in pool.imap(run, planned):
            outcomes.append(outcome)
            print(f"{len(outcomes)} of {len(planned)}", end="\r", flush=True)
            if outcome.bad:
                print(outcome)
    return outcomes


def table(outcomes: list[Outcome], note: str) -> list[dict[str, Any]]:
    """A row for each kind, the pairs, and all."""
    groups: dict[str, list[Outcome]] = {}
    for outcome in outcomes:
        kinds = [text.split(":")[1].split("@")[0] for text in outcome.planned]
        groups.setdefault(kinds[0] if len(kinds) == 1 else "pairs", []).append(outcome)
    rows = []
    for kind, some in itertools.chain(groups.items(), [("all", outcomes)]):
        codes = Counter(outcome.code for outcome in some)
        rows.append(
            {
                "run": note,
                "mischief": kind,
                "runs": len(some),
                "done in": sum(outcome.done > 0 for outcome in some),
                **{f"exit {code}": codes.get(code, 0) for code in range(6)},
                "exception": codes.get(None, 0),
                "live and not exit 4": sum(outcome.live and outcome.code != EXIT_UNPROVEN for outcome in some),
                "numbers never sent": sum(bool(outcome.invented) for outcome in some),
                "record not whole, unsaid": sum(outcome.unsaid for outcome in some),
            }
        )
    return rows


if __name__ == "__main__":
    threading.excepthook = lambda args: print("thread:", args.exc_type, args.exc_value, file=sys.stderr)
    sys.exit(main())
