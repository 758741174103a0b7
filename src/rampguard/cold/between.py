"""The same point of several channels, compared. Pure.

Three channels and more: the odd one out, by the robust rule of `rampguard.warmup.odd_one_out`. Two: that they differ,
and no more. What parts' tolerance and the meter explain is no difference. One meter read them all, so that most of its
error is the same in each: its bound is allowed once.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from statistics import median

from rampguard.cold.alone import clamped
from rampguard.cold.parts import Good, Kind
from rampguard.warmup.odd_one_out import LEAST, odd_ones

Bound = Callable[[float], float]
"""The meter's +/- bound at a value."""


@dataclass(frozen=True, slots=True)
class Compared:
    """One point, one direction, all channels that were read. ``values`` as compared, ohm or volts."""

    values: Mapping[str, float]
    odd: Mapping[str, float]
    """The odd ones, and by how much each is off the middle."""
    differ: bool
    """Of two: whether they differ."""
    explained: float
    """By so much they may, with nothing wrong."""

    def alike(self, channel: str) -> bool:
        """Whether a channel reads as the middle of the others does; of a lone one that cannot be told: False."""
        others = [value for name, value in self.values.items() if name != channel]
        return bool(others) and abs(self.values[channel] - median(others)) <= self.explained

    def others(self, channel: str) -> float | None:
        """The middle of the others; None where there are none."""
        others = [value for name, value in self.values.items() if name != channel]
        return median(others) if others else None


def compared(values: Mapping[str, float], good: Good, kind: Kind, bound: Bound) -> Compared:
    """Compare readings of one point, by channel."""
    seen = {name: clamped(value, kind) for name, value in values.items()}
    middle = median(seen.values()) if seen else 0.0
    spread = good.spread if kind is Kind.DIODE else good.spread * middle
    explained = spread + bound(middle)
    pair = list(seen.values()) if 1 < len(seen) < LEAST else [0.0]
    return Compared(seen, odd_ones(seen, explained), max(pair) - min(pair) > explained, explained)
