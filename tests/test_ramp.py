"""Plans and the stepper: what is refused, and that the set-point never hurries."""

from __future__ import annotations

import itertools
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.loads.classes import LOAD_CLASSES, UnknownLoadClass, load_class
from rampguard.ramp.default import default_plan
from rampguard.ramp.plan import MAINS_VOLTAGES_V, Plan, PlanError, check_plan, load_plan
from rampguard.ramp.stepper import PAUSE_MOST_S, Pace, RampInput, RampState, RampStep, advance, paced

GOOD = default_plan("linear-amplifier", mains_v=230.0, frequency_hz=50.0)


def _check(plan: Plan, **changed: float) -> None:
    given_ = {"mains_v": 230.0, "frequency_hz": 50.0, "nameplate_v": 230.0, "selector_v": 230.0} | changed
    check_plan(plan, **given_)


def _write(tmp_path: Path, text: str) -> Path:
    path = tmp_path / "plan.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize("name", LOAD_CLASSES)
@pytest.mark.parametrize("mains_v", MAINS_VOLTAGES_V)
@pytest.mark.parametrize("frequency_hz", [50.0, 60.0])
def test_every_default_plan_passes_its_own_rules_and_survives_its_file(
    name: str, mains_v: float, frequency_hz: float, tmp_path: Path
) -> None:
    fraction = load_class(name).press_power_at_fraction
    plan = default_plan(name, mains_v=mains_v, frequency_hz=frequency_hz, press_power_at_fraction=fraction)
    _check(plan, mains_v=mains_v, frequency_hz=frequency_hz, nameplate_v=mains_v, selector_v=mains_v)
    assert plan.highest_v == mains_v
    assert load_plan(_write(tmp_path, plan.as_toml())) == plan
    pressed = [stage for stage in plan.stages if stage.ends_when == "power-pressed"]
    assert len(pressed) == (0 if fraction is None else 1)


@pytest.mark.parametrize("fraction", [0.7, 0.75, 1.0])
def test_power_is_pressed_where_it_is_asked_for(fraction: float) -> None:
    plan = default_plan("receiver", mains_v=230.0, frequency_hz=50.0, press_power_at_fraction=fraction)
    names = [stage.name for stage in plan.stages]
    at = names.index("press power")
    assert plan.stages[at].line_voltage_v == plan.stages[at - 1].line_voltage_v == round(fraction * 230.0, 1)
    assert [stage.line_voltage_v for stage in plan.stages] == sorted(stage.line_voltage_v for stage in plan.stages)
    _check(plan, mains_v=230.0, frequency_hz=50.0, nameplate_v=230.0, selector_v=230.0)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("hold_s = 2.0|hold_secs = 2.0", "stages.1.hold_secs: unknown key"),
        ("hold_s = 2.0|hold_s = '2 s'", "stages.1.hold_s: '2 s' is not a number"),
        ("hold_s = 2.0|hold_s = nan", "stages.1.hold_s"),
        ("hold_s = 2.0|hold_s = -1.0", "stages.1.hold_s"),
        ("timeout_s = 32.0|timeout_s = 1.0", "must be longer than hold_s"),
        ("frequency_hz = 50.0|frequency_hz = 400.0", "mains.frequency_hz"),
        ("format = 1|format = 2", "format"),
        ('title = "linear|tite = "linear', "title: missing"),
        ("[mains]|[mains", "is not TOML"),
    ],
)
def test_a_bad_plan_file_is_refused_by_key(tmp_path: Path, change: str, says: str) -> None:
    old, new = change.split("|")
    assert old in GOOD.as_toml()
    path = _write(tmp_path, GOOD.as_toml().replace(old, new, 1))
    with pytest.raises(PlanError) as refused:
        load_plan(path)
    assert says in str(refused.value)
    assert str(path) in str(refused.value)


def test_a_missing_plan_file_is_refused(tmp_path: Path) -> None:
    with pytest.raises(PlanError, match="cannot be read"):
        load_plan(tmp_path / "none.toml")


@pytest.mark.parametrize(
    ("changed", "says"),
    [
        ({"nameplate_v": 120.0}, "nameplate says 120 V"),
        ({"selector_v": 115.0}, "selector stands at 115 V"),
        ({"mains_v": 120.0}, "the bench has 120 V"),
        ({"frequency_hz": 60.0}, "the bench has 60 Hz"),
    ],
)
def test_mains_selector_and_nameplate_must_agree(changed: dict[str, float], says: str) -> None:
    with pytest.raises(PlanError, match=says):
        _check(GOOD, **changed)


def test_240_v_units_run_on_230_v() -> None:
    _check(GOOD, nameplate_v=240.0, selector_v=240.0)


