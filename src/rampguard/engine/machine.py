"""The computer under the engine: whether it slept, and asking it not to while a unit is live.

A machine that sleeps with the output on leaves a unit live that nobody guards; awake again, neither the engine nor its
watchdog would know, since the clock that both go by may have stood still. So the clock here goes on in sleep where the
system has one that does. Linux is tested; macOS and Windows are coded and marked untested.
"""

from __future__ import annotations

import contextlib
import os
import subprocess
import sys
import time
from types import TracebackType
from typing import Final

SLEPT_FROM_S: Final = 0.4
"""A clock that goes on in sleep this much ahead of one that stands still is a sleep."""
_TIMEOUT_S: Final = 1.0
_CONTINUOUS, _SYSTEM_REQUIRED = 0x80000000, 0x00000001
"""Windows: ES_CONTINUOUS and ES_SYSTEM_REQUIRED."""


def wall_s() -> float:
    """Monotonic seconds that go on while the machine sleeps, where the system can tell."""
    if sys.platform == "linux":
        now_s = time.clock_gettime(time.CLOCK_BOOTTIME)
    elif sys.platform == "darwin":  # pragma: no cover - untested: macOS
        now_s = time.clock_gettime(time.CLOCK_MONOTONIC_RAW)
    else:  # pragma: no cover - untested: on Windows it goes on in sleep by itself
        now_s = time.monotonic()
    return now_s


class Sleep:
    """Whether the machine has slept since this was made."""

    def __init__(self) -> None:
        self._ahead_s = _ahead_s()

    def slept(self) -> str:
        """For how long, in words; empty if it has not."""
        slept_s = _ahead_s() - self._ahead_s
        return f"the machine slept for {slept_s:.1f} s" if slept_s > SLEPT_FROM_S else ""


def _ahead_s() -> float:
    """By how much the clock that goes on in sleep is ahead of one that stands still."""
    if sys.platform == "darwin":  # pragma: no cover - untested: macOS
        return wall_s() - time.clock_gettime(time.CLOCK_UPTIME_RAW)
    return wall_s() - time.monotonic()


class StayAwake:
    """While entered, the machine is asked not to sleep. ``problem`` says why that could not be asked, if so."""

    def __init__(self) -> None:
        self.problem = ""
        self._helper: subprocess.Popen[bytes] | None = None

    def __enter__(self) -> StayAwake:
        if sys.platform == "win32":  # pragma: no cover - untested: Windows
            import ctypes

            if not ctypes.windll.kernel32.SetThreadExecutionState(_CONTINUOUS | _SYSTEM_REQUIRED):
                self.problem = "Windows would not be kept awake"
            return self
        command = _helper_command()
        try:
            # It ends with this process: its standard input closes, or it watches the process id.
            self._helper = subprocess.Popen(
                command, stdin=subprocess.PIPE, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL
            )
        except OSError as error:
            self.problem = f"{command[0]}: {error.strerror or error}"
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if sys.platform == "win32":  # pragma: no cover - untested: Windows
            import ctypes

            ctypes.windll.kernel32.SetThreadExecutionState(_CONTINUOUS)
        helper = self._helper
        if helper is not None:
            with contextlib.suppress(OSError):
                if helper.stdin is not None:
                    helper.stdin.close()
            helper.terminate()
            with contextlib.suppress(subprocess.TimeoutExpired):
                helper.wait(_TIMEOUT_S)


def _helper_command() -> list[str]:
    if sys.platform == "darwin":  # pragma: no cover - untested: macOS
        return ["caffeinate", "-ims", "-w", str(os.getpid())]
    what = "--what=sleep:idle:handle-lid-switch"
    return ["systemd-inhibit", what, "--who=rampguard", "--why=a unit is live", "--mode=block", "cat"]
