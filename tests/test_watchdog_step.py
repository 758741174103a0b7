"""The watchdog's pure step: every silence and every end of the feed is a cut, and nothing switches it off."""

from __future__ import annotations

import itertools

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.engine.watchdog import (
    FEED_EVERY_S,
    FEED_LIMIT_S,
    Action,
    Input,
    WatchdogState,
    cannot_release,
    step,
)


def test_feeds_in_time_do_nothing() -> None:
    state = WatchdogState(0.0)
    for turn in range(1, 100):
        state, action = step(state, Input.FEED, turn * FEED_EVERY_S)
        assert action is Action.NONE


def test_silence_cuts_just_past_the_limit() -> None:
    state = WatchdogState(0.0)
    assert step(state, Input.NOTHING, FEED_LIMIT_S)[1] is Action.NONE
    state, action = step(state, Input.NOTHING, FEED_LIMIT_S + 1e-6)
    assert action is Action.CUT
    assert step(WatchdogState(10.0), Input.NOTHING, 10.5)[0].reason == "the engine was silent for 0.50 s"


@pytest.mark.parametrize("late", [Input.FEED, Input.RELEASE, Input.NOTHING])
def test_a_feed_or_release_that_comes_too_late_is_too_late(late: Input) -> None:
    assert step(WatchdogState(0.0), late, FEED_LIMIT_S + 0.01)[1] is Action.CUT


def test_the_end_of_the_feed_cuts_at_once() -> None:
    state, action = step(WatchdogState(0.0), Input.FEED_ENDED, 0.001)
    assert action is Action.CUT
    assert state.reason == "the engine is gone"


def test_taking_over_cuts_and_spares_the_engine_alone() -> None:
    state, action = step(WatchdogState(0.0), Input.TAKE_OVER, 0.1)
    assert action is Action.CUT
    assert state.spares_engine
    assert state.reason == "the engine could not prove off"
    for given_, now_s in ((Input.FEED_ENDED, 0.1), (Input.NOTHING, 0.5)):
        assert not step(WatchdogState(0.0), given_, now_s)[0].spares_engine


def test_release_only_asks_to_check() -> None:
    state, action = step(WatchdogState(0.0), Input.RELEASE, 0.1)
    assert action is Action.CHECK_OFF
    refused = cannot_release(state)
    assert refused == WatchdogState(0.1, "release was asked for while the output was not off", spares_engine=True)
    assert step(refused, Input.FEED, 0.11)[1] is Action.CUT
    assert cannot_release(refused) == refused


def test_once_it_cuts_it_goes_on_cutting() -> None:
    state = WatchdogState(0.0, reason="the engine is gone")
    for given_, now_s in itertools.product(Input, (0.0, 1.0, 100.0)):
        assert step(state, given_, now_s) == (state, Action.CUT)


@given(st.lists(st.tuples(st.sampled_from(list(Input)), st.floats(0.0, 0.6)), max_size=40))
@settings(max_examples=300, deadline=None)
def test_no_sequence_leaves_a_silence_unanswered(steps: list[tuple[Input, float]]) -> None:
    state, now_s, fed_s, cut = WatchdogState(0.0), 0.0, 0.0, False
    for given_, pause_s in steps:
        now_s += pause_s
        state, action = step(state, given_, now_s)
        must_cut = cut or given_ in (Input.FEED_ENDED, Input.TAKE_OVER) or now_s - fed_s > FEED_LIMIT_S
        assert (action is Action.CUT) == must_cut
        cut = cut or must_cut
        if given_ in (Input.FEED, Input.RELEASE):
            fed_s = now_s
