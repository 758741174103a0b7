"""Layer 2: excess over the expected band accumulates and drains; expectations are plain numbers made here."""

from __future__ import annotations

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.guard.band import BandMemory, weigh
from rampguard.guard.decision import Decision, Finding, Layer, Observation, Severity, Trip
from rampguard.guard.judge import GuardState, judge, judge_expected, trip_from_outside
from rampguard.guard.limits import Limits
from rampguard.quantities import (
    LINE_CURRENT,
    LINE_VOLTAGE,
    REAL_POWER,
    Bounds,
    Expectation,
    Reading,
    Signal,
    Validity,
)

LIMITS = Limits(line_voltage_v=253.0)
BAND = Expectation(Bounds(0.1, 0.2), Bounds(5.0, 20.0))


def _read(signal: Signal, value: float, time_s: float, bound: float = 1e-6) -> Reading:
    return Reading(signal, value, time_s, time_s, bound=bound)


def _finding(severity: Severity, reason: str) -> Finding:
    return Finding(severity, Layer.BAND, "band", reason)


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
    _, _, said = _weigh([0.15, 0.22, 0.22])
    reason = "line current 0.22 A is above what a healthy unit of this kind draws here, 0.2 A at most"
    assert said == [_finding(Severity.WARN, reason), _finding(Severity.TRIP, reason)]


def test_one_reading_far_above_trips() -> None:
    assert _weigh([0.31])[0] == [Severity.TRIP]


@pytest.mark.parametrize(
    ("value", "severity"),
    [(0.25, Severity.SAFE), (0.251, Severity.WARN), (0.374, Severity.WARN), (0.375, Severity.TRIP)],
)
def test_at_its_edge_it_is_within_and_at_one_and_a_half_times_it_is_far(value: float, severity: Severity) -> None:
    observation = Observation(0.0, (_read(LINE_CURRENT, value + 0.25, 0.0, 0.25),))
    _, findings = weigh(BandMemory(), LIMITS, observation, Expectation(Bounds(0.1, 0.25)))
    assert [f.severity for f in findings] == ([] if severity is Severity.SAFE else [severity])


def test_where_nothing_may_be_drawn_anything_is_far_above() -> None:
    assert _weigh([0.0, 0.001], expectation=Expectation(Bounds(0.0, 0.0)))[0] == [Severity.SAFE, Severity.TRIP]


def test_an_excess_that_is_whole_but_for_rounding_is_whole() -> None:
    def weighed(excess: float) -> Severity:
        observation = Observation(1.0, (_read(LINE_CURRENT, 0.22, 1.0),))
        _, (finding,) = weigh(BandMemory(excess, 0.0), LIMITS, observation, BAND)
        return finding.severity

    assert weighed(1.0 - 1e-9 - 0.5) is Severity.TRIP
    assert weighed(1.0 - 2e-9 - 0.5) is Severity.WARN


def test_a_whole_excess_grows_no_more() -> None:
    assert _weigh([5.0, 5.0, 5.0])[1].excess == 1.0


def test_excess_drains() -> None:
    """Half an excess is gone after half of `band_drain_s`."""
    assert _weigh([0.22, 0.15], every_s=1.0)[1].excess == 0.25
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


def test_a_late_reading_adds_no_more_than_half_and_an_early_one_in_proportion() -> None:
    assert _weigh([0.15, 0.22], every_s=3.0)[1].excess == 0.5
    assert _weigh([0.15, 0.22], every_s=0.05)[1].excess == pytest.approx(0.25)
    assert _weigh([0.22])[1] == BandMemory(0.5, 0.0, None)


def test_what_the_meter_may_be_wrong_by_is_no_excess() -> None:
    assert _weigh([0.22, 0.22], bound=0.03)[0] == [Severity.SAFE] * 2
    # A meter that states nothing is taken for one of 1 %.
    assert _weigh([0.2015] * 3, bound=0.0)[0] == [Severity.SAFE] * 3
    assert _weigh([0.2015] * 3)[0][-1] is Severity.TRIP


