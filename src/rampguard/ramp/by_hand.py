"""A ramp that a person turns: what to tell them, from what the meters say. Pure.

The plan is advice here. Where the line stands is what its meter reads, and whoever turns is told to go up, to wait, or
to turn back, and when the knob moves faster than these meters can protect the unit.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from enum import StrEnum
from typing import Final

from rampguard.ramp.plan import SLEW_MOST_FRACTION_PER_S, Plan, Stage
from rampguard.ramp.stepper import RampInput, RampState, RampStep, advance, goes_to_v

NEAR_FRACTION: Final = 0.015
"""A stage is reached within this part of mains: a knob is no set-point."""
LEFT_FRACTION: Final = 0.03
"""And left again farther away than this."""
SPEED_OVER_S: Final = 0.5
"""The knob's speed is taken over this time at least."""
UNSEEN_RISE_FRACTION: Final = 0.04
"""Line voltage may rise by this part of mains, no more, between a fault's coming and the cut. Common practice has no
figure; the guard itself trips within some 4 % of line of the first reading that could tell."""
STANDS_AT_ZERO_BELOW_V: Final = 2.0
"""The knob counts as at zero below this."""
FAR_ABOVE_FRACTION: Final = 0.10
"""A line so far above where the plan has it, as a part of mains, was switched on with the knob turned up, or the knob
went much too far."""


class Turn(StrEnum):
    """What the knob should do now."""

    UP = "up"
    WAIT = "wait"
    BACK = "back"


@dataclass(frozen=True, slots=True)
class Advice:
    """What to tell whoever turns. Volts rms, volts a second."""

    turn: Turn
    target_v: float
    speed_v_per_s: float
    """How fast the line rises now; below zero: falls."""
    fastest_v_per_s: float | None
    """How fast it may rise; None where readings come too seldom for a speed to be known."""
    blind: bool = False
    """Whether to wait because a meter has no reading just now."""

    @property
    def too_fast(self) -> bool:
        """Whether the knob moves faster than these meters can protect the unit."""
        return self.fastest_v_per_s is not None and self.speed_v_per_s > self.fastest_v_per_s


@dataclass(frozen=True, slots=True)
class HandState:
    """Where a hand-turned ramp stands: on its plan, and what the line's meter read lately, as (time, volts)."""

    on_plan: RampState = field(default_factory=RampState)
    line: tuple[tuple[float, float], ...] = ()
    began_s: float | None = None
    """When it was switched on."""
    at_zero: bool = False
    """Whether the line has read dead since then for long enough to be no reading of before."""


def fastest_v_per_s(mains_v: float, blind_s: float) -> float:
    """How fast line voltage may be turned up, V/s, on a bench that takes so long from a fault to the cut."""
    return mains_v * min(UNSEEN_RISE_FRACTION / blind_s, SLEW_MOST_FRACTION_PER_S)


def follow(
    plan: Plan,
    state: HandState,
    given: RampInput,
    line_voltage_v: float | None,
    fastest: float | None,
    zero_lasts_s: float = 0.0,
) -> tuple[HandState, RampStep, Advice]:
    """One step along the plan, by what the line's meter read (None: nothing new); ``fastest`` in V/s.

    For ``zero_lasts_s`` after switching on the line must read dead: what a meter says before may be of before.
    """
    state = _noted(state, given.time_s, line_voltage_v, zero_lasts_s)
    on_plan, step = advance(plan, state.on_plan, given, _Arrival(state, plan.mains.voltage_v).moved)
    state = replace(state, on_plan=on_plan)
    stage = plan.stages[on_plan.stage_index]
    wrong = _wrongly_on(state, stage, plan.mains.voltage_v)
    if wrong:
        return state, replace(step, overdue=wrong), Advice(Turn.BACK, 0.0, 0.0, fastest)
    waits = given.blind or not state.at_zero
    turn = Turn.WAIT if waits else _turn(state, stage, plan.mains.voltage_v)
    return state, step, Advice(turn, goes_to_v(on_plan, stage), speed(state), fastest, given.blind)


def _wrongly_on(state: HandState, stage: Stage, mains_v: float) -> str:
    """Why this cannot be the ramp that was meant; empty if it can."""
    if not state.line:
        return ""
    volts = state.line[-1][1]
    if not state.at_zero and volts >= STANDS_AT_ZERO_BELOW_V:
        return f"the line was at {volts:.3g} V when it was switched on: the knob must stand at zero then"
    # Gone back, it may still be where it was.
    if volts > max(stage.line_voltage_v, state.on_plan.came_from_v) + FAR_ABOVE_FRACTION * mains_v:
        return f"the line is at {volts:.3g} V, where the plan has {stage.line_voltage_v:g} V"
    return ""


def _noted(state: HandState, time_s: float, line_voltage_v: float | None, zero_lasts_s: float) -> HandState:
    if state.began_s is None:
        state = replace(state, began_s=time_s)
    assert state.began_s is not None  # noqa: S101 - for the checker
    if line_voltage_v is None:
        return state
    # One reading older than the span is kept, so that a speed is always over the span at least.
    cut_s = time_s - SPEED_OVER_S
    first = max((k for k, pair in enumerate(state.line) if pair[0] <= cut_s), default=0)
    lasted = line_voltage_v < STANDS_AT_ZERO_BELOW_V and time_s - state.began_s >= zero_lasts_s
    return replace(
        state,
        line=(*state.line[first:], (time_s, line_voltage_v)),
        at_zero=state.at_zero or lasted,
    )


def speed(state: HandState) -> float:
    """How fast the line moves, V/s, over the last readings; zero before there are two."""
    if len(state.line) < 2:
        return 0.0
    (from_s, from_v), (to_s, to_v) = state.line[0], state.line[-1]
    return (to_v - from_v) / max(to_s - from_s, SPEED_OVER_S)


@dataclass(frozen=True, slots=True)
class _Arrival:
    """Whether a stage has been reached, by the meter."""

    state: HandState
    mains_v: float

    def moved(self, walk: RampState, stage: Stage, time_s: float) -> RampState:
        walk = replace(walk, time_s=time_s, set_voltage_v=stage.line_voltage_v)
        if not self.state.line:
            return walk
        away_v = abs(self.state.line[-1][1] - stage.line_voltage_v)
        if walk.arrived_s is None and away_v <= NEAR_FRACTION * self.mains_v:
            return replace(walk, arrived_s=time_s)
        if walk.arrived_s is not None and away_v > LEFT_FRACTION * self.mains_v:
            return replace(walk, arrived_s=None)
        return walk


def _turn(state: HandState, stage: Stage, mains_v: float) -> Turn:
    if not state.line:
        return Turn.WAIT
    above_v = state.line[-1][1] - goes_to_v(state.on_plan, stage)
    margin_v = (NEAR_FRACTION if state.on_plan.arrived_s is None else LEFT_FRACTION) * mains_v
    if above_v > margin_v:
        return Turn.BACK
    return Turn.UP if above_v < -margin_v else Turn.WAIT
