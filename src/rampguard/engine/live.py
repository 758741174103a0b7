"""The parts that a live loop works with, and what of them must go on holding."""

from __future__ import annotations

import queue
from dataclasses import dataclass
from typing import Final

from instruments.roles import Bench
from rampguard.archive.writer import CaptureWriter
from rampguard.engine.acquire import Acquisition
from rampguard.engine.care import Care
from rampguard.engine.cutoff import OffDrive, OffReport
from rampguard.engine.expecting import Expecting
from rampguard.engine.guardian import Watch
from rampguard.engine.machine import Sleep
from rampguard.engine.operator import Operator
from rampguard.engine.presser import Presser
from rampguard.engine.reservoirs import WATCHED_S
from rampguard.engine.supply import Supply
from rampguard.engine.telling import Teller
from rampguard.engine.waves import Waves
from rampguard.guard.limits import Limits
from rampguard.guard.permissives import Permissive, Standing
from rampguard.ramp.plan import Plan

TURN_LIMIT_S: Final = 0.4
"""A turn that took longer (the machine was stopped, or too busy) is a fault of its own."""


@dataclass(slots=True)
class Live:
    """The parts that a live loop works with."""

    bench: Bench
    plan: Plan
    limits: Limits
    capture: CaptureWriter
    operator: Operator
    guardian: Watch
    acquisition: Acquisition
    supply: Supply
    drive: OffDrive
    presser: Presser
    expecting: Expecting
    off_reports: queue.SimpleQueue[OffReport]
    lock_step: bool
    typed: bool
    """Whether a person types the line's readings."""
    zero_s: float
    """Bench time at which the run began."""
    sleep: Sleep
    teller: Teller
    direct: bool = False
    """Whether it is switched on at full mains."""
    reservoirs_watched_s: float = WATCHED_S
    """For how long metered rails are watched once off is proven, or until they are below `HANDS_V`."""
    waves: Waves | None = None
    """Keeps the waveforms around what happens; None: no meter samples them."""
    care: Care | None = None
    """What comes after the ramp; None: nothing, the plan's end is the run's."""


def standing(parts: Live, held_up_s: float) -> dict[str, Permissive]:
    """How each check stands that must go on holding; the loop's last turn took ``held_up_s`` of wall time."""
    # In lock-step bench time waits for the turn, however long.
    held_up = held_up_s > TURN_LIMIT_S and not parts.lock_step
    troubles = {
        "watchdog": parts.guardian.trouble(),
        "screen": parts.operator.lost(),
        "engine": f"the engine was held up for {held_up_s:.2f} s" if held_up else "",
        "awake": parts.sleep.slept(),
        "set-point": parts.supply.trouble(),
        "capture": parts.capture.failure,
    }
    return {key: Permissive(Standing.FAILS if said else Standing.HOLDS, said) for key, said in troubles.items()}
