"""Has the screen come after the engine where they share a processor."""

from __future__ import annotations

import contextlib
import os
from typing import Final

LATER_BY: Final = 5
"""Of twenty. A screen that is heard too late is a lost screen: it must not come last of all."""


def give_way() -> None:
    """Let the engine, the watchdog and whatever serves them go first, where the system can do that."""
    with contextlib.suppress(AttributeError, OSError):  # not everywhere
        os.nice(LATER_BY)
        os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))  # takes no running process's place when it wakes
