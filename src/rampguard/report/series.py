"""What a picture needs of a capture, as arrays: one pass over its rows."""

from __future__ import annotations

from array import array
from dataclasses import dataclass, field
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.archive.reader import Capture
from rampguard.archive.rows import Row
from rampguard.quantities import LINE_VOLTAGE, Quantity, Signal

Array = NDArray[np.float64]

TOGETHER_S: Final = 0.5
"""A reading may be drawn against a line voltage that is at most this much older."""


@dataclass(frozen=True, slots=True)
class Trace:
    """Readings of one signal: times in seconds, values in its unit, and the line voltage (V rms) each belongs to.

    ``line_v`` is nan where no line voltage was known. ``live`` tells whether the unit was live (or just tripped), and
    ``fault_s`` are the times of readings that were no value. ``bound`` is the meter's accuracy at each reading; 0 where
    none was stated.
    """

    time_s: Array
    value: Array
    line_v: Array
    live: NDArray[np.bool_]
    fault_s: Array
    bound: Array


@dataclass(frozen=True, slots=True)
class Stage:
    """A stage of the plan as it was walked, in seconds."""

    name: str
    begin_s: float
    end_s: float


@dataclass(frozen=True, slots=True)
class BandTrace:
    """The expected band as it was at each reading: its edges in the quantity's unit, nan where nothing was expected."""

    time_s: Array
    line_v: Array
    low: Array
    high: Array


@dataclass(frozen=True, slots=True)
class Series:
    """A capture's readings. ``set_v`` is the set-point in volts rms at ``set_s``; ``trip_s`` None without a trip."""

    traces: dict[Signal, Trace]
    set_s: Array
    set_v: Array
    stages: tuple[Stage, ...]
    end_s: float
    trip_s: float | None
    trip_reason: str
    bands: dict[Quantity, BandTrace]
    """Of line current and real power, where the capture kept it."""

    def of(self, quantity: Quantity) -> dict[Signal, Trace]:
        """The traces of one quantity, in the order of their channels; those without a single reading are left out."""
        return {
            s: t for s, t in sorted(self.traces.items()) if s.quantity is quantity and (len(t.value) + len(t.fault_s))
        }


def _numbers() -> array[float]:
    """Eight bytes a number: a soak of hours is a million rows."""
    return array("d")


@dataclass(slots=True)
class _Gathering:
    time_s: array[float] = field(default_factory=_numbers)
    value: array[float] = field(default_factory=_numbers)
    line_v: array[float] = field(default_factory=_numbers)
    live: bytearray = field(default_factory=bytearray)
    fault_s: array[float] = field(default_factory=_numbers)
    bound: array[float] = field(default_factory=_numbers)

    def done(self) -> Trace:
        return Trace(
            np.frombuffer(self.time_s),
            np.frombuffer(self.value),
            np.frombuffer(self.line_v),
            np.frombuffer(self.live, dtype=np.bool_),
            np.frombuffer(self.fault_s),
            np.frombuffer(self.bound),
        )


@dataclass(slots=True)
class _Gatherer:
    traces: dict[Signal, _Gathering] = field(default_factory=dict)
    set_s: array[float] = field(default_factory=_numbers)
    set_v: array[float] = field(default_factory=_numbers)
    begun: list[tuple[str, float]] = field(default_factory=list)
    end_s: float = 0.0
    trip_s: float | None = None
    trip_reason: str = ""
    line: tuple[float, float] = (-np.inf, np.nan)
    bands: dict[Quantity, array[float]] = field(default_factory=dict)
    """Of each moment four numbers, one after the other: time, line voltage, low, high."""

    def take(self, row: Row) -> None:
        self.end_s = row.time_s
        live = row.state in ("live", "") or (row.decision == "trip" and self.trip_s is None)
        if row.decision == "trip" and self.trip_s is None:
            self.trip_s, self.trip_reason = row.time_s, row.reason
        if row.set_voltage_v is not None:
            self.set_s.append(row.time_s)
            self.set_v.append(row.set_voltage_v)
        if row.stage and (not self.begun or self.begun[-1][0] != row.stage):
            self.begun.append((row.stage, row.time_s))
        self._take_readings(row, live)

    def _take_readings(self, row: Row, live: bool) -> None:  # noqa: FBT001 - private
        for reading in row.readings:
            if reading.signal == LINE_VOLTAGE and reading.value is not None:
                self.line = (row.time_s, reading.value)
        line_v = self.line[1] if row.time_s - self.line[0] <= TOGETHER_S else np.nan
        expected = row.expectation
        if expected is not None:
            for quantity, bounds in (
                (Quantity.LINE_CURRENT, expected.current_a),
                (Quantity.REAL_POWER, expected.power_w),
            ):
                low, high = (np.nan, np.nan) if bounds is None else (bounds.low, bounds.high)
                self.bands.setdefault(quantity, _numbers()).extend((row.time_s, line_v, low, high))
        for reading in row.readings:
            trace = self.traces.setdefault(reading.signal, _Gathering())
            if reading.value is None:
                trace.fault_s.append(row.time_s)
                continue
            trace.time_s.append(row.time_s)
            trace.value.append(reading.value)
            trace.line_v.append(line_v)
            trace.live.append(live)
            trace.bound.append(reading.bound)

    def stages(self) -> tuple[Stage, ...]:
        following = [*self.begun[1:], ("", self.end_s)]
        return tuple(
            Stage(name, begin_s, end_s) for (name, begin_s), (_, end_s) in zip(self.begun, following, strict=False)
        )


def gather(capture: Capture) -> Series:
    """A capture's readings as arrays. Raises ArchiveError where its rows cannot be read."""
    gatherer = _Gatherer()
    for row in capture.rows():
        gatherer.take(row)
    trip = (capture.result or {}).get("trip")
    if trip is not None and gatherer.trip_s is None:  # a cause that the readings did not show, such as a lost screen
        gatherer.trip_s, gatherer.trip_reason = float(trip["time_s"]), str(trip["reason"])
    return Series(
        {signal: gathering.done() for signal, gathering in gatherer.traces.items()},
        np.array(gatherer.set_s, dtype=np.float64),
        np.array(gatherer.set_v, dtype=np.float64),
        gatherer.stages(),
        gatherer.end_s,
        gatherer.trip_s,
        gatherer.trip_reason,
        {quantity: BandTrace(*np.frombuffer(numbers).reshape(-1, 4).T) for quantity, numbers in gatherer.bands.items()},
    )
