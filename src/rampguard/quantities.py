"""The shared words: quantities and their units, readings, accuracy, and the clock that stamps them.

Imports nothing of ours, so that every part of the program can speak these words without knowing another part.
SI units inside; a unit is converted once, at the edge where it enters (an instrument's reply, a column of a file).
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from functools import cache
from typing import Final, Protocol


class Quantity(StrEnum):
    """What a bench measures. The value is the stem of its column name in a capture."""

    LINE_VOLTAGE = "line_voltage"
    LINE_CURRENT = "line_current"
    REAL_POWER = "real_power"
    LINE_CURRENT_UP = "line_current_up"
    LINE_CURRENT_DOWN = "line_current_down"
    LINE_CURRENT_DC = "line_current_dc"
    DC_OFFSET = "dc_offset"
    EMITTER_RESISTOR = "emitter_resistor"
    RAIL = "rail"
    TEMPERATURE = "temperature"


UNIT: Final[dict[Quantity, str]] = {
    Quantity.LINE_VOLTAGE: "V",
    Quantity.LINE_CURRENT: "A",
    Quantity.REAL_POWER: "W",
    Quantity.LINE_CURRENT_UP: "A",
    Quantity.LINE_CURRENT_DOWN: "A",
    Quantity.LINE_CURRENT_DC: "A",
    Quantity.DC_OFFSET: "V",
    Quantity.EMITTER_RESISTOR: "V",
    Quantity.RAIL: "V",
    Quantity.TEMPERATURE: "degC",
}
"""The SI unit each quantity is held in (rms for line voltage and current; degrees Celsius for temperature)."""

SHAPE_QUANTITIES: Final = frozenset({Quantity.LINE_CURRENT_UP, Quantity.LINE_CURRENT_DOWN, Quantity.LINE_CURRENT_DC})
"""What a cycle tells of the shape of line current: its peak while line voltage is positive, the size of its peak while
it is negative, its mean. None has a ceiling: line current has one."""

LINE_QUANTITIES: Final = SHAPE_QUANTITIES | {Quantity.LINE_VOLTAGE, Quantity.LINE_CURRENT, Quantity.REAL_POWER}
"""Quantities of the line: a bench has one of each. All others belong to a named channel of the unit."""

LINE_WINDOW_S: Final = 0.1
"""What one reading of most line meters averages."""

BEHIND_RELAY: Final = "-terminals"
"""What is behind the speaker relay of a channel is called after it, and so."""

_CHANNEL = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


@dataclass(frozen=True, slots=True, order=True)
class Signal:
    """One measured thing: a quantity, and for everything but the line the channel it belongs to.

    ``channel`` is lower-case letters, digits and single hyphens (``left``, ``rail-plus``); empty for the line.
    Raises ValueError for a channel where none belongs, a missing channel, or a badly written one.
    """

    quantity: Quantity
    channel: str = ""

    def __post_init__(self) -> None:
        if self.quantity in LINE_QUANTITIES:
            if self.channel:
                raise ValueError(f"{self.quantity} belongs to the line and has no channel, got {self.channel!r}")
        elif not _CHANNEL.fullmatch(self.channel):
            raise ValueError(
                f"{self.quantity} needs a channel of lower-case letters, digits and hyphens, got {self.channel!r}"
            )

    @property
    def unit(self) -> str:
        """The unit of the signal's values."""
        return UNIT[self.quantity]

    @property
    def column(self) -> str:
        """The column this signal has in a capture, unit included: ``line_voltage_v``, ``dc_offset_left_v``."""
        return _column(self.quantity, self.channel)

    @classmethod
    def from_column(cls, column: str) -> Signal | None:
        """The signal a column name stands for, or None if it stands for none of ours."""
        for quantity in Quantity:
            suffix = f"_{UNIT[quantity].lower()}"
            if not column.startswith(quantity) or not column.endswith(suffix):
                continue
            channel = column[len(quantity) : len(column) - len(suffix)].removeprefix("_")
            try:
                signal = cls(quantity, channel)
            except ValueError:
                continue
            if signal.column == column:
                return signal
        return None


@cache
def _column(quantity: Quantity, channel: str) -> str:
    """Asked for many times a row, and made once."""
    middle = f"_{channel}" if channel else ""
    return f"{quantity}{middle}_{UNIT[quantity].lower()}"


LINE_VOLTAGE: Final = Signal(Quantity.LINE_VOLTAGE)
LINE_CURRENT: Final = Signal(Quantity.LINE_CURRENT)
REAL_POWER: Final = Signal(Quantity.REAL_POWER)
LINE_CURRENT_UP: Final = Signal(Quantity.LINE_CURRENT_UP)
LINE_CURRENT_DOWN: Final = Signal(Quantity.LINE_CURRENT_DOWN)
LINE_CURRENT_DC: Final = Signal(Quantity.LINE_CURRENT_DC)


