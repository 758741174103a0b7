"""When the unit's power is pressed, by the bench or by hand: what the guard hears of it, and when the plan goes on.

A hand presses and says so later, or says so and presses later: the inrush does not wait for the word. So while the plan
waits for a hand, the press is told by the relay's closing, once a stage. What that may draw is bounded as ever, by the
ceilings of an event and its budget of energy; the plan goes on only when it is said.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.engine.presser import Presser
from rampguard.engine.relay_rise import FROM, RelayRise
from rampguard.guard.case import words
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Quantity, Reading, Signal
from rampguard.ramp.plan import Stage
from rampguard.ramp.stepper import RampState

RISES: Final = 0.02
"""A rise by so much of nameplate current is a relay's, while the plan waits for one; common practice, no source."""
UP_FOR_S: Final = 1.0
"""For so long line voltage has been enough for a standby supply to hold a relay."""
RAIL_RISES_V: Final = 2.0
"""So does a rail that rises by so much: its meter may have read before the line's; common practice, no source."""
SAID_FIRST_S: Final = 5.0
"""Said to be pressed without a rise: it may still come so long; bench seconds."""
TAKEN: Final = "taken as the power button"
PRESSED: Final = "power was pressed"
NOT_SEEN: Final = f"{PRESSED}; line current has not risen"


@dataclass(frozen=True, slots=True)
class Turned:
    """What a turn of the loop finds: ``why`` an inrush is expected now, if it is."""

    why: str = ""
    pressed: bool = False
    """The plan may go on."""
    said: str = ""
    """Why it may, where that is not said by ``why``."""
    problem: str = ""


class PowerPress:
    """Of one run, of a unit with this nameplate."""

    def __init__(self, presser: Presser, *, nameplate_v: float, nameplate_w: float) -> None:
        self._presser = presser
        self._nameplate_a = nameplate_w / nameplate_v
        self._from_v = FROM * nameplate_v
        self._by_hand = not presser.able
        self._stage_index = -1
        """Of the stage that waits for a hand; -1: none does."""
        self._rises: dict[Signal, RelayRise] | None = None
        """None: nothing waits for it, or it has risen."""
        self._said_s: float | None = None
        self._volts = 0.0
        self._low_s: float | None = None
        """When line voltage was last below what a standby supply needs."""

    @property
    def able(self) -> bool:
        """Whether the bench presses."""
        return self._presser.able

    @property
    def busy(self) -> bool:
        """Whether the bench is pressing."""
        return self._presser.busy

    def seen_in(self, readings: Sequence[Reading], time_s: float) -> str:
        """Why what is read now is taken as a press by hand; empty: it is not."""
        for reading in readings:
            if reading.signal == LINE_VOLTAGE and reading.value is not None:
                self._volts = reading.value
        if self._volts < self._from_v or self._low_s is None:
            self._low_s = time_s
        if time_s - self._low_s < UP_FOR_S:  # switched on at full line, a standby supply has an inrush of its own
            return ""
        for reading in readings:
            rise = self._rise_of(reading, time_s)
            if rise:
                self._rises = None
                said = "" if self._said_s is not None else "; if nobody pressed it, switch off"
                return f"{words(reading.signal)} has risen by {rise:.2g} {reading.signal.unit}: {TAKEN}{said}"
        return ""

    def _rise_of(self, reading: Reading, time_s: float) -> float:
        signal = reading.signal
        is_rail = signal.quantity is Quantity.RAIL
        if self._rises is None or reading.value is None or not (is_rail or signal == LINE_CURRENT):
            return 0.0
        least = RAIL_RISES_V if is_rail else RISES * self._nameplate_a
        rise = self._rises.setdefault(signal, RelayRise(least))
        return rise.by(time_s, self._volts, abs(reading.value), reading.bound)

    def turn(self, stage: Stage, on_plan: RampState, *, said: bool, time_s: float) -> Turned:
        """One turn at this stage of the plan; ``said`` is whether it was just said to be pressed."""
        begins = self._presser.wait_at(stage, on_plan)  # a relay may close before it is let go
        ended, problem = self._presser.take_end()
        self._by_hand = self._by_hand or bool(problem)
        if self._by_hand and not problem and stage.ends_when == "power-pressed" and not on_plan.power_pressed:
            return self._waited(on_plan.stage_index, said=said, time_s=time_s)
        self._stage_index, self._rises = -1, None
        left = f"{problem} Press the unit's power button by hand." if problem else ""
        return Turned(PRESSED if begins or said else "", pressed=(ended and not problem) or said, problem=left)

    def _waited(self, stage_index: int, *, said: bool, time_s: float) -> Turned:
        """One turn of waiting for a hand."""
        if self._stage_index != stage_index:
            self._stage_index, self._said_s = stage_index, None
            self._rises = {}
        if said and self._said_s is None:
            self._said_s = time_s
        if self._said_s is None:
            return Turned()
        if self._rises is None:
            return Turned(pressed=True, said="power is said to be pressed, and current has risen: the plan goes on")
        if time_s - self._said_s < SAID_FIRST_S:
            return Turned()
        self._rises = None
        return Turned(NOT_SEEN, pressed=True)
