"""After off: what the reservoirs still hold, where rails are metered, and how long they will take by estimate. Pure.

Below 60 V DC is the limit for touch (IEC 62368-1, ES1, from memory); below 2 V, *measured*, before hands or clips go in
(common practice, no source). An estimate is an exponential through the last readings: what really discharges a
reservoir (stages that cut out on the way, a bleeder, nothing) bends it, mostly towards longer.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.quantities import Quantity, Reading

TOUCH_V: Final = 60.0
HANDS_V: Final = 2.0
WATCHED_S: Final = 3.0
"""Bench seconds for which metered rails are watched once off is proven."""
UNTIL_HANDS_GO_IN_S: Final = 600.0
"""The same, at most, where a clip is moved next: until they are below `HANDS_V`."""
LEAST: Final = 4
"""So many readings make an estimate."""
LONGEST_S: Final = 3600.0
"""An estimate beyond this is none."""

Held = Mapping[str, tuple[tuple[float, float], ...]]
"""(bench seconds, volts without sign) of each metered rail since off was commanded, by its column."""


@dataclass(frozen=True, slots=True)
class Reservoir:
    """One rail's: what it read last, and by estimate how long until it is below a voltage; None: no telling."""

    volts: float
    touch_in_s: float | None
    hands_in_s: float | None

    @property
    def as_message(self) -> dict[str, float | None]:
        """For scripts."""
        return {"volts": self.volts, "below_60_v_in_s": self.touch_in_s, "below_2_v_in_s": self.hands_in_s}


def held_with(held: Held, readings: Sequence[Reading]) -> Held:
    """With what new readings say of rails; invalid ones say nothing."""
    after = dict(held)
    for reading in readings:
        if reading.signal.quantity is Quantity.RAIL and reading.value is not None:
            column = reading.signal.column
            after[column] = (*after.get(column, ()), (reading.time_s, abs(reading.value)))
    return after


def below_hands(held: Held) -> bool:
    """Whether every metered rail is surely low enough for hands and clips."""
    return all(points[-1][1] < HANDS_V for points in held.values() if points)


def reservoirs(held: Held) -> dict[str, Reservoir]:
    """Each metered rail's."""
    return {column: _reservoir(points) for column, points in held.items() if points}


def _reservoir(points: tuple[tuple[float, float], ...]) -> Reservoir:
    volts = points[-1][1]
    time_constant_s = _time_constant_s(points[len(points) // 2 :] if len(points) >= 2 * LEAST else points)
    return Reservoir(volts, *(_until_s(volts, below_v, time_constant_s) for below_v in (TOUCH_V, HANDS_V)))


def _time_constant_s(points: tuple[tuple[float, float], ...]) -> float | None:
    """By least squares of the logarithm, of the readings that are above zero; None where the voltage does not fall."""
    above = [(seconds, math.log(volts)) for seconds, volts in points if volts > 0.0]
    if len(above) < LEAST:
        return None
    mean_s = sum(seconds for seconds, _ in above) / len(above)
    mean = sum(logarithm for _, logarithm in above) / len(above)
    spread = sum((seconds - mean_s) ** 2 for seconds, _ in above)
    slope = sum((seconds - mean_s) * (logarithm - mean) for seconds, logarithm in above) / spread if spread else 0.0
    return -1.0 / slope if slope < -1e-9 else None


def _until_s(volts: float, below_v: float, time_constant_s: float | None) -> float | None:
    if volts < below_v:
        return 0.0
    if time_constant_s is None:
        return None
    seconds = time_constant_s * math.log(volts / below_v)
    return seconds if seconds <= LONGEST_S else None