class Validity(StrEnum):
    """Whether a reading may be believed. Only VALID carries a value; everything else is unsafe, never zero."""

    VALID = "valid"
    OVER_RANGE = "over-range"  # the meter says the quantity is beyond its range (SCPI 9.9E37)
    INVALID = "invalid"  # the meter answered, but not with a number that can be (SCPI 9.91E37, nan, garbage)
    MISSING = "missing"  # the meter was asked and did not answer


@dataclass(frozen=True, slots=True)
class Accuracy:
    """A meter's stated accuracy: a bound of so many per cent of reading, per cent of range, and an absolute part.

    The absolute part holds counts times resolution, in the reading's own unit.
    """

    percent_of_reading: float = 0.0
    percent_of_range: float = 0.0
    absolute: float = 0.0

    def bound(self, value: float, full_range: float) -> float:
        """The +/- bound on a reading of ``value`` taken on a range of ``full_range``, in the reading's unit."""
        return (abs(value) * self.percent_of_reading + full_range * self.percent_of_range) / 100.0 + self.absolute


@dataclass(frozen=True, slots=True)
class Reading:
    """One reading, stamped on arrival.

    ``value`` is in the signal's unit and finite, or None unless ``validity`` is VALID. ``time_s`` is when the reply
    arrived and ``asked_s`` when the question was put, both in bench seconds: only a reading *asked* after an event
    can prove anything about it. ``bound`` is the meter's accuracy at this value, in the signal's unit.
    """

    signal: Signal
    value: float | None
    time_s: float
    asked_s: float
    validity: Validity = Validity.VALID
    bound: float = 0.0
    instrument: str = ""

    def __post_init__(self) -> None:
        if (self.value is None) == (self.validity is Validity.VALID):
            raise ValueError(f"a reading has a value exactly when it is valid: {self.signal.column} {self.value!r}")


@dataclass(frozen=True, slots=True)
class Bounds:
    """What a healthy unit may draw, from ``low`` to ``high``, in the quantity's unit; no meter's accuracy in it."""

    low: float
    high: float


class Cause(StrEnum):
    """What may be wrong with a unit, by the names that scripts rely on."""

    NO_FAULT = "no-fault"
    OUTPUT_SHORT = "output-stage-short"
    DIODE_SHORT = "rectifier-diode-short"
    SHORTED_TURNS = "shorted-winding-turns"
    LEAK = "leaky-reservoir"
    RUNAWAY = "idle-current-runaway"
    SWITCH_SHORT = "converter-switch-short"
    OTHER = "other"


@dataclass(frozen=True, slots=True)
class Wave:
    """The shape of a cycle of line current.

    ``apart`` is by how much its two half waves differ: the difference of their peaks over their sum, 0 to 1. ``crest``
    is its crest factor: the greater peak over the rms value.
    """

    apart: float
    crest: float


@dataclass(frozen=True, slots=True)
class Told:
    """What a reading says of each cause: its log-likelihood in nats, by the cause's name; empty where nothing is told.

    ``readings`` is for how many independent readings it counts, 0 to 1. ``shape`` is what the newest cycle's shape
    says of each cause, in nats: a state, not to be added up. ``wave`` is that shape; None where nothing is told of it.
    """

    nats: Mapping[str, float] = field(default_factory=dict)
    readings: float = 0.0
    shape: Mapping[str, float] = field(default_factory=dict)
    wave: Wave | None = None


@dataclass(frozen=True, slots=True)
class Expectation:
    """What a healthy unit may draw at one moment: plain numbers, from the load models to the guard.

    ``current_a`` and ``power_w`` are None where nothing is expected, and ``why_not`` says why. While an expected event
    explains a jump, ``event_budget_j`` is the energy that it may cost, J, and ``event_j`` what it has cost so far.
    ``fit`` is how well the class fits: the log-likelihood per reading, of all readings so far, of the sample of the
    class that they suit best; 0 at best, and until enough was read.
    """

    current_a: Bounds | None = None
    power_w: Bounds | None = None
    why_not: str = ""
    event_budget_j: float | None = None
    event_j: float = 0.0
    fit: float = 0.0
    told: Told = field(default_factory=Told)


class Clock(Protocol):
    """Tells bench seconds. On a real bench they are wall seconds; on a simulated one they may run faster."""

    def now_s(self) -> float:
        """Bench seconds since an arbitrary start; never runs backwards."""
        ...

    def sleep(self, duration_s: float) -> None:
        """Let ``duration_s`` bench seconds go by."""
        ...
