"""A relay's closing, told from what is read alone: line current, or a rail, rises from just before to this reading."""

from __future__ import annotations

from typing import Final, NamedTuple

FROM: Final = 0.4
"""Part of line voltage from which a standby supply may hold a relay; common practice, no source."""
SPAN_S: Final = 0.5
"""What draws more only over some cycles, behind a soft start, has risen within this."""
GOES_WITH_LINE: Final = 5.0
"""It grows by at most so many times the part that line voltage does: a core towards its knee; common practice."""


class _Before(NamedTuple):
    time_s: float
    line_voltage_v: float
    value: float
    bound: float


class RelayRise:
    """Compares each reading of a signal, A or V, with the lowest one just before it, and with the last one at least."""

    def __init__(self, least: float) -> None:
        self._least = least
        self._before: list[_Before] = []

    def by(self, time_s: float, line_voltage_v: float, value: float, bound: float = 0.0) -> float:
        """By how much it has just risen; 0: by less than ``least``, or no more than line and meters account for."""
        kept = [one for one in self._before if one.time_s >= time_s - SPAN_S] or self._before[-1:]
        self._before = [*kept, _Before(time_s, line_voltage_v, value, bound)]
        if not kept:
            return 0.0
        lowest = min(kept, key=lambda one: one.value)
        moved = max(0.0, line_voltage_v - lowest.line_voltage_v) / max(lowest.line_voltage_v, 1.0)
        least = max(self._least, bound + lowest.bound) + GOES_WITH_LINE * moved * lowest.value
        rise = value - lowest.value
        return rise if rise >= least else 0.0
