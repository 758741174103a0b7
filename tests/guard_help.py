"""Observations and limits for tests of the guard."""

from __future__ import annotations

from rampguard.guard.decision import Decision, Observation
from rampguard.guard.judge import GuardState, judge
from rampguard.guard.limits import Limits
from rampguard.quantities import (
    LINE_CURRENT,
    LINE_VOLTAGE,
    REAL_POWER,
    Quantity,
    Reading,
    Signal,
    Validity,
)

OFFSET = Signal(Quantity.DC_OFFSET, "left")
EMITTER = Signal(Quantity.EMITTER_RESISTOR, "left")
RAIL_PLUS = Signal(Quantity.RAIL, "plus")
RAIL_MINUS = Signal(Quantity.RAIL, "minus")
HEATSINK = Signal(Quantity.TEMPERATURE, "heat-sink")

LIMITS = Limits(
    line_voltage_v=253.0,
    line_current_a=1.0,
    real_power_w=150.0,
    emitter_resistor_v=0.1,
    rail_v=60.0,
    rail_difference_v=5.0,
    temperature_degc=80.0,
    dc_offset_v=1.0,
    overshoot_v=11.5,
    current_rise_a=0.35,
    current_rise_a_per_s=0.5,
    power_rise_w=50.0,
    power_rise_w_per_s=75.0,
    no_current_from_v=23.0,
    no_current_a=0.001,
    current_seen_by_v=92.0,
    offset_from_line_v=92.0,
)


def reading(signal: Signal, value: float | None, *, bound: float = 0.0, validity: Validity | None = None) -> Reading:
    if validity is None:
        validity = Validity.VALID if value is not None else Validity.MISSING
    return Reading(signal, value, 0.0, 0.0, validity, bound)


def line(
    time_s: float,
    v: float | None,
    a: float | None,
    w: float | None = None,
    *others: Reading,
    set_v: float | None = None,
    event: str = "",
    bound: float = 0.0,
) -> Observation:
    readings = [reading(LINE_VOLTAGE, v), reading(LINE_CURRENT, a, bound=bound)]
    if w is not None:
        readings.append(reading(REAL_POWER, w))
    return Observation(time_s, (*readings, *others), set_v, event)


def run(observations: list[Observation], limits: Limits = LIMITS) -> list[Decision]:
    state, decisions = GuardState(), []
    for observation in observations:
        state, decision = judge(state, limits, observation)
        decisions.append(decision)
    return decisions


def last(*observations: Observation, limits: Limits = LIMITS) -> Decision:
    return run(list(observations), limits)[-1]
