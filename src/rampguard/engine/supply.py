"""What brings line voltage up: a source that follows set-points, or a person who turns a knob as the plan advises."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import replace
from typing import Final, Protocol

from instruments.errors import InstrumentError
from instruments.roles import AcSource, Knob, Meter
from rampguard.engine.acquire import SetPoints
from rampguard.quantities import LINE_QUANTITIES
from rampguard.ramp.by_hand import Advice, HandState, fastest_v_per_s, follow
from rampguard.ramp.plan import Plan
from rampguard.ramp.stepper import Pace, RampInput, RampState, RampStep, advance, paced

TAKES_WITHIN_S: Final = 0.8
"""Wall time a set-point may wait to be taken."""
RELAY_S: Final = 0.15
"""From a decision to a contactor's having opened; common practice, no source."""
PERSON_S: Final = 1.0
"""From an alarm to a person's having switched off; common practice, no source."""
WINDOWS_BLIND: Final = 2.0
"""A fault that begins just after a meter's window has begun is in the next one, and that is told when it ends."""
RANGES_IN_A_ROW: Final = 3
"""A meter may change its range so often on end: up with what a core or a reservoir first takes, down again as that
falls off, and up once more while the knob is turned on. Seen on simulated healthy units; four in a row were not."""


class Supply(Protocol):
    """What brings line voltage up."""

    @property
    def set_voltage_v(self) -> float | None:
        """The set-point, volts rms; None where nothing is set."""
        ...

    @property
    def on_plan(self) -> RampState:
        """Where the plan stands."""
        ...

    @property
    def advice(self) -> Advice | None:
        """What a person who turns should do now; None where nobody turns."""
        ...

    def walk(self, plan: Plan, given: RampInput, line_voltage_v: float | None) -> RampStep:
        """One step along the plan; ``line_voltage_v`` is what the line's meter read, None if nothing new."""
        ...

    def pace(self, plan: Plan, pace: Pace) -> str:
        """Pause, resume, step or go back, as the operator wants it; why not, where that cannot be."""
        ...

    def obey(self, wait_s: float) -> bool:
        """Pass on what the last step asked for; whether it was taken, having waited for that so long at most."""
        ...

    def to_zero(self, wait_s: float) -> None:
        """Ask for zero volts, and wait so long at most for that to have been heard."""
        ...

    def turn_by(self, volts: float) -> None:
        """Turn the knob of a simulated variac by so much, where there is one."""
        ...

    def trouble(self) -> str:
        """What is wrong with it; empty if nothing is."""
        ...

    def stop(self) -> None:
        """End what it has running. Switches nothing."""
        ...


class DrivenSupply:
    """A programmable source."""

    advice = None

    def __init__(self, source: AcSource, *, begins_at_v: float = 0.0) -> None:
        self._points = SetPoints(source)
        self.on_plan = RampState(set_voltage_v=begins_at_v)

    @property
    def set_voltage_v(self) -> float:
        """The set-point as it was last worked out."""
        return self.on_plan.set_voltage_v

    def walk(self, plan: Plan, given: RampInput, line_voltage_v: float | None) -> RampStep:
        """One step along the plan."""
        self.on_plan, step = advance(plan, self.on_plan, given)
        return step

    def pace(self, plan: Plan, pace: Pace) -> str:
        """The plan goes on, or stands still, from the set-point."""
        self.on_plan, why_not = paced(plan, self.on_plan, pace, at_v=self.on_plan.set_voltage_v)
        return why_not

    def obey(self, wait_s: float) -> bool:
        """Send the set-point."""
        self._points.set(self.on_plan.set_voltage_v)
        return self._points.wait_done(wait_s)

    def to_zero(self, wait_s: float) -> None:
        """Ask for zero volts."""
        self._points.set(0.0)
        self._points.wait_done(wait_s)

    def turn_by(self, volts: float) -> None:
        """There is no knob."""

    def trouble(self) -> str:
        """A set-point that failed, or that is not taken in time."""
        overdue = self._points.overdue_s() > TAKES_WITHIN_S
        return self._points.problem or ("the source does not take its set-point" if overdue else "")

    def stop(self) -> None:
        """End its thread."""
        self._points.stop()


