"""What a capture drew at a line voltage between its holds, and how far off a straight line between them may be.

The remainder of linear interpolation is at most (u - a)(b - u) / 2 times the curve's largest second derivative between
a and b (any text on numerical analysis, such as Burden and Faires, section 3.1, from memory); here that derivative is
the largest second divided difference, twice, of the holds about. No voltage draws no current: the origin is a hold.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.compare.side import Measured, Side

BEYOND_PART: Final = 0.015
"""So far beyond the last hold, as a part of nameplate voltage, the last line is still drawn on."""


@dataclass(frozen=True, slots=True)
class Curve:
    """Points in the order of line voltage: V rms, the value there, and what both may be off by."""

    line_v: tuple[float, ...]
    line_bound_v: tuple[float, ...]
    value: tuple[float, ...]
    bound: tuple[float, ...]
    beyond_v: float

    def at(self, volts: float) -> Measured | None:
        """The value at a line voltage; None where the capture says nothing of it."""
        x, y = self.line_v, self.value
        if len(x) < 2 or volts < 0.0 or volts > x[-1] + self.beyond_v:
            return None
        right = next((k for k in range(1, len(x)) if volts <= x[k]), len(x) - 1)
        left = right - 1
        slope = (y[right] - y[left]) / (x[right] - x[left])
        value = y[left] + slope * (volts - x[left])
        remainder = abs((volts - x[left]) * (x[right] - volts)) * self._bend(left, right)
        meters = max(self.bound[left], self.bound[right])
        by_line = abs(slope) * max(self.line_bound_v[left], self.line_bound_v[right])
        return Measured(value, meters + by_line + remainder)

    def _bend(self, left: int, right: int) -> float:
        """Half of the largest second derivative about an interval, by divided differences of three holds each."""
        x, y = self.line_v, self.value
        triples = [k for k in (left - 1, left, right - 1) if k >= 0 and k + 2 < len(x)]
        bends = [(_slope(x, y, k + 1) - _slope(x, y, k)) / (x[k + 2] - x[k]) for k in triples]
        return max(map(abs, bends), default=0.0)


def _slope(x: Sequence[float], y: Sequence[float], k: int) -> float:
    return (y[k + 1] - y[k]) / (x[k + 1] - x[k])


def current_curve(side: Side, scale: float = 1.0) -> Curve:
    """Current against line voltage, A rms; ``scale`` turns volts into another nameplate's, amperes the other way."""
    points = [(hold.line_v, hold.current_a) for hold in side.holds]
    return _curve(side, points, scale, 1.0 / scale)


def power_curve(side: Side, scale: float = 1.0) -> Curve:
    """Power against line voltage, W; ``scale`` turns volts into another nameplate's."""
    points = [(hold.line_v, hold.power_w) for hold in side.holds if hold.power_w is not None]
    return _curve(side, points, scale, 1.0)


def _curve(side: Side, points: Sequence[tuple[Measured, Measured]], volts: float, values: float) -> Curve:
    all_points = [(Measured(0.0, 0.0), Measured(0.0, 0.0)), *points]
    return Curve(
        tuple(volts * line.value for line, _ in all_points),
        tuple(volts * line.bound for line, _ in all_points),
        tuple(values * one.value for _, one in all_points),
        tuple(values * one.bound for _, one in all_points),
        BEYOND_PART * volts * side.nameplate_v,
    )
