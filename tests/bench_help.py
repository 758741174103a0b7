"""An in-process bench of fakes, for tests of the cut-off: it does what it is told, or what it is told to break."""

from __future__ import annotations

import threading
import time
from dataclasses import dataclass, field

from instruments.errors import LinkLost, LinkTimeout
from instruments.roles import OutputState, Position
from rampguard.quantities import LINE_VOLTAGE, Reading, Signal


@dataclass
class FakeCutOff:
    name: str = "contactor"
    output: OutputState = OutputState.ON
    fails: int = 0
    """So many attempts raise before one works."""
    welded: bool = False
    hangs_s: float = 0.0
    attempts: int = 0
    moments: list[float] = field(default_factory=list)

    def off(self) -> None:
        self.attempts += 1
        self.moments.append(time.monotonic())
        time.sleep(self.hangs_s)
        if self.attempts <= self.fails:
            raise LinkLost(f"{self.name} does not answer")
        if not self.welded:
            self.output = OutputState.OFF

    def state(self) -> OutputState:
        if self.attempts <= self.fails:
            raise LinkTimeout(f"{self.name} does not answer")
        return self.output

    def close(self) -> None:
        self.output = OutputState.ON


@dataclass
class FakeMeter:
    name: str = "power-meter"
    position: Position = Position.AFTER_CUT_OFF
    measuring_time_s: float = 0.1
    signals: tuple[Signal, ...] = (LINE_VOLTAGE,)
    volts: float = 0.0

    def read(self) -> list[Reading]:
        now_s = time.monotonic()
        return [Reading(LINE_VOLTAGE, self.volts, now_s, now_s, instrument=self.name)]


def wait_for(condition: object, timeout_s: float = 5.0) -> None:
    """Wait until ``condition()`` holds; fail the test if it never does."""
    assert callable(condition)
    deadline_s = time.monotonic() + timeout_s
    pause = threading.Event()
    while not condition():
        assert time.monotonic() < deadline_s, "it never came about"
        pause.wait(0.005)
