"""Gathers a side of a comparison from a capture's rows, one after the other; what it keeps is bounded by the way up."""

from __future__ import annotations

from array import array
from collections import deque
from collections.abc import Iterable, Mapping
from statistics import median
from typing import Any, Final

import numpy as np

from rampguard.archive.rows import Row
from rampguard.compare.side import FULL_LINE_PART, INTO_HOLD_S, LOOKED_S, UNSTATED, Closing, Hold, Measured, Side
from rampguard.guard.decision import DRIVEN, POWER_PRESSED, TOUCHED
from rampguard.guard.interlock import State
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal
from rampguard.warmup.approach import Stretch

STILL_PART: Final = 0.005
"""Line voltage stands still while it stays within this part of nameplate voltage, and what its meter may be off by."""
STEP_PART: Final = 0.1
"""A relay closed where current rose by this part of nameplate current, and by half of itself, from one reading to the
next, while line voltage went no further than `STEP_STILL_PART` of nameplate; common practice, no source."""
STEP_STILL_PART: Final = 0.01
TRIP: Final = "trip"
NEXT_WITHIN_S: Final = 0.5
ONE_CLOSING_S: Final = 2.0
"""What follows a step in current so soon is its inrush."""
_CHANNELS: Final = (Quantity.EMITTER_RESISTOR, Quantity.DC_OFFSET)
_NAN: Final = float("nan")


def side_of(name: str, facts: Mapping[str, Any], rows: Iterable[Row]) -> Side:
    """One capture as a side. ``facts`` are its descriptor's, with numbers for nameplate_v and nameplate_w."""
    way = _WayUp(float(facts["nameplate_v"]), float(facts["nameplate_w"]))
    for row in rows:
        if row.state == State.LIVE or row.decision == TRIP:
            way.take(row)
        if row.decision == TRIP:
            break
    way.end_hold()
    warm_up = {
        channel: Stretch(np.array(times), np.array(volts)) for channel, (times, volts) in sorted(way.warm_up.items())
    }
    return Side(name, facts, tuple(way.holds), tuple(way.closings), way.channels, tuple(way.points), warm_up)


class _WayUp:
    """What is known of a ramp so far."""

    def __init__(self, nameplate_v: float, nameplate_w: float) -> None:
        self._full_v, self._full_a = nameplate_v, nameplate_w / nameplate_v
        self.holds: list[Hold] = []
        self.closings: list[Closing] = []
        self.channels: dict[Signal, Measured] = {}
        self.points: list[tuple[float, float, float]] = []
        self.warm_up: dict[str, tuple[array[float], array[float]]] = {}
        self._still_v = self._since_s = self._now_s = _NAN
        self._spoken = self._touched = False
        self._recent: deque[Reading] = deque()
        self._before: tuple[float, float, float] | None = None
        self._pressed_s = -float("inf")
        self._full_line_s: float | None = None

    def take(self, row: Row) -> None:
        """One live row."""
        self._now_s = row.time_s
        if row.expected_event == POWER_PRESSED:
            self._pressed_s = row.time_s
        self._touched = self._touched or row.expected_event in (TOUCHED, DRIVEN)
        values = {reading.signal: reading for reading in row.readings if reading.value is not None}
        line = values.get(LINE_VOLTAGE)
        if line is not None:
            self._line(line)
        self._recent.extend(values.values())
        while self._recent and self._recent[0].time_s < row.time_s - LOOKED_S:
            self._recent.popleft()
        if row.time_s - self._since_s >= INTO_HOLD_S:
            self._speak()
        self._current(values)
        self._warm(values)

    def end_hold(self) -> None:
        """The line moves on, or the record ends."""
        if self._now_s - self._since_s >= LOOKED_S:
            self._speak()

    def _line(self, line: Reading) -> None:
        volts = line.value or 0.0
        if abs(volts - self._still_v) <= STILL_PART * self._full_v + line.bound:
            return
        self.end_hold()
        self._still_v, self._since_s, self._spoken = volts, line.time_s, False
        self._recent.clear()

    def _speak(self) -> None:
        """What the hold says, once; only on the way up."""
        if self._spoken:
            return
        line, current = self._settled(LINE_VOLTAGE), self._settled(LINE_CURRENT)
        if line is None or current is None:
            return
        self._spoken = True
        least_v = STILL_PART * self._full_v + line.bound
        if line.value < least_v or (self.holds and line.value < self.holds[-1].line_v.value + least_v):
            return
        self.holds.append(Hold(line, current, self._settled(REAL_POWER)))
        if line.value >= FULL_LINE_PART * self._full_v:
            signals = sorted({reading.signal for reading in self._recent if reading.signal.quantity in _CHANNELS})
            settled = {signal: self._settled(signal) for signal in signals}
            self.channels = {signal: one for signal, one in settled.items() if one is not None}

    def _settled(self, signal: Signal) -> Measured | None:
        """The median of the newest readings, and what it may be off by: the meter, and half of what they span."""
        some = [reading for reading in self._recent if reading.signal == signal]
        values = [reading.value for reading in some if reading.value is not None]
        if not values:
            return None
        middle = median(values)
        stated = max(reading.bound for reading in some) or UNSTATED * abs(middle)
        return Measured(middle, stated + 0.5 * (max(values) - min(values)))

    def _current(self, values: Mapping[Signal, Reading]) -> None:
        line, current, power = (values.get(signal) for signal in (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER))
        if line is None or current is None or line.value is None or current.value is None:
            return
        if self._full_line_s is None or self._now_s - self._full_line_s <= INTO_HOLD_S:
            watts = power.value if power is not None and power.value is not None else _NAN
            self.points.append((line.value, current.value, watts))
        now = (self._now_s, line.value, current.value)
        if self._before is not None and self._is_step(self._before, now):
            pressed = self._now_s - self._pressed_s <= ONE_CLOSING_S
            closing_v = Measured(line.value, line.bound or UNSTATED * line.value)
            self.closings.append(Closing(self._now_s, closing_v, self._before[2], current.value, pressed))
        self._before = now

    def _is_step(self, before: tuple[float, float, float], now: tuple[float, float, float]) -> bool:
        if now[0] - before[0] > NEXT_WITHIN_S or abs(now[1] - before[1]) > STEP_STILL_PART * self._full_v:
            return False
        if self.closings and now[0] - self.closings[-1].time_s < ONE_CLOSING_S:
            return False
        return now[2] - before[2] > max(STEP_PART * self._full_a, 0.5 * before[2])

    def _warm(self, values: Mapping[Signal, Reading]) -> None:
        if self._full_line_s is None and self._still_v >= FULL_LINE_PART * self._full_v:
            self._full_line_s = self._now_s
        if self._full_line_s is None or self._touched:
            return
        for signal, reading in values.items():
            if signal.quantity is Quantity.EMITTER_RESISTOR and reading.value is not None:
                times, volts = self.warm_up.setdefault(signal.channel, (array("d"), array("d")))
                times.append(self._now_s - self._full_line_s)
                volts.append(reading.value)
