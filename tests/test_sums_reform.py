"""Reforming: the leakage let pass, the steps, and a plan that the ramp really walks."""

from __future__ import annotations

import math
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.optimize import minimize_scalar

from rampguard.ramp.plan import check_plan, load_plan
from rampguard.ramp.stepper import RampInput, RampState, RampStep, advance
from rampguard.sums.reform import (
    FedBy,
    leakage_limit_a,
    reforming,
    told_reform,
    variac_plan,
)
from rampguard.sums.told import SumError


@pytest.mark.parametrize(
    ("microfarad", "volts", "amperes"),
    [(47.0, 450.0, 211.5e-6), (10.0, 16.0, 1.6e-6), (10000.0, 63.0, 3e-3), (1000.0, 300.0, 3e-3)],
)
def test_leakage_let_pass(microfarad: float, volts: float, amperes: float) -> None:
    """0.01 C V in uA or 3 mA, whichever is less: from memory of makers' data sheets."""
    assert leakage_limit_a(microfarad, volts) == pytest.approx(amperes)


@settings(deadline=None)
@given(st.floats(0.1, 1e5), st.floats(3.0, 600.0))
def test_steps_rise_to_the_aim_and_what_is_let_pass_drops_a_tenth_at_most(microfarad: float, volts: float) -> None:
    r = reforming(microfarad, volts, volts)
    supplies = [step.supply_v for step in r.steps]
    assert supplies == sorted(supplies)
    assert supplies[-1] == volts
    assert r.steps[-1].most_drop_v <= 0.1 * volts * (1 + 1e-6)
    assert all(step.least_s >= 300.0 and step.longest_s > step.least_s for step in r.steps)
    for step in r.steps:  # what charges it is over by then, so that what is read is leakage
        charging_a = step.supply_v / r.ohm * math.exp(-step.least_s / (r.ohm * microfarad * 1e-6))
        assert charging_a < 0.2 * step.most_a


def test_the_most_that_the_capacitor_can_get() -> None:
    """Over every leakage there could be, by scipy's search."""
    r = reforming(47.0, 450.0, 450.0)
    found = minimize_scalar(lambda leak: -((450.0 / (r.ohm + leak)) ** 2) * leak, bounds=(1.0, 1e7), method="bounded")
    assert r.most_w == pytest.approx(-found.fun, rel=1e-4)
    assert r.resistor_w == pytest.approx(450.0**2 / r.ohm)


@pytest.mark.parametrize(("mains_v", "hertz"), [(230.0, 50.0), (120.0, 60.0), (100.0, 50.0)])
def test_the_plan_is_a_plan_and_does_not_hurry(tmp_path: Path, mains_v: float, hertz: float) -> None:
    (tmp_path / "plan.toml").write_text(variac_plan(mains_v, hertz).as_toml(), encoding="utf-8")
    plan = load_plan(tmp_path / "plan.toml")
    check_plan(plan, mains_v=mains_v, frequency_hz=hertz, nameplate_v=mains_v, selector_v=mains_v)
    assert plan.highest_v == pytest.approx(mains_v, abs=0.1)


def walked(grows_per_s: float) -> tuple[float, RampStep]:
    """The plan walked at five readings a second, with a current that stands still or grows."""
    plan, state, now_s = variac_plan(230.0, 50.0), RampState(), 0.0
    while True:
        current_a = 0.1 * math.exp(grows_per_s * min(now_s, 3000.0))
        state, step = advance(plan, state, RampInput(now_s, current_a, 1e-6))
        if step.finished or step.overdue:
            return now_s, step
        now_s += 0.2


def test_the_ramp_walks_it_in_the_least_time_that_was_told() -> None:
    seconds, step = walked(0.0)
    assert step.finished
    least_s = told_reform(1000.0, 63.0, fed_by=FedBy.TRANSFORMER).values["least_s"]
    assert seconds == pytest.approx(least_s, rel=0.01)


def test_a_current_that_keeps_growing_ends_it() -> None:
    seconds, step = walked(0.05)
    assert "in vain" in step.overdue
    assert seconds < 2200.0


def test_a_current_that_grows_slowly_is_not_seen_by_the_plan() -> None:
    """Which is why the sum says that the technician is to watch: half a per cent a second stands still to the ramp."""
    assert walked(0.005)[1].finished


@pytest.mark.parametrize("fed_by", [FedBy.SWITCH_MODE, FedBy.VALVE_RECTIFIER])
def test_where_the_variac_cannot_it_is_refused(fed_by: FedBy) -> None:
    with pytest.raises(SumError, match="Take the capacitor out"):
        told_reform(100.0, 450.0, fed_by=fed_by)


def test_a_plan_says_what_it_cannot_see() -> None:
    text = " ".join(told_reform(100.0, 450.0, fed_by=FedBy.TRANSFORMER).answer)
    assert "not this one. You watch it" in text
    assert "STOP" in text


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"capacitance_uf": 0.0, "rated_v": 63.0}, "capacitance_uf"),
        ({"capacitance_uf": 10.0, "rated_v": math.nan}, "rated_v"),
        ({"capacitance_uf": 10.0, "rated_v": 63.0, "to_v": 64.0}, "never reformed above"),
        ({"capacitance_uf": 10.0, "rated_v": 63.0, "resistor_ohm": -1.0}, "resistor_ohm"),
        ({"capacitance_uf": 10.0, "rated_v": 63.0, "resistor_ohm": 10.0, "fed_by": FedBy.TRANSFORMER}, "goes with"),
        ({"capacitance_uf": 10.0, "rated_v": 63.0, "mains": (400.0, 50.0), "fed_by": FedBy.TRANSFORMER}, "no mains"),
    ],
)
def test_what_cannot_be_is_refused(given: dict[str, float], said: str) -> None:
    with pytest.raises(SumError, match=said):
        told_reform(**given)  # type: ignore[arg-type]
