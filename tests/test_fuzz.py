"""A small version of benchmarks/fuzz.py; and that a broken promise would be seen."""

from __future__ import annotations

import sys
from pathlib import Path
from unittest import mock

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import fuzz

from rampguard.guard import interlock
from rampguard.guard.interlock import Event, State


def test_fuzzed_replies_are_numbers_or_none() -> None:
    came = fuzz.replies(10_000, 7)
    assert came.total() == 10_000
    assert {"no number", "valid", "over-range", "invalid", "error entry"} <= set(came)


def test_random_steps_keep_the_interlocks_promises() -> None:
    states = fuzz.interlock_steps(10_000, 7)
    assert set(states) == set(State)


@pytest.mark.parametrize(
    ("key", "target"),
    [
        ((State.UNPROVEN, Event.STOP), State.SAFE),
        ((State.SAFE, Event.PERMISSIVE_LOST), State.ARMED),
        ((State.ARMED, Event.PERMISSIVES_HOLD), State.LIVE),
        ((State.LIVE, Event.STOP), State.SAFE),
        ((State.TRIPPED, Event.STOP), State.ARMED),
    ],
    ids=lambda item: "-".join(map(str, item)) if isinstance(item, tuple) else str(item),
)
def test_an_interlock_changed_in_one_place_breaks_a_promise(key: tuple[State, Event], target: State) -> None:
    changed = {**interlock._ALLOWED, key: target}
    with mock.patch.object(interlock, "_ALLOWED", changed), pytest.raises(AssertionError):
        fuzz.interlock_steps(20_000, 7)