@pytest.mark.parametrize(("high", "severities"), [(0.24501, []), (0.24499, [Severity.WARN])])
def test_a_meter_of_unstated_accuracy_is_granted_a_part_of_its_reading(high: float, severities: list[Severity]) -> None:
    limits = Limits(line_voltage_v=253.0, unstated_accuracy_percent=2.0)
    observation = Observation(0.0, (_read(LINE_CURRENT, 0.25, 0.0, bound=0.0),))
    _, findings = weigh(BandMemory(), limits, observation, Expectation(Bounds(0.1, high)))
    assert [finding.severity for finding in findings] == severities


def test_too_little_warns_once_it_lasts_and_never_trips() -> None:
    worst, _, said = _weigh([0.05] * 40)
    assert worst[14] is Severity.SAFE
    assert worst[16] is Severity.WARN
    assert Severity.TRIP not in worst
    assert said[0] == _finding(
        Severity.WARN,
        "line current stays below what a healthy unit of this kind draws here: a fuse, a rail or a section may be open,"
        " or the load class or nameplate is wrong",
    )
    assert _weigh([0.05, 0.05, 0.15] * 20)[0] == [Severity.SAFE] * 60


def test_too_little_warns_at_just_the_time_that_it_may_last() -> None:
    assert _weigh([0.05] * 13, every_s=0.25)[0] == [Severity.SAFE] * 12 + [Severity.WARN]


def test_too_little_is_surely_below_the_edge() -> None:
    assert Severity.WARN in _weigh([0.0] * 40)[0]
    for value, bound in ((0.125, 0.0625), (0.0625, 0.0625)):
        expectation = Expectation(Bounds(value + bound, 1.0))
        assert _weigh([value] * 40, expectation=expectation, bound=bound)[0] == [Severity.SAFE] * 40
        assert Severity.WARN in _weigh([value - 0.001] * 40, expectation=expectation, bound=bound)[0]


def test_nothing_read_by_a_meter_of_unstated_accuracy_is_nothing() -> None:
    assert Severity.WARN in _weigh([0.0] * 40, expectation=Expectation(Bounds(0.005, 0.2)), bound=0.0)[0]


def test_too_little_of_power_alone_is_told_as_power() -> None:
    memory = BandMemory()
    said: list[Finding] = []
    for k in range(20):
        readings = (_read(LINE_CURRENT, 0.15, k * 0.2), _read(REAL_POWER, 1.0, k * 0.2))
        memory, findings = weigh(memory, LIMITS, Observation(k * 0.2, readings), BAND)
        said += findings
    assert said
    assert all(finding.reason.startswith("real power stays below") for finding in said)


def test_what_is_not_evaluated_drains_and_ends_a_lack() -> None:
    memory = BandMemory(0.5, 1.0, 0.0)
    observation = Observation(2.0, (_read(LINE_CURRENT, 9.0, 2.0),))
    assert weigh(memory, LIMITS, observation, Expectation(why_not="an event"))[0] == BandMemory(0.25, 2.0, None)


def test_power_is_weighed_beside_current() -> None:
    observation = Observation(0.0, (_read(LINE_CURRENT, 0.15, 0.0), _read(REAL_POWER, 31.0, 0.0)))
    _, findings = weigh(BandMemory(), LIMITS, observation, BAND)
    reason = "real power 31 W is above what a healthy unit of this kind draws here, 20 W at most"
    assert findings == (_finding(Severity.TRIP, reason),)


@pytest.mark.parametrize(
    ("amperes", "watts", "told"), [(0.25, 31.0, "real power 31"), (0.35, 21.0, "line current 0.35")]
)
def test_of_two_that_are_above_the_farther_is_told(amperes: float, watts: float, told: str) -> None:
    observation = Observation(0.0, (_read(LINE_CURRENT, amperes, 0.0), _read(REAL_POWER, watts, 0.0)))
    _, (finding,) = weigh(BandMemory(), LIMITS, observation, BAND)
    assert finding.reason.startswith(told)


def test_power_alone_and_a_reading_that_failed_are_weighed_as_they_are() -> None:
    failed = Reading(LINE_CURRENT, None, 0.0, 0.0, Validity.INVALID)
    for readings in ((_read(REAL_POWER, 15.0, 0.0),), (failed, _read(REAL_POWER, 15.0, 0.0))):
        assert weigh(BandMemory(), LIMITS, Observation(0.0, readings), BAND) == (BandMemory(0.0, 0.0, None), ())
    assert weigh(BandMemory(), LIMITS, Observation(0.0, (failed,)), BAND) == (BandMemory(), ())


