"""One reading against what a good part reads, whatever the other channels say. Pure.

What lies in parallel in the circuit lowers a reading, and never raises one: too low is a reason to compare, too high is
the part, its joints, or the leads. A short reads near zero both ways.
"""

from __future__ import annotations

from enum import Enum
from typing import Final

from rampguard.cold.parts import DIODE_TELLS_TO_V, OHM_TELLS_TO, OPEN, Good, Kind

MOSTLY_OPEN: Final = 10.0
"""A resistor that reads so many times its most is as good as open: its film or wire is gone."""


class Sign(Enum):
    """What one reading says."""

    GOOD = "good"
    NEAR_ZERO = "near zero"
    LOW = "low"
    HIGH = "high"
    OPEN = "open"


def sign_of(value: float, good: Good, bound: float, kind: Kind) -> Sign:
    """What a reading, with its meter's +/- bound, says of a part by itself. Ohm, or volts of a diode test."""
    if kind is Kind.DIODE and value >= DIODE_TELLS_TO_V:
        value = OPEN
    if value + bound < good.low:
        return Sign.NEAR_ZERO if value <= good.short_below else Sign.LOW
    if value - bound > good.high:
        return Sign.OPEN if value > MOSTLY_OPEN * good.high else Sign.HIGH
    return Sign.GOOD


def passes_a_short(good: Good, bound: float) -> bool:
    """Whether a dead short would pass for a good part, because the meter is too coarse for so few ohms."""
    return 0.0 < good.low <= bound


def clamped(value: float, kind: Kind) -> float:
    """A reading as it is compared between channels: what is beyond telling apart is made the same."""
    return min(value, DIODE_TELLS_TO_V if kind is Kind.DIODE else OHM_TELLS_TO)
