"""What one capture says for a comparison: holds on the way up, relays, channels, warm-up. Pure: rows in, a side out.

A hold is a stretch in which line voltage stood still; what it says are the medians of its settled readings, `LOOKED_S`
long, at its end or `INTO_HOLD_S` into it, whichever is first, so that a short hold at full line and the beginning of an
hour's soak speak of the same moment.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from rampguard.quantities import Signal
from rampguard.warmup.approach import Stretch

LOOKED_S: Final = 1.0
INTO_HOLD_S: Final = 10.0
UNSTATED: Final = 0.01
"""A meter that states no accuracy is taken to be as good as this part of its reading, as the guard takes it."""
FULL_LINE_PART: Final = 0.95
"""From this part of nameplate voltage on a hold is one at full line."""


@dataclass(frozen=True, slots=True)
class Measured:
    """A value, in its signal's unit, and what meter and noise may have it off by, either way."""

    value: float
    bound: float


@dataclass(frozen=True, slots=True)
class Hold:
    """Where the line stood still on the way up: V rms, A rms, W; power is None where nothing metered it."""

    line_v: Measured
    current_a: Measured
    power_w: Measured | None


@dataclass(frozen=True, slots=True)
class Closing:
    """A relay that closed, or a converter that started: when, at what line voltage, V rms, from and to what, A rms.

    ``pressed``: the power switch was pressed just before.
    """

    time_s: float
    line_v: Measured
    from_a: float
    to_a: float
    pressed: bool


@dataclass(frozen=True, slots=True)
class Side:
    """One capture. ``facts`` are its descriptor's; volts, amperes and watts are as they were measured."""

    name: str
    facts: Mapping[str, Any]
    holds: tuple[Hold, ...]
    """In the order of line voltage."""
    closings: tuple[Closing, ...]
    channels: Mapping[Signal, Measured]
    """What each channel's meters read at the hold at full line; empty where it was not reached."""
    way: tuple[tuple[float, float, float], ...]
    """The way up as it was read: line voltage, current, power, nan for what was not read then."""
    warm_up: Mapping[str, Stretch]
    """Each channel's idle while it warmed, until somebody touched it: seconds since full line, and volts."""

    @property
    def nameplate_v(self) -> float:
        """Nameplate voltage, V rms."""
        return float(self.facts["nameplate_v"])

    @property
    def nameplate_w(self) -> float:
        """Power on the nameplate, W."""
        return float(self.facts["nameplate_w"])

    @property
    def full_line(self) -> Hold | None:
        """The hold at full line; None where it was not reached."""
        newest = self.holds[-1] if self.holds else None
        return newest if newest and newest.line_v.value >= FULL_LINE_PART * self.nameplate_v else None

    @property
    def trip(self) -> Mapping[str, Any] | None:
        """What tripped it, as the record has it; None where nothing did."""
        result = self.facts.get("result")
        found = result.get("trip") if isinstance(result, Mapping) else None
        return found if isinstance(found, Mapping) else None

    @property
    def outcome(self) -> str:
        """How its run ended."""
        return str(self.facts.get("outcome", "not recorded"))