def test_what_is_not_expected_is_not_evaluated() -> None:
    worst, _, said = _weigh([9.0], expectation=Expectation(why_not="an event"))
    assert worst == [Severity.NOT_EVALUATED]
    assert said == [_finding(Severity.NOT_EVALUATED, "band: an event")]


@pytest.mark.parametrize(
    ("signal", "expectation"),
    [(REAL_POWER, Expectation(current_a=Bounds(0.1, 0.2))), (LINE_CURRENT, Expectation(power_w=Bounds(5.0, 20.0)))],
)
def test_a_reading_of_which_nothing_is_expected_is_not_evaluated(signal: Signal, expectation: Expectation) -> None:
    observation = Observation(2.0, (_read(signal, 9.0, 2.0),))
    reason = "band: nothing is expected of what was read"
    assert weigh(BandMemory(0.5, 1.0, 0.0), LIMITS, observation, expectation) == (
        BandMemory(0.25, 2.0, None),
        (_finding(Severity.NOT_EVALUATED, reason),),
    )


def test_an_event_may_cost_its_budget_and_no_more() -> None:
    within = Expectation(why_not="an event", event_budget_j=100.0, event_j=100.0)
    assert _weigh([9.0], expectation=within)[0] == [Severity.NOT_EVALUATED]
    beyond = Expectation(why_not="an event", event_budget_j=100.0, event_j=101.0)
    worst, _, said = _weigh([9.0], expectation=beyond)
    assert worst == [Severity.TRIP]
    assert said[-1] == _finding(
        Severity.TRIP,
        "101 J since power was pressed, more than the 100 J that charging a healthy unit's reservoirs can explain",
    )


def test_a_class_that_does_not_fit_is_told() -> None:
    said = _weigh([0.15], expectation=Expectation(Bounds(0.1, 0.2), fit=-1.71))[2]
    reason = (
        "current and power do not go with the line as in any unit of this load class: check load class and nameplate"
        " before going on"
    )
    assert said == [_finding(Severity.WARN, reason)]
    assert _weigh([0.15], expectation=Expectation(Bounds(0.1, 0.2), fit=-1.7))[2] == []


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
    assert both == Decision(Severity.TRIP, both.findings, after.trip)
    assert both.findings[-1].layer is Layer.BAND
    assert after.trip == Trip(0.0, 20.0, Layer.BAND, both.findings[-1].reason, "band")
    assert judge(after, limits, Observation(0.1))[1].severity is Severity.TRIP


@pytest.mark.parametrize(
    ("amperes", "expectation", "severity"),
    [
        (0.15, Expectation(Bounds(0.1, 0.2)), Severity.SAFE),
        (0.22, Expectation(Bounds(0.1, 0.2)), Severity.WARN),
        (0.48, Expectation(Bounds(0.1, 0.5)), Severity.WARN),
        (0.15, Expectation(why_not="an event"), Severity.NOT_EVALUATED),
    ],
    ids=["nothing said", "the band alone warns", "the ceiling alone warns", "not evaluated"],
)
def test_both_calls_together_say_the_worse_of_the_two(
    amperes: float, expectation: Expectation, severity: Severity
) -> None:
    limits = Limits(line_voltage_v=253.0, line_current_a=0.5)
    seen = Observation(0.0, (_read(LINE_VOLTAGE, 20.0, 0.0), _read(LINE_CURRENT, amperes, 0.0)))
    state, first = judge(GuardState(), limits, seen)
    after, both = judge_expected(state, first, limits, seen, expectation)
    assert (both.severity, both.trip) == (severity, None)
    assert both.findings[: len(first.findings)] == first.findings
    assert after.band.weighed_s == 0.0
    assert judge(after, limits, Observation(0.1))[0].band == after.band


def test_a_trip_from_outside_between_the_two_calls_is_kept() -> None:
    seen = Observation(0.0, (_read(LINE_VOLTAGE, 20.0, 0.0), _read(LINE_CURRENT, 0.22, 0.0)))
    state, decision = judge(GuardState(), LIMITS, seen)
    state = trip_from_outside(state, Layer.READING, "the screen is gone")
    _, both = judge_expected(state, decision, LIMITS, seen, BAND)
    assert (both.severity, both.trip) == (Severity.TRIP, state.trip)


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
