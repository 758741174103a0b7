"""The simulated bench as the command line starts it: served here for `simulate`, in its own process for `demo`."""

from __future__ import annotations

import os
import subprocess
import sys
import tempfile
import threading
import time
from dataclasses import asdict, dataclass
from pathlib import Path
from types import TracebackType
from typing import Final

from rampguard.engine.link import own_session

START_DEADLINE_S: Final = 30.0
DEFAULT_UNIT: Final = "healthy-amplifier"


class SimulatorFailed(Exception):  # noqa: N818 - what happened
    """The simulated bench could not be served. The text says why."""


@dataclass(frozen=True, slots=True)
class OnTheBench:
    """What is put on the simulated bench."""

    unit: str
    seed: int
    series_lamp_w: float | None = None
    fault_at_s: float | None = None
    supply: str = "source"
    """What brings line voltage up: ``source``, ``variac``, or ``variac-alone`` without a contactor behind it."""
    meters: str = "power-meter"
    """What measures the line: ``power-meter``, ``handheld``, ``module``, ``digitiser``, or ``typed`` by a person."""
    wires: str = "socket"
    """How power meter and contactor are reached: ``socket``, ``serial`` or ``modbus``."""
    miswired: str = ""
    """What is wrong with the bench's wiring: ``meter-before-cut-off``, ``supply-not-at-zero``, ``current-reversed``."""
    scanner: bool = False
    """Whether a scanner reads every channel, and a thermometer the heat sink."""
    averaged: bool = False
    """Whether most windows are left out while nothing changes: for long warm-ups."""
    mischief: tuple[str, ...] = ()
    """What the bench's instruments do that they should not, as ``INSTRUMENT:KIND@N`` or ``N+`` for good."""

    def arguments(self) -> list[str]:
        """The same for the simulator's own command line."""
        said = ["--unit", self.unit, "--seed", str(self.seed), "--supply", self.supply]
        said += ["--meters", self.meters, "--wires", self.wires]
        said += ["--miswired", self.miswired] if self.miswired else []
        said += ["--scanner"] if self.scanner else []
        said += ["--averaged"] if self.averaged else []
        for name, value in (("--series-lamp-w", self.series_lamp_w), ("--fault-at-s", self.fault_at_s)):
            said += [] if value is None else [name, repr(value)]
        for mischief in self.mischief:
            said += ["--mischief", mischief]
        return said


class SimulatedBench:
    """A simulated bench in lock-step, in a process of its own; the context's value is its bench file."""

    def __init__(self, on_the_bench: OnTheBench) -> None:
        self._on_the_bench = on_the_bench
        self._folder = tempfile.TemporaryDirectory(prefix="rampguard-demo-")
        self._process: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> Path:
        folder = Path(self._folder.name)
        bench_file, said = folder / "bench.toml", folder / "said.txt"
        with said.open("wb") as stderr:  # a file, since a pipe that nobody reads would stop the simulator
            self._process = subprocess.Popen(
                [
                    *(sys.executable, "-m", "instruments.simulated", "--lock-step"),
                    *self._on_the_bench.arguments(),
                    *("--bench-file", str(bench_file), "--linger-s", "5"),
                ],
                stdin=subprocess.PIPE,
                stderr=stderr,
                **own_session(),
            )
        deadline_s = time.monotonic() + START_DEADLINE_S
        while not bench_file.exists():
            if self._process.poll() is not None:
                text = said.read_text(encoding="utf-8", errors="replace").strip()
                self.__exit__(None, None, None)
                raise SimulatorFailed(text or "the simulated bench ended before it served anything")
            if time.monotonic() > deadline_s:
                self.__exit__(None, None, None)
                raise SimulatorFailed(f"the simulated bench did not start within {START_DEADLINE_S:g} s")
            time.sleep(0.02)
        return bench_file

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        process = self._process
        if process is not None:
            process.terminate()
            process.wait()
            if process.stdin is not None:
                process.stdin.close()
        self._folder.cleanup()


def sheet_of(unit: str) -> Path:
    """The sheet of a simulated unit. Raises SimulatorFailed where it has none."""
    folder = Path(__file__).parent / "sheets"
    sheet = folder / f"{unit}.toml"
    if not sheet.exists():
        known = ", ".join(sorted(path.stem for path in folder.glob("*.toml")))
        raise SimulatorFailed(f"there is no sheet of {unit!r} to warm it up by; there are sheets of {known}")
    return sheet


def sections_of() -> Path:
    """The sections of the simulated units that have any."""
    return Path(__file__).parent / "sheets" / "sections" / "seven-sections.toml"


def simulate(on_the_bench: OnTheBench, bench_file: Path, *, speed: float, log: Path | None) -> None:
    """Serve a simulated bench at ``speed`` until standard input closes. Raises SimulatorFailed."""
    from instruments.simulated.serve import Mischief, MischiefError, SimulationOptions, UnknownUnit, serve

    stop = threading.Event()

    def until_input_closes() -> None:
        while os.read(sys.stdin.fileno(), 4096):
            pass
        stop.set()

    threading.Thread(target=until_input_closes, daemon=True).start()
    what = asdict(on_the_bench)
    try:
        what["mischief"] = tuple(map(Mischief.parse, on_the_bench.mischief))
        options = SimulationOptions(**what, bench_file=bench_file, speed=speed, log=log)
        serve(options, stop)
    except (UnknownUnit, MischiefError, OSError) as error:
        raise SimulatorFailed(str(error)) from error
