"""Layer 2: excess over the expected band accumulates and drains; expectations are plain numbers made here."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.guard.band import BandMemory, weigh
from rampguard.guard.decision import Finding, Layer, Observation, Severity
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Bounds, Expectation, Reading, Signal

LIMITS = Limits(line_voltage_v=253.0)
BAND = Expectation(Bounds(0.1, 0.2), Bounds(5.0, 20.0))


def _read(signal: Signal, value: float, time_s: float, bound: float = 1e-6) -> Reading:
    return Reading(signal, value, time_s, time_s, bound=bound)


def _weigh(
    values: list[float], *, every_s: float = 0.2, expectation: Expectation = BAND, bound: float = 1e-6
) -> tuple[list[Severity], BandMemory, list[Finding]]:
    """The worst severity at each of these currents, in A, one after the other."""
    memory, worst, said = BandMemory(), [], []
    for k, value in enumerate(values):
        observation = Observation(k * every_s, (_read(LINE_CURRENT, value, k * every_s, bound),))
        memory, findings = weigh(memory, LIMITS, observation, expectation)
        worst.append(max((f.severity for f in findings), default=Severity.SAFE))
        said += findings
    return worst, memory, said


def test_one_wild_reading_warns_and_two_trip() -> None:
    worst, _, said = _weigh([0.15, 0.22, 0.15, 0.15, 0.22])
    assert worst == [Severity.SAFE, Severity.WARN, Severity.SAFE, Severity.SAFE, Severity.WARN]
    worst, _, said = _weigh([0.15, 0.22, 0.22])
    assert worst[-1] is Severity.TRIP
    assert said[-1].layer is Layer.BAND
    assert "line current 0.22 A" in said[-1].reason
    assert "0.2 A at most" in said[-1].reason


def test_one_reading_far_above_trips() -> None:
    assert _weigh([0.31])[0] == [Severity.TRIP]


def test_excess_drains() -> None:
    """Half an excess is gone after half of `band_drain_s`."""
    quiet = [0.15] * 11
    _, memory, _ = _weigh([0.22, *quiet])
    assert memory.excess == 0.0
    assert _weigh([0.22, *quiet, 0.22])[0][-1] is Severity.WARN


def test_fast_readings_add_in_proportion_to_their_time() -> None:
    """At fifty a second, two readings are no more than a fortieth of a second's news; ten are enough."""
    worst, _, _ = _weigh([0.22] * 12, every_s=0.02)
    assert worst[1] is Severity.WARN
    assert worst[-1] is Severity.TRIP
    assert _weigh([0.22] * 2, every_s=0.5)[0][-1] is Severity.TRIP


def test_what_the_meter_may_be_wrong_by_is_no_excess() -> None:
    assert _weigh([0.22, 0.22], bound=0.03)[0] == [Severity.SAFE] * 2
    # A meter that states nothing is taken for one of 1 %.
    assert _weigh([0.2015] * 3, bound=0.0)[0] == [Severity.SAFE] * 3
    assert _weigh([0.2015] * 3)[0][-1] is Severity.TRIP


def test_too_little_warns_once_it_lasts_and_never_trips() -> None:
    worst, _, said = _weigh([0.05] * 40)
    assert worst[14] is Severity.SAFE
    assert worst[16] is Severity.WARN
    assert Severity.TRIP not in worst
    assert "below what a healthy unit" in said[0].reason
    assert _weigh([0.05, 0.05, 0.15] * 20)[0] == [Severity.SAFE] * 60


def test_power_is_weighed_beside_current() -> None:
    observation = Observation(0.0, (_read(LINE_CURRENT, 0.15, 0.0), _read(REAL_POWER, 31.0, 0.0)))
    _, findings = weigh(BandMemory(), LIMITS, observation, BAND)
    assert [f.severity for f in findings] == [Severity.TRIP]
    assert "real power 31 W" in findings[0].reason


def test_what_is_not_expected_is_not_evaluated() -> None:
    worst, _, said = _weigh([9.0], expectation=Expectation(why_not="an event"))
    assert worst == [Severity.NOT_EVALUATED]
    assert said[0].reason == "band: an event"


def test_an_event_may_cost_its_budget_and_no_more() -> None:
    within = Expectation(why_not="an event", event_budget_j=100.0, event_j=99.0)
    assert _weigh([9.0], expectation=within)[0] == [Severity.NOT_EVALUATED]
    beyond = Expectation(why_not="an event", event_budget_j=100.0, event_j=101.0)
    worst, _, said = _weigh([9.0], expectation=beyond)
    assert worst == [Severity.TRIP]
    assert "101 J" in said[-1].reason


def test_a_class_that_does_not_fit_is_told() -> None:
    worst, _, said = _weigh([0.15], expectation=Expectation(Bounds(0.1, 0.2), fit=-1.8))
    assert worst == [Severity.WARN]
    assert "load class" in said[0].reason


def test_voltage_alone_is_not_weighed() -> None:
    observation = Observation(0.0, (_read(LINE_VOLTAGE, 10.0, 0.0),))
    assert weigh(BandMemory(), LIMITS, observation, BAND) == (BandMemory(), ())


def test_layer_two_adds_a_trip_and_the_first_cause_stays() -> None:
    limits = Limits(line_voltage_v=253.0, line_current_a=0.5)
    readings = (_read(LINE_VOLTAGE, 20.0, 0.0), _read(LINE_CURRENT, 0.6, 0.0))
    state, decision = judge(GuardState(), limits, Observation(0.0, readings))
    after, both = judge_expected(state, decision, limits, Observation(0.0, readings), BAND)
    assert both.trip == decision.trip == after.trip
    assert both.trip is not None
    assert both.trip.layer is Layer.CEILING
    lower = (_read(LINE_VOLTAGE, 20.0, 0.0), _read(LINE_CURRENT, 0.31, 0.0))
    state, decision = judge(GuardState(), limits, Observation(0.0, lower))
    assert decision.trip is None
    after, both = judge_expected(state, decision, limits, Observation(0.0, lower), BAND)
    assert both.trip is not None
    assert (both.trip.layer, both.trip.line_voltage_v) == (Layer.BAND, 20.0)
    assert judge(after, limits, Observation(0.1))[1].severity is Severity.TRIP


@settings(max_examples=200, deadline=None)
@given(
    currents=st.lists(st.floats(0.0, 1.0), min_size=1, max_size=30),
    every_s=st.floats(0.02, 0.5),
    more=st.floats(0.0, 0.5),
)
def test_more_current_is_never_judged_milder(currents: list[float], every_s: float, more: float) -> None:
    """Monotone: raising every reading never takes a trip away, and the excess stays within 0 and 1."""
    worst, memory, _ = _weigh(currents, every_s=every_s)
    higher, _, _ = _weigh([value + more for value in currents], every_s=every_s)
    assert 0.0 <= memory.excess <= 1.0
    if Severity.TRIP in worst:
        assert Severity.TRIP in higher
        assert higher.index(Severity.TRIP) <= worst.index(Severity.TRIP)


@settings(max_examples=200, deadline=None)
@given(currents=st.lists(st.floats(0.1, 0.2), min_size=1, max_size=30))
def test_nothing_within_the_band_is_ever_told(currents: list[float]) -> None:
    assert _weigh(currents)[0] == [Severity.SAFE] * len(currents)


@pytest.mark.parametrize("value", [0.0, 0.05, 0.15, 5.0])
def test_same_input_same_answer(value: float) -> None:
    assert _weigh([value] * 20) == _weigh([value] * 20)
