"""The watchdog's step: fed by the engine's loop, it cuts the supply itself when the feed stops. Pure.

It has no state in which it does not guard: from its first breath to its release every silence of `FEED_LIMIT_S`, and
every end of the feed, is a cut. It is released only by an engine that asks for it, having proven off, and while a way
off that it holds reads back off.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

FEED_EVERY_S: Final = 0.05
"""Wall time between two feeds by the engine's loop."""
FEED_LIMIT_S: Final = 0.4
"""Wall time without a feed after which the watchdog cuts; and without its answer after which the engine does."""


class Input(StrEnum):
    """What can reach the watchdog."""

    FEED = "feed"
    FEED_ENDED = "feed-ended"
    RELEASE = "release"
    TAKE_OVER = "take-over"  # the engine commanded off and cannot prove it
    NOTHING = "nothing"  # time passed


class Action(StrEnum):
    """What it does about it."""

    NONE = "none"
    CUT = "cut"
    CHECK_OFF = "check-off"  # leave if a way off reads back off, else cut


@dataclass(frozen=True, slots=True)
class WatchdogState:
    """When it was last fed (wall seconds, monotonic), and why it cut, once it has."""

    fed_s: float
    reason: str = ""
    spares_engine: bool = False
    """Whether the engine is left to finish its record: it has asked for this cut, and can energise nothing any more."""


def step(state: WatchdogState, given: Input, now_s: float) -> tuple[WatchdogState, Action]:
    """One step. Once it has cut, it goes on cutting: nothing arms it again."""
    if state.reason:
        return state, Action.CUT
    if given is Input.FEED_ENDED:
        return replace(state, reason="the engine is gone"), Action.CUT
    if given is Input.TAKE_OVER:
        return replace(state, reason="the engine could not prove off", spares_engine=True), Action.CUT
    if now_s - state.fed_s > FEED_LIMIT_S:
        return replace(state, reason=f"the engine was silent for {now_s - state.fed_s:.2f} s"), Action.CUT
    if given is Input.RELEASE:
        return replace(state, fed_s=now_s), Action.CHECK_OFF
    if given is Input.FEED:
        return replace(state, fed_s=now_s), Action.NONE
    return state, Action.NONE


def cannot_release(state: WatchdogState) -> WatchdogState:
    """The state after a release was asked for while something did not read back off."""
    reason = state.reason or "release was asked for while the output was not off"
    # The engine has proven off by what it sees: it is left to finish its record, whatever this finds.
    return replace(state, reason=reason, spares_engine=True)
