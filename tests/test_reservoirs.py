"""What reservoirs still hold after off, and how long they take by estimate."""

from __future__ import annotations

import math

import pytest

from rampguard.engine.reservoirs import Reservoir, held_with, reservoirs
from rampguard.quantities import LINE_VOLTAGE, Quantity, Reading, Signal, Validity
from rampguard.readings_words import reservoir_lines

RAIL = Signal(Quantity.RAIL, "plus")


def _falling(from_v: float, time_constant_s: float, *, every_s: float = 0.1, count: int = 30) -> dict[str, object]:
    held: dict[str, object] = {}
    for k in range(count):
        volts = from_v * math.exp(-every_s * k / time_constant_s)
        held = held_with(held, (Reading(RAIL, -volts, every_s * k, every_s * k),))  # type: ignore[arg-type]
    return held


def test_an_exponential_is_foretold() -> None:
    """Textbook: t = T ln(V/v)."""
    found = reservoirs(_falling(85.0, 40.0))[RAIL.column]  # type: ignore[arg-type]
    now_v = 85.0 * math.exp(-2.9 / 40.0)
    assert found.volts == pytest.approx(now_v)
    assert found.touch_in_s == pytest.approx(40.0 * math.log(now_v / 60.0), rel=1e-6)
    assert found.hands_in_s == pytest.approx(40.0 * math.log(now_v / 2.0), rel=1e-6)


def test_what_is_below_is_below() -> None:
    found = reservoirs(_falling(50.0, 0.5))[RAIL.column]  # type: ignore[arg-type]
    assert (found.touch_in_s, found.hands_in_s) == (0.0, 0.0)


@pytest.mark.parametrize("held", [_falling(70.0, 1e9), _falling(70.0, -30.0), _falling(70.0, 40.0, count=3)])
def test_where_there_is_no_telling_none_is_told(held: dict[str, object]) -> None:
    found = reservoirs(held)[RAIL.column]  # type: ignore[arg-type]
    assert (found.touch_in_s, found.hands_in_s) == (None, None)


def test_other_readings_and_invalid_ones_say_nothing() -> None:
    assert (
        held_with({}, (Reading(LINE_VOLTAGE, 3.0, 0.0, 0.0), Reading(RAIL, None, 0.0, 0.0, Validity.OVER_RANGE))) == {}
    )
    assert reservoirs({RAIL.column: ()}) == {}


def test_the_words_say_that_an_estimate_is_one() -> None:
    lines = reservoir_lines(
        {
            "rail_plus_v": Reservoir(75.0, 9.2, 145.0).as_message,
            "rail_minus_v": Reservoir(40.0, 0.0, None).as_message,
            "rail_aux_v": Reservoir(0.8, 0.0, 0.0).as_message,
        }
    )
    assert lines[0] == (
        "rail plus: STILL 75 V when last read; below 60 V by estimate in 9 s, below 2 V: by estimate in 2 min. Measure."
    )
    assert lines[1] == "rail minus: STILL 40 V when last read; below 2 V: no telling when. Measure."
    assert lines[2] == "rail aux: 0.8 V when last read."
