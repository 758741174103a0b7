"""A bench inside this process for the engine's own `run`: instruments without sockets, deadlines cut to a tenth.

Also what stands for the rest of a run: a disk that fails as planned, no watchdog, an operator who is always there.
"""

from __future__ import annotations

import errno
import shutil
import sys
import time
from pathlib import Path
from typing import IO, Any

from instruments import visa
from instruments.simulated import mischief as mischiefs
from instruments.simulated.bench_text import bench_file_text
from instruments.simulated.mischief import Mischief, Mischiefs
from instruments.simulated.serve import SimulationOptions, fleet_of
from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from rampguard.archive import spool, writer
from rampguard.engine import before_power, cutoff, loop, supply
from rampguard.engine import run as running
from rampguard.engine.guardian import NoWatchdog
from rampguard.engine.operator import Operator

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

from live_help import plan_toml

UNIT, SEED = "heater", 1
MAINS = (230.0, 50.0)
PLAN = plan_toml((18.0, 15.0, 0.5, 10.0))
SHORTER = (
    (visa, "OPEN_DEADLINE_S", 0.1),
    (mischiefs, "LATE_S", 0.08),
    (cutoff, "RETRY_EVERY_S", 0.01),
    (running, "PROOF_DEADLINE_S", 0.3),
    (before_power, "PROOF_DEADLINE_S", 0.3),
    (loop, "STUBBORN_AFTER_S", 0.15),
    (loop, "TAKES_WITHIN_S", 0.15),
    (supply, "TAKES_WITHIN_S", 0.15),
    (loop, "WATCHED_S", 0.2),
    (running, "WATCHED_S", 0.2),
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

    def __init__(self, planned: tuple[Mischief, ...], folder: Path, *, unit: str = UNIT, seed: int = SEED) -> None:
        self.world = World(make_unit(unit, seed, *MAINS), *MAINS)
        options = SimulationOptions(unit=unit, seed=seed, bench_file=folder / "bench.toml", lock_step=True)
        self.fleet = fleet_of(self.world, options)
        self.mischiefs = {name: Mischiefs.of(name, planned) for name in self.fleet}
        self.sent: set[str] = set()
        # No port is opened: the addresses only tell the instruments apart, on loopback as lock-step wants it.
        self.by_address = {f"TCPIP0::127.0.0.1::{k}::SOCKET": name for k, name in enumerate(self.fleet, 1)}
        resources = {name: address for address, name in self.by_address.items()}
        options.bench_file.write_text(bench_file_text(options, self.world.unit, resources), encoding="utf-8")

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


class Unwatched(NoWatchdog):
    """Stands where the watchdog does."""

    def __init__(self, *_: Any) -> None: ...


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
