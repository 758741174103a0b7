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

import csv
import io
import itertools
import json
import multiprocessing
import queue
import random
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
from typing import Any
from unittest import mock

from figures import noted_parser, write_run
from inside import DISK, DISK_DEEDS, PLAN, SEED, SHORTER, UNIT, Attentive, Disk, Inside, Unwatched

from instruments import connect as connecting
from instruments.simulated.mischief import DEEDS, Mischief
from live_help import run_plan
from rampguard.archive import writer
from rampguard.engine import before_power
from rampguard.engine import run as running
from rampguard.engine.lines import LineWriter
from rampguard.engine.link import EXIT_UNPROVEN, RunOrder

SPOKEN_TO = ("source", "contactor", "clock", "power-meter")
WAY_OFF = ("source", "contactor")
LOST_AFTER_S = 300.0


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
        stack.enter_context(mock.patch.object(before_power, "Guardian", Unwatched))
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
            code, _, story = run_plan(bench_file, folder, PLAN, 90.0)
        finally:
            bench.communicate(b"", timeout=20)
        lines = log.read_text(encoding="utf-8").splitlines()
        live = bool(lines) and bool(json.loads(lines[-1])["output"])
        return Outcome(tuple(map(str, planned)), code, live, done=1, problem=story[-400:])


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
    parser = noted_parser(__doc__)
    parser.add_argument("--stride", type=int, default=1)
    parser.add_argument("--pairs", type=int, default=400)
    parser.add_argument("--sockets", type=int, default=0, help="so many of them again, over sockets")
    parser.add_argument("--seed", type=int, default=1)
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
        # A worker that something else ended loses its run; better an error then than a wait without end.
        found = pool.imap(run, planned)
        for _ in planned:
            outcome = found.next(LOST_AFTER_S)
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
