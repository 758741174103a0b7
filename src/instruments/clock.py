"""Bench seconds: wall time on a real bench; faster, or in lock-step, on a simulated one."""

from __future__ import annotations

import threading
import time
from typing import Final

from instruments.errors import BadReply
from instruments.replies import parse_number
from instruments.visa import Link

LOCK_STEP_DEADLINE_S = 2.0


class WallClock:
    """Wall seconds."""

    def now_s(self) -> float:
        """Seconds of the monotonic clock."""
        return time.monotonic()

    def sleep(self, duration_s: float) -> None:
        """Wait."""
        time.sleep(max(0.0, duration_s))


class AcceleratedClock:
    """Wall seconds times a speed."""

    def __init__(self, speed: float) -> None:
        self._speed = speed

    def now_s(self) -> float:
        """Seconds of the monotonic clock, times the speed."""
        return time.monotonic() * self._speed

    def sleep(self, duration_s: float) -> None:
        """Wait."""
        time.sleep(max(0.0, duration_s) / self._speed)


STEP_S: Final = 1e-3
"""Bench time moves in steps: it may be short of what was asked by one."""
JUMP_S: Final = 2.0


class LockStepClock:
    """Time that moves only when asked to, in a simulated bench. Raises LinkError when that bench is gone.

    ``alone`` says that nobody else moves it, so that a jump is a fault.
    """

    def __init__(self, link: Link, *, alone: bool = True) -> None:
        self._link = link
        self._alone = alone
        self._lock = threading.Lock()
        self._now_s = self._ask("SYST:TIME?")

    def now_s(self) -> float:
        """Bench time as of the last move. Another process may have moved it since."""
        return self._now_s

    def sleep(self, duration_s: float) -> None:
        """Move bench time by so much. Raises BadReply where the bench says that it has moved by something else."""
        with self._lock:
            due_s = self._now_s + max(0.0, duration_s)
            said_s = self._ask(f"SYST:TIME:ADV? {max(0.0, duration_s)!r}")
            # A little more may be another process's move; less, or much more, is a clock that jumps.
            if not (due_s - STEP_S <= said_s and (said_s <= due_s + JUMP_S or not self._alone)):
                raise BadReply(f"{self._link.name}: bench time jumped from {self._now_s:.3f} s to {said_s:.3f} s")
            self._now_s = said_s

    def close(self) -> None:
        """Close its session."""
        self._link.close()

    def _ask(self, text: str) -> float:
        value, _ = parse_number(self._link.query(text, LOCK_STEP_DEADLINE_S))
        if value is None:
            raise BadReply(f"{self._link.name}: {text} was not answered with a time")
        return value