class HandTurnedSupply:
    """A variac that a person turns. On a simulated bench ``knob`` is the hand that does as it is told.

    Unless ``operator_turns``: then it is turned by what the operator types, and still switches off when told to.
    """

    set_voltage_v = None

    def __init__(
        self,
        knob: Knob | None,
        fastest: float | None,
        *,
        zero_lasts_s: float = 0.0,
        operator_turns: bool = False,
        at_line: bool = False,
    ) -> None:
        self._zero_lasts_s = zero_lasts_s
        self._knob = knob
        self._points = None if knob is None else SetPoints(knob)
        self._fastest = fastest
        self._operator_turns = operator_turns
        self._problem = ""
        self._state = HandState(at_zero=at_line)
        self.advice: Advice | None = None

    @property
    def on_plan(self) -> RampState:
        """Where the plan stands."""
        return self._state.on_plan

    def walk(self, plan: Plan, given: RampInput, line_voltage_v: float | None) -> RampStep:
        """One step along the plan, by what the meter read."""
        self._state, step, self.advice = follow(
            plan, self._state, given, line_voltage_v, self._fastest, self._zero_lasts_s
        )
        return step

    def pace(self, plan: Plan, pace: Pace) -> str:
        """The advice goes on, or stands still, from where the line was last read."""
        at_v = self._state.line[-1][1] if self._state.line else 0.0
        on_plan, why_not = paced(plan, self._state.on_plan, pace, at_v=at_v)
        self._state = replace(self._state, on_plan=on_plan)
        return why_not

    def obey(self, wait_s: float) -> bool:
        """Tell the simulated hand, where there is one: it goes where the advice says, and stays where it is told to."""
        if self._points is None or self.advice is None or self._operator_turns or not self._state.at_zero:
            return True
        stays = self.advice.too_fast or self.advice.blind
        self._points.set(max(0.0, self._state.line[-1][1]) if stays else self.advice.target_v)
        return self._points.wait_done(wait_s)

    def to_zero(self, wait_s: float) -> None:
        """Whoever turns is asked to go back; so is a simulated hand."""
        if self._points is not None:
            self._points.set(0.0)
            self._points.wait_done(wait_s)

    def trouble(self) -> str:
        """A simulated hand that is out of reach. A person's is not the program's to find fault with."""
        return self._problem or ("" if self._points is None else self._points.problem)

    def turn_by(self, volts: float) -> None:
        """Turn the knob of the simulated variac."""
        if self._knob is not None:
            try:
                self._knob.turn_by(volts)
            except InstrumentError as error:
                self._problem = str(error)

    def stop(self) -> None:
        """End its thread, if it has one."""
        if self._points is not None:
            self._points.stop()


def blind_s(meters: Sequence[Meter], *, person: bool) -> float:
    """From a fault's coming to the cut at worst, s: the slowest line meter's windows, and the contactor or person."""
    # A fault changes the range once: the meter goes straight to the one that holds what the fault draws.
    return _longest_s(meters, 1) + (PERSON_S if person else RELAY_S)


def line_gap_s(meters: Sequence[Meter]) -> float:
    """For how long the line's meters may be silent, s, and nothing be wrong: by their windows and changes of range."""
    return _longest_s(meters, RANGES_IN_A_ROW)


def _longest_s(meters: Sequence[Meter], ranges: int) -> float:
    """The longest from one valid reading to the next, s, where a meter changes its range so often in between."""
    return max((silence_s(m.measuring_time_s, m.range_change_s, ranges) for m in meters if is_of_line(m)), default=0.0)


def silence_s(measuring_time_s: float, range_change_s: float, ranges: int) -> float:
    """The same of one meter: it may have to be asked once more after each change but the last."""
    changes_s = ranges * range_change_s + (ranges - 1) * measuring_time_s if range_change_s > 0.0 else 0.0
    return WINDOWS_BLIND * measuring_time_s + changes_s


def cycle_s(meters: Sequence[Meter]) -> float:
    """In what time the slowest of the other meters reads all that it is wired to, s: a scanner one after the other."""
    others = (meter for meter in meters if not is_of_line(meter))
    return max((len(meter.signals) * meter.measuring_time_s for meter in others), default=0.0)


def line_window_s(meters: Sequence[Meter]) -> float:
    """What one reading of the line averages, s: by the slowest of its meters."""
    return max((meter.measuring_time_s for meter in meters if is_of_line(meter)), default=0.1)


def is_of_line(meter: Meter) -> bool:
    """Whether a meter reads anything of the line."""
    return any(signal.quantity in LINE_QUANTITIES for signal in meter.signals)


def fastest(mains_v: float, meters: Sequence[Meter], *, person: bool) -> float:
    """How fast this bench's line voltage may be turned up, V/s."""
    return fastest_v_per_s(mains_v, blind_s(meters, person=person))
