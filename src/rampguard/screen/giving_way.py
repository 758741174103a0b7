"""Has the screen come after the engine where they share a processor, if the system can do that."""

from __future__ import annotations

import contextlib
import gc
import os
import sys
from typing import Final

LATER_BY: Final = 5
"""Of twenty. A screen that is heard too late is a lost screen: it must not come last of all."""


def give_way() -> None:
    """Let the engine, the watchdog and whatever serves them go first, where the system can do that."""
    gc.collect()
    gc.freeze()  # what is there by now stays; to look through all of it again and again takes its time
    with contextlib.suppress(AttributeError, OSError):  # not everywhere
        os.nice(LATER_BY)
        os.sched_setscheduler(0, os.SCHED_BATCH, os.sched_param(0))  # takes no running process's place when it wakes


def offer_processor() -> None:
    """Between two pieces of work: whoever waits for this processor goes first.

    A kernel built not to interrupt programs takes a processor from a busy one at its next tick, up to four milliseconds
    later; from one that offers it, at once.
    """
    if sys.platform != "win32":
        os.sched_yield()
