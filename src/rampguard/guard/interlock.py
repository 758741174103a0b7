"""The interlock: five states, and the only ways between them. Pure.

::

    unproven --off-proven--> safe --permissives-hold--> armed --energise--> live
        ^                     ^  <--permissive-lost------|                   |
        |                     |--reset-- tripped                             |
        |--------------- trip or stop (off is commanded) --------------------|

A program that has just started has proved nothing: it starts `unproven`. From `unproven`, proof of off leads to
`tripped` if a trip was latched on the way and to `safe` otherwise.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum


class InterlockError(RuntimeError):
    """A step that the interlock does not allow. Nothing was changed."""


class State(StrEnum):
    """Where the bench stands."""

    SAFE = "safe"  # output proven off
    ARMED = "armed"  # all permissives hold
    LIVE = "live"
    TRIPPED = "tripped"  # latched, output proven off
    UNPROVEN = "unproven"  # off was commanded, nothing has proved it


OFF_COMMANDED = frozenset({State.SAFE, State.TRIPPED, State.UNPROVEN})
"""States in which off has been commanded."""


class Event(StrEnum):
    """What can happen to it."""

    OFF_PROVEN = "off-proven"
    PERMISSIVES_HOLD = "permissives-hold"
    PERMISSIVE_LOST = "permissive-lost"
    ENERGISE = "energise"
    STOP = "stop"
    TRIP = "trip"
    RESET = "reset"


@dataclass(frozen=True, slots=True)
class Interlock:
    """The state and, once tripped, the first cause; it stays until a reset."""

    state: State = State.UNPROVEN
    cause: str = ""

    @property
    def may_energise(self) -> bool:
        """Whether any output may be on."""
        return self.state is State.LIVE


_ALLOWED: dict[tuple[State, Event], State] = {
    (State.UNPROVEN, Event.OFF_PROVEN): State.SAFE,  # or TRIPPED, if a cause is latched
    (State.UNPROVEN, Event.STOP): State.UNPROVEN,
    (State.UNPROVEN, Event.TRIP): State.UNPROVEN,
    (State.SAFE, Event.OFF_PROVEN): State.SAFE,
    (State.SAFE, Event.PERMISSIVES_HOLD): State.ARMED,
    (State.SAFE, Event.PERMISSIVE_LOST): State.SAFE,
    (State.SAFE, Event.STOP): State.UNPROVEN,
    (State.SAFE, Event.TRIP): State.UNPROVEN,
    (State.ARMED, Event.PERMISSIVES_HOLD): State.ARMED,
    (State.ARMED, Event.PERMISSIVE_LOST): State.SAFE,
    (State.ARMED, Event.ENERGISE): State.LIVE,
    (State.ARMED, Event.STOP): State.UNPROVEN,
    (State.ARMED, Event.TRIP): State.UNPROVEN,
    (State.LIVE, Event.STOP): State.UNPROVEN,
    (State.LIVE, Event.TRIP): State.UNPROVEN,
    (State.LIVE, Event.PERMISSIVE_LOST): State.UNPROVEN,
    (State.TRIPPED, Event.OFF_PROVEN): State.TRIPPED,
    (State.TRIPPED, Event.STOP): State.TRIPPED,
    (State.TRIPPED, Event.TRIP): State.TRIPPED,
    (State.TRIPPED, Event.RESET): State.SAFE,
}


def step(interlock: Interlock, event: Event, cause: str = "") -> Interlock:
    """The interlock after an event. Raises InterlockError where the event has no place in this state."""
    target = _ALLOWED.get((interlock.state, event))
    if target is None:
        raise InterlockError(f"{event} has no place while {interlock.state}")
    if event is Event.RESET:
        return Interlock(target)
    trips = event is Event.TRIP or (event is Event.PERMISSIVE_LOST and interlock.state is State.LIVE)
    latched = interlock.cause or (cause or str(event) if trips else "")
    if event is Event.OFF_PROVEN and latched:
        target = State.TRIPPED
    return replace(interlock, state=target, cause=latched)
