"""What the bench needs from an instrument. The engine knows these and nothing below them."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Protocol, runtime_checkable

import numpy as np
from numpy.typing import NDArray

from rampguard.quantities import Clock, Reading, Signal


class Wire(Protocol):
    """A line of text out, a line of text back: what every transport comes to."""

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        ...

    def query(self, text: str, deadline_s: float | None = None) -> str:
        """Ask, and return the reply. Raises LinkError."""
        ...

    def write(self, text: str) -> None:
        """Send, without a reply. Raises LinkError. That it did not raise proves nothing."""
        ...

    def close(self) -> None:
        """Close it. Switches nothing."""
        ...


class Position(StrEnum):
    """Where a line meter sits. Only one after the cut-off can prove that the unit is off."""

    BEFORE_CUT_OFF = "before-cut-off"
    AFTER_CUT_OFF = "after-cut-off"


class OutputState(StrEnum):
    """What a source or relay says of itself when asked."""

    OFF = "off"
    ON = "on"


class Meter(Protocol):
    """Anything that reads: `LineMeter`, `DcMeter` and `Thermometer` are meters of different signals."""

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        ...

    @property
    def signals(self) -> tuple[Signal, ...]:
        """What one call of `read` returns, in this order."""
        ...

    @property
    def position(self) -> Position:
        """Where it sits relative to the cut-off; BEFORE_CUT_OFF where that means nothing."""
        ...

    @property
    def measuring_time_s(self) -> float:
        """How long one reading averages; a reply may be that much older than its arrival."""
        ...

    @property
    def range_change_s(self) -> float:
        """For how long it may have no reading, because it changes range by itself."""
        ...

    def read(self) -> list[Reading]:
        """One reading of each signal. Blocks for one measuring time. Raises LinkError when the link failed."""
        ...


@dataclass(frozen=True, slots=True)
class SampleBlock:
    """What a digitiser took between two answers: V and A at the same moments, shape (samples,)."""

    rate_hz: float
    first: int
    """Number of its first sample since the digitiser was started."""
    volts: NDArray[np.float64]
    amperes: NDArray[np.float64]
    ends_s: float
    """Bench seconds by which its last sample had been taken."""
    lost: int = 0
    """Samples lost just before it."""


@dataclass(frozen=True, slots=True)
class Told:
    """What a meter had to say of one moment; ``problem`` is what went wrong, empty mostly."""

    readings: tuple[Reading, ...]
    problem: str = ""


@runtime_checkable
class CycleMeter(Meter, Protocol):
    """A meter that tells every cycle of the line, however many have gone by since it was asked last."""

    def cycles(self) -> list[Told]:
        """The cycles that have ended since, oldest first; none mostly where it is asked often. Raises LinkError."""
        ...

    def listen(self, tap: Callable[[SampleBlock], None]) -> None:
        """Have every block of samples told to ``tap``, too, in the thread that reads; it must not block."""
        ...


LineMeter = Meter
DcMeter = Meter
Thermometer = Meter


class AcSource(Protocol):
    """A programmable AC source."""

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        ...

    @property
    def max_line_voltage_v(self) -> float:
        """The highest rms voltage it may be set to."""
        ...

    @property
    def frequencies_hz(self) -> tuple[float, float] | None:
        """The lowest and the highest frequency it may be set to; None: it keeps the one it was prepared with."""
        ...

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the output's frequency, and read it back. Raises LinkError, CommandRefused, InstrumentError."""
        ...

    def prepare(self, *, frequency_hz: float, current_limit_a: float, run_time_limit_s: float) -> None:
        """Output off, zero volts, then everything the dialect sets before arming, each read back."""
        ...

    def set_line_voltage(self, line_voltage_v: float) -> None:
        """Set the rms output voltage. Raises LinkError, CommandRefused."""
        ...

    def output_on(self) -> None:
        """Switch the output on and read it back. Raises LinkError, CommandRefused."""
        ...


class Knob(Protocol):
    """The knob of a hand-turned variac on a simulated bench, and the hand at it."""

    @property
    def name(self) -> str:
        """What messages call it."""
        ...

    def get_ready(self, line_voltage_v: float) -> None:
        """Switch the supply on, its knob at so many volts rms. Raises LinkError, CommandRefused."""
        ...

    def set_line_voltage(self, line_voltage_v: float) -> None:
        """Tell the hand where to turn it to, volts rms. Raises LinkError, CommandRefused."""
        ...

    def turn_by(self, volts: float) -> None:
        """Turn it by so much, at once. Raises LinkError, CommandRefused."""
        ...


class UnitHand(Protocol):
    """A simulated hand in the unit. Each raises LinkError, CommandRefused."""

    def turn_trimmer(self, channel: str, by_a: float) -> None:
        """Turn a channel's bias trimmer, so that its idle changes by so much, A."""
        ...

    def move_clip(self, channel: str) -> None:
        """Move the clips of the meters of the idle and the offset to another channel."""
        ...

    def unplug(self, channels: Sequence[str]) -> None:
        """Unplug these channels' boards, and plug in all others."""
        ...

    def drive(self, level_v: float, load_ohm: float) -> None:
        """Drive every channel into its load, V rms."""
        ...

    def put_lid(self, *, on: bool) -> None:
        """Put the lid on, or take it off."""
        ...


class CutOff(Protocol):
    """A way to take line voltage from the unit: a contactor's relay, or the source's own output."""

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        ...

    def off(self) -> None:
        """Command it off now. Raises LinkError. Success proves nothing: ask `state`, then a meter."""
        ...

    def state(self) -> OutputState:
        """What it says when asked. Raises LinkError."""
        ...

    def close(self) -> None:
        """Let line voltage through (pull the contactor in). Raises LinkError, CommandRefused."""
        ...


class PowerButton(Protocol):
    """Something that can press the unit's power button or throw its standby switch. No way off."""

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        ...

    def press(self) -> None:
        """Press and let go. Raises LinkError, CommandRefused."""
        ...


@dataclass(frozen=True, slots=True)
class Bench:
    """A connected bench.

    ``source`` is None where a person turns a variac. ``cut_offs`` in the order they are commanded; empty where a person
    is the cut-off.
    """

    clock: Clock
    source: AcSource | None
    meters: tuple[Meter, ...]
    cut_offs: tuple[CutOff, ...]
    off_floor_v: float
    button: PowerButton | None = None
    knob: Knob | None = None
    """On a simulated bench without a source."""
    unit_hand: UnitHand | None = None
    """On a simulated bench with a unit that has trimmers."""

    @property
    def contactors(self) -> tuple[CutOff, ...]:
        """The ways off that must be closed for the line to pass: all but the source's own output."""
        return tuple(c for c in self.cut_offs if self.source is None or c.name != self.source.name)
