"""What a check of the guard may look at, and how it says what it found."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from typing import Final

from rampguard.guard.decision import DRIVEN, Finding, Layer, Observation, Severity
from rampguard.guard.limits import Limits
from rampguard.guard.memory import Memory
from rampguard.guard.windows import cycles_in_window
from rampguard.quantities import Quantity, Signal

STAGE_CURRENT: Final = "stage-current"
"""The check of the emitter resistors: a trip of theirs says that current flows through an output stage."""

INRUSH: Final = "inrush"
"""The check of current and power just after power was pressed: a trip of it says that it is more than an inrush."""


@dataclass(frozen=True, slots=True)
class Case:
    """All that a check may look at."""

    limits: Limits
    before: Memory
    memory: Memory
    observation: Observation

    @property
    def now_s(self) -> float:
        """Time of the observation, bench seconds."""
        return self.observation.time_s

    @property
    def cycles(self) -> int:
        """How many readings of the line make up a window; 1 where each is one."""
        return cycles_in_window(self.limits.line_window_s)

    @property
    def in_event(self) -> bool:
        """Whether an expected event may explain a jump in current."""
        return self.now_s <= self.memory.rates_excused_until_s

    @property
    def driven(self) -> bool:
        """Whether a signal drives the unit, and explains what it draws."""
        return self.observation.expected_event == DRIVEN


Check = Callable[[Case], Iterator[Finding]]


def trip(check: str, reason: str, layer: Layer = Layer.CEILING) -> Finding:
    """A finding that trips."""
    return Finding(Severity.TRIP, layer, check, reason)


def warn(check: str, reason: str, layer: Layer = Layer.CEILING) -> Finding:
    """A finding that warns."""
    return Finding(Severity.WARN, layer, check, reason)


def not_evaluated(check: str, reason: str) -> Finding:
    """A check that could not be made: not one that was passed."""
    return Finding(Severity.NOT_EVALUATED, Layer.CEILING, check, reason)


_WORDS = {
    Quantity.LINE_VOLTAGE: "line voltage",
    Quantity.LINE_CURRENT: "line current",
    Quantity.REAL_POWER: "real power",
    Quantity.DC_OFFSET: "DC offset",
    Quantity.EMITTER_RESISTOR: "emitter-resistor voltage",
    Quantity.RAIL: "rail voltage",
    Quantity.TEMPERATURE: "temperature",
    Quantity.LINE_CURRENT_UP: "peak line current, positive half wave",
    Quantity.LINE_CURRENT_DOWN: "peak line current, negative half wave",
    Quantity.LINE_CURRENT_DC: "direct part of line current",
}


def words(signal: Signal) -> str:
    """A signal in a technician's words: ``DC offset, left``."""
    return f"{_WORDS[signal.quantity]}, {signal.channel}" if signal.channel else _WORDS[signal.quantity]