def _plan(*stages: tuple[float, float]) -> Plan:
    table = {
        "format": 1,
        "title": "test",
        "mains": {"voltage_v": 230.0, "frequency_hz": 50.0},
        "stages": [
            {"name": f"s{i}", "line_voltage_v": v, "slew_v_per_s": slew, "hold_s": 1.0, "timeout_s": 5.0}
            for i, (v, slew) in enumerate(stages)
        ],
    }
    return Plan.model_validate(table)


def test_a_plan_that_jumps_to_full_line_is_refused() -> None:
    with pytest.raises(PlanError, match="jumps from 0 V to 230 V"):
        _check(_plan((230.0, 10.0)))


def test_a_big_step_and_a_fast_slew_are_refused_together() -> None:
    with pytest.raises(PlanError) as refused:
        _check(_plan((20.0, 47.0), (80.0, 10.0)))
    assert len(refused.value.problems) == 2


def test_a_plan_above_the_nameplate_and_its_tolerance_is_refused() -> None:
    rising = [(float(v), 10.0) for v in range(20, 254, 20)]
    _check(_plan(*rising, (253.0, 10.0)))
    with pytest.raises(PlanError, match="above the nameplate"):
        _check(_plan(*rising, (254.0, 10.0)))


def test_unknown_and_phase_controlled_classes_are_refused() -> None:
    with pytest.raises(UnknownLoadClass, match="choose from"):
        load_class("toaster")
    with pytest.raises(UnknownLoadClass, match="does not belong on a variac"):
        load_class("phase-controlled")


def _walk(
    plan: Plan, current_a: float = 0.1, until_s: float = 400.0, dt_s: float = 0.1
) -> list[tuple[float, RampStep]]:
    state, steps, time_s = RampState(), [], 0.0
    while time_s < until_s:
        state, step = advance(plan, state, RampInput(time_s, current_a))
        steps.append((time_s, step))
        if step.finished or step.overdue:
            break
        time_s += dt_s
    return steps


def test_the_default_plan_is_walked_to_its_end_through_every_stage() -> None:
    steps = _walk(GOOD)
    assert steps[-1][1].finished
    assert steps[-1][1].set_voltage_v == 230.0
    began = [step.stage.name for _, step in steps if step.stage_began]
    assert began == [stage.name for stage in GOOD.stages]


@given(st.floats(0.01, 0.5))
@settings(max_examples=30, deadline=None)
def test_the_set_point_never_moves_faster_than_its_slew(dt_s: float) -> None:
    steps = _walk(GOOD, dt_s=dt_s)
    for (t0, a), (t1, b) in itertools.pairwise(steps):
        assert b.set_voltage_v - a.set_voltage_v <= a.stage.slew_v_per_s * (t1 - t0) * (1 + 1e-9) or b.stage_began
        assert b.set_voltage_v <= max(a.stage.line_voltage_v, b.stage.line_voltage_v)


def test_each_stage_is_held_for_its_time() -> None:
    steps = _walk(GOOD)
    for stage in GOOD.stages:
        there = [t for t, step in steps if step.stage is stage and step.set_voltage_v == stage.line_voltage_v]
        assert there[-1] - there[0] >= stage.hold_s - 0.1 - 1e-6  # the step that ends it already belongs to the next


def test_a_current_that_does_not_settle_ends_in_overdue() -> None:
    state, time_s, step = RampState(), 0.0, None
    while step is None or not step.overdue:
        state, step = advance(GOOD, state, RampInput(time_s, 0.1 + 0.05 * (int(time_s * 10) % 2)))
        time_s += 0.1
        assert time_s < 60.0
    assert "waited 32 s in vain for the current to settle" in step.overdue


def test_no_readings_at_all_is_not_steady() -> None:
    state, time_s, step = RampState(), 0.0, None
    while step is None or not step.overdue:
        state, step = advance(GOOD, state, RampInput(time_s, None))
        time_s += 0.1
        assert time_s < 60.0
        assert state.stage_index == 0


def test_a_stage_waits_for_power_to_be_pressed() -> None:
    plan = default_plan("receiver", mains_v=230.0, frequency_hz=50.0, press_power_at_fraction=0.7)
    assert "in vain for power to be pressed" in _walk(plan)[-1][1].overdue
    state, time_s, step = RampState(), 0.0, None
    while step is None or not step.finished:
        waiting = step is not None and step.stage.ends_when == "power-pressed"
        state, step = advance(plan, state, RampInput(time_s, 0.1, power_pressed=waiting))
        assert not step.overdue
        time_s += 0.1


# -- paced by the operator ---------------------------------------------------------------------------------------------


