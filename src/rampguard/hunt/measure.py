"""From a capture's rows to what is believed of them: conductance at the hold, its uncertainty, the energy it took."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterable, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Final

from rampguard.archive.rows import Row
from rampguard.hunt.places import Healthy, Measurement
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Signal

NEAR: Final = 0.15
"""A line voltage within this part of the hold is at it."""
REPEATS_TO: Final = 0.02
"""From one measurement to the next a meter repeats to this part of its stated bound; common practice, no source."""
STEEP: Final = 3.0
"""Behind a rectifier's knee a conductance may change by so many times the part that its line voltage changes by."""
MUCH: Final = 0.75
"""Of the most that a healthy unit might draw."""
LONGEST_STEP_S: Final = 1.0
SECONDS_AT_HOLD: Final = 1.0


@dataclass(frozen=True, slots=True)
class Point:
    """One row as a conductance, S, and what that is uncertain by."""

    time_s: float
    line_voltage_v: float
    siemens: float
    bound_s: float


@dataclass(frozen=True, slots=True)
class Held:
    """What a run says of the hold."""

    points: tuple[Point, ...]

    def measurement(self, unplugged: Iterable[str], hold_v: float) -> Measurement:
        """As one conductance. Raises ValueError where the hold was not reached."""
        if not self.points:
            raise ValueError(f"there is no reading within {NEAR:.0%} of {hold_v:.3g} V")
        values = [point.siemens for point in self.points]
        noise = stdev(values) / math.sqrt(len(values)) if len(values) > 1 else 0.0
        repeats = REPEATS_TO * fmean(point.bound_s for point in self.points)
        off = abs(fmean(point.line_voltage_v for point in self.points) / hold_v - 1.0)
        sigma = math.hypot(noise, repeats, STEEP * off * fmean(values))
        return Measurement(frozenset(unplugged), fmean(values), sigma)


def weighed(rows: Sequence[Row], hold_v: float) -> Signal:
    """By which signal a conductance is told better near the hold: real power, or the current with its idle part.

    At a few volts a power meter's range is far above what is drawn.
    """
    bounds = {by: [p.bound_s for p in _near(_points(rows, by), hold_v)] for by in (LINE_CURRENT, REAL_POWER)}
    if not bounds[REAL_POWER]:
        return LINE_CURRENT
    if not bounds[LINE_CURRENT]:
        return REAL_POWER
    return min(bounds, key=lambda by: fmean(bounds[by]))


def held(rows: Sequence[Row], hold_v: float, by: Signal) -> Held:
    """What the rows say of the hold: those nearest to it, at most a second's."""
    near = _near(_points(rows, by), hold_v)
    if near:  # a run that was cut on its way has few: those at its highest
        top_v = max(point.line_voltage_v for point in near)
        near = [point for point in near if point.line_voltage_v >= 0.97 * min(top_v, hold_v)]
        near = [point for point in near if point.time_s > near[-1].time_s - SECONDS_AT_HOLD]
    return Held(tuple(near))


def healthy_at(rows: Sequence[Row], hold_v: float, by: Signal) -> Healthy | None:
    """What the expected band allowed near the hold, S, the meter's bound added; None where it was not evaluated."""
    found: list[tuple[float, Healthy]] = []
    for row in rows:
        told = row.expectation
        point = _point(row, by)
        band = None if told is None else told.power_w if by is REAL_POWER else told.current_a
        if point is None or band is None or abs(point.line_voltage_v / hold_v - 1.0) > NEAR:
            continue
        unit = point.line_voltage_v ** (2 if by is REAL_POWER else 1)
        low, high = band.low / unit - point.bound_s, band.high / unit + point.bound_s
        found.append((abs(point.line_voltage_v - hold_v), Healthy(low, high)))
    return min(found, key=lambda item: item[0])[1] if found else None


def most_energy_j(rows: Sequence[Row]) -> float:
    """What the unit took at most: apparent power by trapezia; across a gap in the readings nothing is counted."""
    read = [
        (row.time_s, volts * amperes)
        for row in rows
        if (volts := _value(row, LINE_VOLTAGE)) is not None and (amperes := _value(row, LINE_CURRENT)) is not None
    ]
    pairs = itertools.pairwise(read)
    return sum(0.5 * (a + b) * (t - s) for (s, a), (t, b) in pairs if t - s <= LONGEST_STEP_S)


def worth_holding(rows: Sequence[Row], volts: Sequence[float]) -> float:
    """Of these line voltages, which rise, the first at which the unit draws `MUCH`; else the last.

    Lower costs less energy, and there what is healthy still sleeps.
    """
    for hold_v in volts:
        by = weighed(rows, hold_v)
        points, healthy = held(rows, hold_v, by).points, healthy_at(rows, hold_v, by)
        if points and healthy and fmean(point.siemens for point in points) >= MUCH * healthy.high:
            return hold_v
    return volts[-1]


def hold_from(trip_v: float) -> float:
    """Where to hold: a little below where the unit tripped, so that it shows there and is not cut at once."""
    return 0.95 * trip_v


def _points(rows: Sequence[Row], by: Signal) -> list[Point]:
    return [point for point in (_point(row, by) for row in rows) if point is not None]


def _near(points: Sequence[Point], hold_v: float) -> list[Point]:
    return [point for point in points if abs(point.line_voltage_v / hold_v - 1.0) <= NEAR]


def _point(row: Row, by: Signal) -> Point | None:
    volts, drawn = _value(row, LINE_VOLTAGE), _reading(row, by)
    if not volts or volts < 0.0 or drawn is None or drawn.value is None:
        return None
    unit = volts ** (2 if by is REAL_POWER else 1)
    return Point(row.time_s, volts, drawn.value / unit, drawn.bound / unit)


def _value(row: Row, signal: Signal) -> float | None:
    reading = _reading(row, signal)
    return None if reading is None else reading.value


def _reading(row: Row, signal: Signal) -> Reading | None:
    return next((reading for reading in row.readings if reading.signal == signal), None)
