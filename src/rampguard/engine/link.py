"""Between the engine and whoever looks on: the run order, and the process itself. `messages` has all that is said.

Newline-delimited JSON over the engine's standard input and output. The first line in is the order; after it come
commands. An onlooker that falls silent for `SCREEN_LEASE_S`, or whose end of the pipe closes, is a lost screen: the
engine cuts the supply.
"""

from __future__ import annotations

import contextlib
import json
import queue
import subprocess
import sys
from dataclasses import asdict, dataclass
from typing import Any, Final

from pydantic import ConfigDict, TypeAdapter, ValidationError, with_config

from rampguard.engine.lines import LineReader, LineWriter
from rampguard.engine.messages import first_problem

SCREEN_LEASE_S: Final = 0.4
"""Wall time an onlooker may be silent while anything is live."""
ALIVE_EVERY_S: Final = 0.1

EXIT_DONE: Final = 0
EXIT_OUR_ERROR: Final = 1
EXIT_BAD_INPUT: Final = 2
EXIT_TRIPPED: Final = 3
EXIT_UNPROVEN: Final = 4
EXIT_STOPPED: Final = 5


@with_config(ConfigDict(extra="forbid", strict=True, allow_inf_nan=False))
@dataclass(frozen=True, slots=True, kw_only=True)
class RunOrder:
    """What the engine is asked to do. Paths as text; None where not given."""

    bench: str
    into: str
    load_class: str | None = None
    nameplate_w: float | None = None
    mains_v: float | None = None
    mains_frequency_hz: float | None = None
    plan: str | None = None
    sheet: str | None = None
    """The unit's sheet: the run goes on at full line, by what it says."""
    cold_sheet: str | None = None
    """What the unpowered unit measured; it answers some of the pre-power checks."""
    clip: str | None = None
    """The channel that the multimeters of idle and offset are clipped to; None: as the bench file has it."""
    warm_min: float = 0.0
    """For how many minutes the unit has been warm already."""
    direct: bool = False
    """Full mains at once, not a ramp: only after a run of this unit that passed."""
    starts_follow: bool = False
    """Whether direct switch-ons come after this run: what would stand in their way is told now."""
    after: str | None = None
    """The capture of that run."""
    rest_s: float = 0.0
    """For so long the unit stays off first, proven off, so that it starts cold."""
    unplugged: list[str] | None = None
    """Sections of the unit that are unplugged in this run; None: nobody says."""
    soaks: bool = True
    """Whether the sheet's soak comes after the warm-up."""
    facts: dict[str, float] | None = None
    """What else is known of the unit, by name; goes before the bench file's."""
    series_lamp_w: float | None = None
    known_good: list[str] | None = None
    """Captures of units known to be good, each perhaps as ``UNIT=CAPTURE``."""
    learnt: str | None = None
    """The learnt band of the unit's model: a file."""
    seed: int | None = None
    pace: float | None = None
    """On a bench in lock-step: bench seconds a wall second; None for as fast as it goes."""
    turns_knob: bool = False
    """On a simulated bench with a variac: whether the operator turns its knob, not the simulated hand."""
    permissives_confirmed: str = ""
    """How the pre-power checks were confirmed: ``by flag``, ``at the terminal``, ``simulated bench``; empty: not."""
    overrides: dict[str, str] | None = None
    """Pre-power checks that the operator goes on without, each with the reason."""
    job: str | None = None
    """The job folder; its job.toml, where there is one, says what the unit is."""

    def as_message(self) -> dict[str, Any]:
        """The order as a message."""
        return {"order": asdict(self)}

    @classmethod
    def from_message(cls, message: dict[str, Any]) -> RunOrder:
        """The inverse of `as_message`. Raises ValueError for a message that is no order."""
        try:
            # As JSON: strict about types, and still taking an object for an order.
            return ORDERS.validate_json(json.dumps(message.get("order")))
        except ValidationError as error:
            raise ValueError(f"the first message must be a run order: {first_problem(error)}") from None


ORDERS: Final[TypeAdapter[RunOrder]] = TypeAdapter(RunOrder)
"""Checks an order that came as a message."""


class EngineProcess:
    """The engine, as its onlooker holds it.

    It runs in a session of its own, so that a Ctrl-C at the terminal reaches the onlooker alone, who asks for off
    and goes on listening until off is proven.
    """

    def __init__(self, order: RunOrder) -> None:
        self.events: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        """Events as they arrive; None once the engine is gone."""
        self._process = subprocess.Popen(
            [sys.executable, "-m", "rampguard.engine"],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            **own_session(),
        )
        assert self._process.stdin is not None  # noqa: S101 - both are pipes
        assert self._process.stdout is not None  # noqa: S101
        LineReader(self._process.stdout.fileno(), self.events).start()
        self._commands = LineWriter(self._process.stdin)
        self._commands.start()
        self._commands.put(order.as_message())

    @property
    def pid(self) -> int:
        """The engine's process id."""
        return self._process.pid

    def command(self, name: str, **details: Any) -> None:
        """Send a command; never blocks."""
        self._commands.put({"command": name, **details})

    def hang_up(self) -> None:
        """Close the command pipe: to the engine, a lost screen."""
        self._commands.close(0.1)
        with contextlib.suppress(OSError):
            if self._process.stdin is not None:
                self._process.stdin.close()

    def close(self) -> None:
        """Let go of both pipes, the engine being gone."""
        self.hang_up()
        if self._process.stdout is not None:
            self._process.stdout.close()

    def end(self) -> None:
        """End it, hung as it is."""
        self._process.kill()

    def wait(self, timeout_s: float) -> int | None:
        """The engine's exit code, negative if a signal ended it; None if it is still there."""
        try:
            return self._process.wait(timeout_s)
        except subprocess.TimeoutExpired:
            return None


def own_session() -> dict[str, Any]:
    """What to tell Popen so that the terminal's signals do not reach the child."""
    if sys.platform == "win32":  # pragma: no cover - not tested on Windows
        return {"creationflags": subprocess.CREATE_NEW_PROCESS_GROUP}
    return {"start_new_session": True}