class Driven:
    """A ramp walked ten times a second, at a current that is steady."""

    def __init__(self, plan: Plan = GOOD) -> None:
        self.plan = plan
        self.state = RampState()
        self.now_s = 0.0

    def walk(self, for_s: float) -> list[RampStep]:
        steps = []
        for _ in range(round(for_s / 0.1)):
            self.state, step = advance(self.plan, self.state, RampInput(self.now_s, 0.1, 0.01))
            steps.append(step)
            self.now_s += 0.1
        return steps

    def pace(self, pace: Pace) -> str:
        self.state, why_not = paced(self.plan, self.state, pace, at_v=self.state.set_voltage_v)
        return why_not

    def until_stage(self, index: int) -> None:
        for _ in range(3000):
            if self.state.stage_index == index:
                return
            self.walk(0.1)
        raise AssertionError(index)


def test_a_paused_ramp_stands_where_it_is_until_it_is_resumed() -> None:
    ramp = Driven()
    ramp.until_stage(3)
    ramp.walk(0.3)
    assert ramp.state.arrived_s is None
    at_v = ramp.state.set_voltage_v
    assert ramp.pace(Pace.PAUSE) == ""
    steps = ramp.walk(20.0)
    assert {step.set_voltage_v for step in steps} == {at_v}
    assert not any(step.stage_began or step.overdue for step in steps)
    assert "paused already" in ramp.pace(Pace.PAUSE)
    assert ramp.pace(Pace.RESUME) == ""
    ramp.until_stage(4)
    assert "not paused" in ramp.pace(Pace.RESUME)


def test_a_step_and_a_step_back_go_one_stage_each_no_faster_than_the_plan_and_stand_still_there() -> None:
    ramp = Driven()
    ramp.until_stage(3)
    assert ramp.pace(Pace.BACK) == ""
    steps = ramp.walk(30.0)
    assert steps[-1].set_voltage_v == GOOD.stages[2].line_voltage_v
    assert ramp.pace(Pace.STEP) == ""
    assert ramp.pace(Pace.STEP) == ""
    steps += ramp.walk(30.0)
    assert steps[-1].set_voltage_v == GOOD.stages[4].line_voltage_v
    most_v = max(stage.slew_v_per_s for stage in GOOD.stages) * 0.1
    assert all(abs(b.set_voltage_v - a.set_voltage_v) <= most_v + 1e-9 for a, b in itertools.pairwise(steps))


def test_a_step_from_between_two_stages_goes_to_the_next_of_them() -> None:
    ramp = Driven()
    ramp.until_stage(3)
    ramp.walk(0.3)
    ramp.pace(Pace.PAUSE)
    assert ramp.pace(Pace.STEP) == ""
    assert ramp.walk(10.0)[-1].set_voltage_v == GOOD.stages[3].line_voltage_v


def test_no_step_goes_over_a_press_of_power_nor_past_either_end() -> None:
    plan = default_plan("receiver", mains_v=230.0, frequency_hz=50.0, press_power_at_fraction=0.7)
    ramp = Driven(plan)
    assert "first stage" in ramp.pace(Pace.BACK)
    for _ in plan.stages:
        why_not = ramp.pace(Pace.STEP)
        if why_not:
            break
        ramp.walk(20.0)
    assert "power is pressed" in why_not
    assert plan.stages[ramp.state.stage_index].name == "press power"
    ramp = Driven()
    while not (why_not := ramp.pace(Pace.STEP)):
        ramp.walk(20.0)
    assert "last stage" in why_not
    assert ramp.state.set_voltage_v == GOOD.highest_v


def test_a_ramp_that_is_left_paused_is_overdue() -> None:
    ramp = Driven()
    ramp.until_stage(2)
    ramp.pace(Pace.PAUSE)
    assert not any(step.overdue for step in ramp.walk(PAUSE_MOST_S - 1.0))
    assert "paused for 30" in ramp.walk(2.0)[-1].overdue


@given(st.lists(st.tuples(st.sampled_from(list(Pace)), st.floats(0.1, 8.0)), max_size=25))
@settings(max_examples=60, deadline=None)
def test_however_it_is_paced_the_set_point_never_hurries_nor_passes_its_plan(told: list[tuple[Pace, float]]) -> None:
    ramp, volts = Driven(), [0.0]
    for pace, for_s in told:
        ramp.pace(pace)
        volts += [step.set_voltage_v for step in ramp.walk(for_s)]
    most_v = max(stage.slew_v_per_s for stage in GOOD.stages) * 0.1
    assert all(abs(b - a) <= most_v + 1e-9 for a, b in itertools.pairwise(volts))
    assert 0.0 <= min(volts) <= max(volts) <= GOOD.highest_v
