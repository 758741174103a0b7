"""Properties of layer 1 that hold for any run."""

from __future__ import annotations

from dataclasses import replace

from hypothesis import given, settings
from hypothesis import strategies as st

from guard_help import LIMITS, reading
from rampguard.guard.decision import Decision, Observation
from rampguard.guard.judge import GuardState, judge
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Signal, Validity

_VALUES = st.floats(0.0, 300.0)


def _readings(signal: Signal, size: st.SearchStrategy[float]) -> st.SearchStrategy[Reading]:
    bad = st.sampled_from([Validity.INVALID, Validity.MISSING, Validity.OVER_RANGE])
    return st.one_of(
        size.map(lambda value: reading(signal, value)),
        size.map(lambda value: reading(signal, value)),
        bad.map(lambda validity: reading(signal, None, validity=validity)),
    )


@st.composite
def runs(draw: st.DrawFn) -> list[Observation]:
    time_s = 0.0
    observations = []
    for _ in range(draw(st.integers(1, 25))):
        time_s += draw(st.floats(0.0, 0.7))
        readings: tuple[Reading, ...] = ()
        if draw(st.booleans()):
            readings = (
                draw(_readings(LINE_VOLTAGE, _VALUES)),
                draw(_readings(LINE_CURRENT, st.floats(0.0, 1.2))),
                draw(_readings(REAL_POWER, st.floats(0.0, 160.0))),
            )
        set_v = draw(st.none() | _VALUES)
        event = draw(st.sampled_from(["", "", "", "power-pressed"]))
        observations.append(Observation(time_s, readings, set_v, event))
    return observations


def _decide(observations: list[Observation]) -> list[Decision]:
    state, decisions = GuardState(), []
    for observation in observations:
        state, decision = judge(state, LIMITS, observation)
        decisions.append(decision)
    return decisions


@given(runs())
@settings(max_examples=200, deadline=None)
def test_decisions_of_a_prefix_are_the_prefix_of_the_decisions(observations: list[Observation]) -> None:
    whole = _decide(observations)
    half = len(observations) // 2
    assert _decide(observations[:half]) == whole[:half]


@given(runs())
@settings(max_examples=200, deadline=None)
def test_a_trip_never_goes_away(observations: list[Observation]) -> None:
    words = [decision.word for decision in _decide(observations)]
    if "trip" in words:
        first = words.index("trip")
        assert set(words[first:]) == {"trip"}


@given(runs())
@settings(max_examples=200, deadline=None)
def test_dropping_observations_that_carry_nothing_changes_no_other_decision(
    observations: list[Observation],
) -> None:
    """A capture holds the observations that carried something: it must replay to the same decisions."""
    whole = dict(zip(map(id, observations), _decide(observations), strict=True))
    first = observations[0]  # the start of time is kept
    kept = [o for o in observations if o.readings or o.expected_event or o is first]
    tripped = next((o.time_s for o in observations if whole[id(o)].trip), None)
    for observation, decision in zip(kept, _decide(kept), strict=True):
        if tripped is None or observation.time_s < tripped:
            assert decision == whole[id(observation)]


@given(runs(), st.floats(0.001, 5.0))
@settings(max_examples=200, deadline=None)
def test_current_above_the_ceiling_always_trips(observations: list[Observation], excess_a: float) -> None:
    end_s = observations[-1].time_s
    too_much = reading(LINE_CURRENT, 1.0 + excess_a)
    decisions = _decide([*observations, Observation(end_s, (too_much,))])
    assert decisions[-1].trip is not None


@given(runs(), st.floats(0.0, 1.0))
@settings(max_examples=200, deadline=None)
def test_a_lower_ceiling_never_trips_later(observations: list[Observation], fraction: float) -> None:
    def first_trip(ceiling_a: float) -> float:
        state = GuardState()
        for observation in observations:
            state, decision = judge(state, replace(LIMITS, line_current_a=ceiling_a), observation)
            if decision.trip:
                return observation.time_s
        return float("inf")

    assert first_trip(fraction * 1.0) <= first_trip(1.0)
