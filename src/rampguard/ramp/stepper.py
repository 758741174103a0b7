"""Walks a plan: time and readings in, the next set-point out. Pure."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, replace
from enum import StrEnum

from rampguard.ramp.plan import Plan, Stage

STEADY_SPAN_S = 1.0
"""Current counts as steady when it has stayed within `STEADY_FRACTION` (or the meter's noise) for so long."""
STEADY_FRACTION = 0.03
PAUSE_MOST_S = 300.0
"""A ramp may be paused so long, or as long as its stage may last; common practice, no source. An inrush resistor that
is not bypassed below full line heats all the while."""


@dataclass(frozen=True, slots=True)
class RampState:
    """Where on the plan the ramp stands. ``arrived_s`` is when the stage's voltage was reached, None on the way."""

    stage_index: int = 0
    set_voltage_v: float = 0.0
    time_s: float | None = None
    arrived_s: float | None = None
    power_pressed: bool = False
    currents: tuple[tuple[float, float], ...] = ()
    """(time, line current) of the last second or so, newest last."""
    paused_s: float | None = None
    """Since when it stands still, and no stage ends by itself; None while it does not."""
    stays_at_v: float | None = None
    """Paused on the way between two stages: where; None where it goes to its stage's line voltage."""
    came_from_v: float = 0.0
    """Gone back: the line voltage of the stage that was left."""


@dataclass(frozen=True, slots=True)
class RampInput:
    """What the ramp looks at: bench time, the newest line current (None if none is new) and its meter's bound, in A."""

    time_s: float
    line_current_a: float | None = None
    current_bound_a: float = 0.0
    power_pressed: bool = False
    blind: bool = False
    """Whether a meter of the line has no reading just now."""


@dataclass(frozen=True, slots=True)
class RampStep:
    """What to do now. ``overdue`` says why a stage that should have ended has not; empty mostly."""

    set_voltage_v: float
    stage: Stage
    stage_began: bool = False
    finished: bool = False
    overdue: str = ""


class Pace(StrEnum):
    """What an operator may ask of a ramp."""

    PAUSE = "pause"
    """Stand still, here."""
    RESUME = "resume"
    STEP = "step"
    """Go to the next stage, and stand still there."""
    BACK = "back"
    """Go back to the stage before, and stand still there."""


def goes_to_v(state: RampState, stage: Stage) -> float:
    """Where line voltage is to go now, volts rms."""
    return stage.line_voltage_v if state.stays_at_v is None else state.stays_at_v


def paced(plan: Plan, state: RampState, pace: Pace, *, at_v: float) -> tuple[RampState, str]:
    """The ramp as the operator wants it, the line being at ``at_v``; and why not, where it cannot be done."""
    now_s, stage = state.time_s or 0.0, plan.stages[state.stage_index]
    if pace is Pace.PAUSE:
        if state.paused_s is not None:
            return state, "the ramp is paused already"
        on_the_way = state.arrived_s is None
        return replace(state, paused_s=now_s, stays_at_v=at_v if on_the_way else None), ""
    if pace is Pace.RESUME:
        if state.paused_s is None:
            return state, "the ramp is not paused"
        # The stage's hold begins anew; what was steady while paused is so still.
        return replace(state, paused_s=None, stays_at_v=None, arrived_s=None), ""
    if pace is Pace.STEP:
        if stage.ends_when == "power-pressed" and not state.power_pressed:
            return state, "this stage ends when power is pressed"
        if state.stays_at_v is None:  # else the step is to the stage that it was on the way to
            if state.stage_index + 1 == len(plan.stages):
                return state, "this is the last stage"
            state = replace(state, stage_index=state.stage_index + 1)
    elif state.stage_index == 0:
        return state, "this is the first stage; off is the way further down"
    else:
        state = replace(state, stage_index=state.stage_index - 1, came_from_v=max(at_v, stage.line_voltage_v))
    return replace(state, paused_s=now_s, stays_at_v=None, arrived_s=None, currents=()), ""


Moved = Callable[[RampState, Stage, float], RampState]
"""How line voltage has moved by a time, in s, and whether the stage has been reached."""


def driven(state: RampState, stage: Stage, time_s: float) -> RampState:
    """By a source: the set-point never moves faster than the stage's slew."""
    elapsed_s = 0.0 if state.time_s is None else time_s - state.time_s
    most_v, to_v = stage.slew_v_per_s * elapsed_s, goes_to_v(state, stage)
    away_v = to_v - state.set_voltage_v
    moved_v = max(-most_v, min(most_v, away_v))
    set_voltage_v = to_v if abs(away_v) <= most_v else state.set_voltage_v + moved_v
    arrived_s = state.arrived_s
    if arrived_s is None and set_voltage_v == stage.line_voltage_v:
        arrived_s = time_s
    return replace(state, set_voltage_v=set_voltage_v, arrived_s=arrived_s, time_s=time_s)


def advance(plan: Plan, state: RampState, given: RampInput, moved: Moved = driven) -> tuple[RampState, RampStep]:
    """One step along the plan."""
    began = state.time_s is None
    state = _note(state, given)
    stage = plan.stages[state.stage_index]
    state = moved(state, stage, given.time_s)
    if state.paused_s is not None:
        paused_s = given.time_s - state.paused_s
        most_s = max(PAUSE_MOST_S, stage.timeout_s)
        overdue = f"paused for {paused_s:.0f} s in stage {stage.name!r}, longer than the {most_s:g} s it may be"
        return state, RampStep(state.set_voltage_v, stage, began, overdue=overdue if paused_s > most_s else "")
    if state.arrived_s is None or given.time_s - state.arrived_s < stage.hold_s:
        return state, RampStep(state.set_voltage_v, stage, stage_began=began)
    if _ended(state, stage, given):
        return _next(plan, state, stage)
    overdue = ""
    if given.time_s - state.arrived_s > stage.timeout_s:
        overdue = _overdue(stage)
    return state, RampStep(state.set_voltage_v, stage, stage_began=began, overdue=overdue)


def _note(state: RampState, given: RampInput) -> RampState:
    currents = state.currents
    if given.line_current_a is not None:
        # One reading older than the span is kept, so that "steady for a second" is known to span a second.
        cut_s = given.time_s - STEADY_SPAN_S
        first = max((i for i, pair in enumerate(currents) if pair[0] <= cut_s), default=0)
        currents = (*currents[first:], (given.time_s, given.line_current_a))
    pressed = state.power_pressed or given.power_pressed
    return replace(state, currents=currents, power_pressed=pressed)


def _ended(state: RampState, stage: Stage, given: RampInput) -> bool:
    if stage.ends_when == "power-pressed" and not state.power_pressed:
        return False
    return stage.ends_when == "held" or _steady(state, given)


def _steady(state: RampState, given: RampInput) -> bool:
    if not state.currents or given.time_s - state.currents[0][0] < STEADY_SPAN_S:
        return False
    values = [value for _, value in state.currents]
    spread, size = max(values) - min(values), abs(values[-1])
    return spread <= max(STEADY_FRACTION * size, given.current_bound_a)


def _overdue(stage: Stage) -> str:
    wanted = {
        "held": "its hold to end",
        "current-steady": "the current to settle",
        "power-pressed": "power to be pressed and the current to settle",
    }[stage.ends_when]
    return f"stage {stage.name!r} waited {stage.timeout_s:g} s in vain for {wanted}"


def _next(plan: Plan, state: RampState, stage: Stage) -> tuple[RampState, RampStep]:
    if state.stage_index + 1 == len(plan.stages):
        return state, RampStep(state.set_voltage_v, stage, finished=True)
    state = replace(state, stage_index=state.stage_index + 1, arrived_s=None, currents=())
    return state, RampStep(state.set_voltage_v, plan.stages[state.stage_index], stage_began=True)
