"""The interlock, explored exhaustively: every sequence of events up to a depth, from the start."""

from __future__ import annotations

import contextlib
import itertools

import pytest

from rampguard.guard.interlock import Event, Interlock, InterlockError, State, step

DEPTH = 6


def _walk(events: tuple[Event, ...]) -> list[Interlock]:
    """The interlocks along a sequence; an event that has no place leaves it where it was."""
    interlock = Interlock()
    trail = [interlock]
    for event in events:
        with contextlib.suppress(InterlockError):
            interlock = step(interlock, event, f"cause {len(trail)}")
        trail.append(interlock)
    return trail


Steps = set[tuple[Interlock, Event, Interlock]]


@pytest.fixture(scope="module")
def steps() -> Steps:
    """Every step that can be taken from the start, found by following all of them until none is new."""
    seen: set[Interlock] = set()
    found: Steps = set()
    todo = [Interlock()]
    while todo:
        here = todo.pop()
        if here in seen:
            continue
        seen.add(here)
        for event, cause in itertools.product(Event, ("a", "b")):
            try:
                there = step(here, event, cause)
            except InterlockError:
                continue
            found.add((here, event, there))
            todo.append(there)
    return found


def test_all_states_and_events_are_reached(steps: Steps) -> None:
    assert {there.state for _, _, there in steps} == set(State)
    assert {event for _, event, _ in steps} == set(Event)


def test_it_starts_with_nothing_proven() -> None:
    assert Interlock().state is State.UNPROVEN
    assert not Interlock().may_energise


def test_only_armed_leads_to_live_and_only_by_energise(steps: Steps) -> None:
    into_live = {(here.state, event) for here, event, there in steps if there.state is State.LIVE}
    assert into_live == {(State.ARMED, Event.ENERGISE)}


def test_only_proof_of_off_leads_out_of_unproven(steps: Steps) -> None:
    out = {event for here, event, there in steps if here.state is State.UNPROVEN and there.state is not State.UNPROVEN}
    assert out == {Event.OFF_PROVEN}


def test_leaving_live_always_leads_to_unproven(steps: Steps) -> None:
    assert {there.state for here, _, there in steps if here.state is State.LIVE} == {State.UNPROVEN}


def test_only_reset_leads_out_of_tripped_and_forgets_the_cause(steps: Steps) -> None:
    out = {
        (event, there)
        for here, event, there in steps
        if here.state is State.TRIPPED and there.state is not State.TRIPPED
    }
    assert out == {(Event.RESET, Interlock(State.SAFE))}


def test_a_cause_once_latched_is_kept_until_reset(steps: Steps) -> None:
    for here, event, there in steps:
        if here.cause and event is not Event.RESET:
            assert there.cause == here.cause
            assert there.state not in (State.ARMED, State.LIVE, State.SAFE)


def test_every_trip_of_a_live_bench_latches(steps: Steps) -> None:
    for here, event, there in steps:
        if here.state is State.LIVE and event in (Event.TRIP, Event.PERMISSIVE_LOST):
            assert there.cause


def test_a_trip_latches_its_cause() -> None:
    unproven = step(Interlock(State.LIVE), Event.TRIP, "too much current")
    assert unproven == Interlock(State.UNPROVEN, "too much current")
    assert step(unproven, Event.OFF_PROVEN) == Interlock(State.TRIPPED, "too much current")


def test_a_trip_without_a_cause_is_called_by_its_event() -> None:
    assert step(Interlock(State.LIVE), Event.TRIP).cause == "trip"
    assert step(Interlock(State.LIVE), Event.PERMISSIVE_LOST).cause == "permissive-lost"


def test_a_check_that_is_lost_before_power_is_no_trip() -> None:
    assert step(Interlock(State.ARMED), Event.PERMISSIVE_LOST, "the screen is gone") == Interlock(State.SAFE)


def test_a_stop_is_no_trip() -> None:
    trail = _walk((Event.OFF_PROVEN, Event.PERMISSIVES_HOLD, Event.ENERGISE, Event.STOP, Event.OFF_PROVEN))
    assert trail[-1] == Interlock(State.SAFE)


def test_may_energise_only_while_live(steps: Steps) -> None:
    assert all(there.may_energise == (there.state is State.LIVE) for _, _, there in steps)


def test_an_event_out_of_place_is_refused_and_says_so() -> None:
    with pytest.raises(InterlockError, match="energise has no place while unproven"):
        step(Interlock(), Event.ENERGISE)


def test_no_sequence_energises_without_proof_and_permissives() -> None:
    for events in itertools.product(Event, repeat=DEPTH - 2):
        trail = _walk(events)
        for index, interlock in enumerate(trail):
            if interlock.state is State.LIVE:
                before = events[:index]
                assert Event.OFF_PROVEN in before
                assert Event.PERMISSIVES_HOLD in before
