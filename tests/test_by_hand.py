"""A hand-turned ramp: the plan as advice, the knob's speed, and what a person who is the cut-off is told."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.roles import Position
from live_help import run_demo
from rampguard.archive.reader import read_capture
from rampguard.engine.cutoff import PERSON_FLOOR_V, PERSON_LASTS_S, OffProof, begin_proof
from rampguard.engine.supply import PERSON_S, RELAY_S, blind_s, fastest, line_gap_s
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Reading, Signal
from rampguard.ramp.by_hand import LEFT_FRACTION, NEAR_FRACTION, Advice, HandState, Turn, fastest_v_per_s, follow
from rampguard.ramp.default import default_plan
from rampguard.ramp.stepper import Pace, RampInput, RampStep, paced

PLAN = default_plan("linear-amplifier", mains_v=230.0, frequency_hz=50.0)
FASTEST = 10.0
TARGET_V = PLAN.stages[0].line_voltage_v


class Bench:
    """A ramp followed reading by reading, ten a second."""

    def __init__(self, zero_lasts_s: float = 0.0) -> None:
        self.state = HandState()
        self.now_s = 0.0
        self.zero_lasts_s = zero_lasts_s

    def read(self, volts: float | None, *, blind: bool = False) -> tuple[RampStep, Advice]:
        given_now = RampInput(self.now_s, 0.1, 0.01, blind=blind)
        self.state, step, advice = follow(PLAN, self.state, given_now, volts, FASTEST, self.zero_lasts_s)
        self.now_s += 0.1
        return step, advice

    def pace(self, pace: Pace, at_v: float) -> None:
        on_plan, why_not = paced(PLAN, self.state.on_plan, pace, at_v=at_v)
        assert why_not == ""
        self.state = replace(self.state, on_plan=on_plan)


def test_it_says_up_then_wait_then_goes_on_to_the_next_stage() -> None:
    bench = Bench()
    step, advice = bench.read(0.0)
    assert step.stage_began
    assert (advice.turn, advice.target_v) == (Turn.UP, TARGET_V)
    for volts in (2.0, 3.0):
        assert bench.read(volts)[1].turn is Turn.UP
    began = [bench.read(TARGET_V) for _ in range(40)]
    assert began[0][1].turn is Turn.WAIT
    assert [step.stage.name for step, _ in began if step.stage_began] == [PLAN.stages[1].name]
    assert began[-1][1] == replace(began[-1][1], turn=Turn.UP, target_v=PLAN.stages[1].line_voltage_v)


def test_it_says_back_when_the_knob_went_too_far_and_forgets_that_it_was_there_when_it_left() -> None:
    bench = Bench()
    bench.read(0.0)
    bench.read(TARGET_V)
    assert bench.state.on_plan.arrived_s is not None
    assert bench.read(TARGET_V + 0.9 * LEFT_FRACTION * 230.0)[1].turn is Turn.WAIT
    assert bench.read(TARGET_V + 1.1 * LEFT_FRACTION * 230.0)[1].turn is Turn.BACK
    assert bench.state.on_plan.arrived_s is None


def test_the_speed_is_taken_over_half_a_second() -> None:
    bench = Bench()
    advices = [bench.read(2.0 * k)[1] for k in range(10)]  # 20 V/s
    assert advices[-1].speed_v_per_s == pytest.approx(20.0)
    assert advices[-1].too_fast
    jerk = Bench()
    jerk.read(0.0)
    assert jerk.read(2.0)[1].speed_v_per_s == pytest.approx(4.0)


def test_without_a_reading_it_says_wait() -> None:
    bench = Bench()
    bench.read(0.0)
    _, advice = bench.read(None, blind=True)
    assert (advice.turn, advice.blind) == (Turn.WAIT, True)


def test_a_knob_that_was_not_at_zero_ends_the_run_at_the_first_reading() -> None:
    bench = Bench()
    assert not bench.read(None)[0].overdue
    step, advice = bench.read(57.0)
    assert "57 V when it was switched on" in step.overdue
    assert advice.turn is Turn.BACK


def test_a_reading_of_before_the_contactor_closed_is_not_taken_for_a_knob_at_zero() -> None:
    bench = Bench(zero_lasts_s=1.0)
    for _ in range(3):
        step, advice = bench.read(0.0)
        assert (step.overdue, advice.turn) == ("", Turn.WAIT)
    assert "230 V when it was switched on" in bench.read(230.0)[0].overdue
    patient = Bench(zero_lasts_s=1.0)
    turns = [patient.read(0.0)[1].turn for _ in range(13)]
    assert turns[:9] == [Turn.WAIT] * 9
    assert turns[-1] is Turn.UP


def test_a_line_far_above_the_plan_ends_the_run() -> None:
    """Where nothing but a person cuts, they may switch on, after the first readings, with the knob turned up."""
    bench = Bench()
    bench.read(0.0)
    assert not bench.read(TARGET_V + 0.09 * 230.0)[0].overdue
    assert "where the plan has 6.9 V" in bench.read(TARGET_V + 0.11 * 230.0)[0].overdue


@settings(max_examples=200, deadline=None)
@given(st.lists(st.one_of(st.none(), st.floats(0.0, 260.0)), max_size=60))
def test_whatever_the_knob_does_a_stage_ends_only_where_it_should_be(volts: list[float | None]) -> None:
    bench, last_v, index = Bench(), 0.0, 0
    bench.read(0.0)
    for value in volts:
        last_v = last_v if value is None else value
        bench.read(value)
        now = bench.state.on_plan
        assert now.stage_index in (index, index + 1)
        if now.stage_index == index + 1:
            assert abs(last_v - PLAN.stages[index].line_voltage_v) <= LEFT_FRACTION * 230.0
        if now.arrived_s is not None and now.arrived_s == now.time_s:
            assert abs(last_v - PLAN.stages[now.stage_index].line_voltage_v) <= NEAR_FRACTION * 230.0
        index = now.stage_index


# -- how fast it may be turned ----------------------------------------------------------------------------------------


class Meter:
    """A meter of the line."""

    name = "meter"
    signals: tuple[Signal, ...] = (LINE_VOLTAGE, LINE_CURRENT)
    position = Position.AFTER_CUT_OFF

    def __init__(self, measuring_time_s: float, range_change_s: float = 0.0) -> None:
        self.measuring_time_s = measuring_time_s
        self.range_change_s = range_change_s

    def read(self) -> list[Reading]:
        """Nothing."""
        return []


def test_the_slowest_meter_and_a_person_decide_how_fast() -> None:
    quick, slow = Meter(0.1), Meter(0.35, 0.7)
    assert blind_s([quick], person=False) == pytest.approx(0.2 + RELAY_S)
    assert blind_s([quick, slow], person=True) == pytest.approx(1.4 + PERSON_S)
    assert fastest(230.0, [quick, slow], person=True) == pytest.approx(0.04 * 230.0 / 2.4)
    assert fastest_v_per_s(230.0, 0.01) == pytest.approx(0.2 * 230.0)  # no faster than any plan


def test_three_ranges_may_be_changed_on_end_before_silence_is_a_fault() -> None:
    """An autoranging meter at two readings a second, silent at 0.5 s, is ready at 1.2, asked at 1.5; thrice: 3.5 s."""
    assert line_gap_s([Meter(0.1)]) == pytest.approx(0.2)
    assert line_gap_s([Meter(0.1), Meter(0.5, 0.7)]) == pytest.approx(4.1)
    assert blind_s([Meter(0.5, 0.7)], person=False) == pytest.approx(1.7 + RELAY_S)


# -- a person as the cut-off ------------------------------------------------------------------------------------------


def _read(proof: OffProof, volts: float, time_s: float) -> OffProof:
    return proof.with_reading(Reading(LINE_VOLTAGE, volts, time_s, time_s, bound=0.1, instrument="meter"))


def test_a_trip_below_the_floor_is_no_proof_of_off_where_nothing_reads_back() -> None:
    proof = begin_proof(5.0, 10.0, [Meter(0.1)], by_person=True)
    for k in range(30):
        proof = _read(proof, 3.8, 11.0 + 0.1 * k)
    assert not proof.proven
    proof = _read(proof, 0.2, 15.0)
    assert not proof.proven, "a knob on its way back passes through"
    proof = _read(proof, 0.2, 15.0 + PERSON_LASTS_S)
    assert proof.proven
    assert "the only proof there is" in proof.by[0]
    assert not _read(proof, PERSON_FLOOR_V, 17.0).proven


@pytest.mark.parametrize(
    ("more", "kind"),
    [
        (("--hand",), "hand-turned variac, cut by a relay"),
        (("--no-relay",), "hand-turned variac, a person is the cut-off"),
        (("--hand", "--meters", "handheld"), "hand-turned variac, cut by a relay"),
    ],
    ids=["relay", "person", "handhelds"],
)
def test_a_healthy_and_a_shorted_amplifier_turned_up_by_hand(tmp_path: Path, more: tuple[str, ...], kind: str) -> None:
    code, said, story = run_demo(tmp_path, "healthy-amplifier", 1, "1000", *more)
    assert (code, said["outcome"]) == (0, "passed"), story
    assert said["max_line_voltage_v"] > 220.0
    assert "turn up to 230 V, slowly" in story
    capture = read_capture(Path(said["capture"]))
    assert capture.descriptor["bench_kind"] == kind
    assert all(row.set_voltage_v is None for row in capture.rows())

    code, said, story = run_demo(tmp_path, "shorted-output", 1, "1000", *more)
    assert (code, said["outcome"]) == (3, "tripped"), story
    assert said["trip"]["line_voltage_v"] < 0.1 * 230.0
    by_person = "--no-relay" in more
    assert ("SWITCH OFF NOW" in story) == by_person
    assert ("the only proof there is" in " ".join(said["off"]["by"])) == by_person


def test_the_same_seed_turns_the_same_way(tmp_path: Path) -> None:
    files = []
    for name in ("a", "b"):
        _, said, _ = run_demo(tmp_path / name, "shorted-output", 5, "1000", "--no-relay")
        files.append((Path(said["capture"]) / "readings.csv").read_bytes())
    assert files[0] == files[1]


def test_nobody_guards_a_person_and_the_capture_says_so(tmp_path: Path) -> None:
    """While live, its process ids name no watchdog; at the end the result says by what off was proven."""
    _, said, _ = run_demo(tmp_path, "shorted-output", 2, "1000", "--no-relay")
    described = json.loads((Path(said["capture"]) / "datapackage.json").read_text(encoding="utf-8"))
    assert described["result"]["off"]["by"] == said["off"]["by"]
    assert len(said["off"]["by"]) == 1


def test_paused_it_says_wait_and_gone_back_it_says_back_without_calling_that_wrong() -> None:
    bench = Bench()
    for volts in (0.0, TARGET_V):
        bench.read(volts)
    while bench.state.on_plan.stage_index < 4:
        bench.read(PLAN.stages[bench.state.on_plan.stage_index].line_voltage_v)
    on_the_way_v = 0.5 * (PLAN.stages[3].line_voltage_v + PLAN.stages[4].line_voltage_v)
    bench.read(on_the_way_v)
    bench.pace(Pace.PAUSE, on_the_way_v)
    assert bench.read(on_the_way_v)[1].turn is Turn.WAIT
    bench.pace(Pace.BACK, on_the_way_v)
    step, advice = bench.read(on_the_way_v)
    assert (advice.turn, advice.target_v, step.overdue) == (Turn.BACK, PLAN.stages[3].line_voltage_v, "")
    for _ in range(60):
        step, advice = bench.read(PLAN.stages[3].line_voltage_v)
    assert (advice.turn, step.stage, step.overdue) == (Turn.WAIT, PLAN.stages[3], "")
    bench.pace(Pace.RESUME, PLAN.stages[3].line_voltage_v)
    for _ in range(60):
        step, advice = bench.read(PLAN.stages[3].line_voltage_v)
    assert (advice.turn, step.stage) == (Turn.UP, PLAN.stages[4])
