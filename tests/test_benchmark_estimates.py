"""What the benchmark of estimates takes for true, and how it learns the spread that intervals lack."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from rampguard.estimates.along import ranges_of
from rampguard.estimates.estimate import quantiles

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))
import estimate_cases
import estimates
import estimates_learn

PARTS = {
    "supply_ohm": np.array([0.4]),
    "primary_ohm": np.array([6.0]),
    "secondary_ohm": np.array([0.2]),
    "turns_ratio": np.array([0.1]),
    "core_loss_ohm": np.array([16_000.0]),
    "magnetising_h": np.array([50.0]),
    "knee_wb": np.array([1.12]),
    "knee_a": np.array([0.0]),
    "soft_ohm": np.array([28.0]),
}


def test_what_is_true_comes_from_the_parts() -> None:
    """An ohm goes over to the primary with the square of the turns; two half windings side by side are half of one."""
    true = estimate_cases._true(PARTS, np.array([230.0]))
    assert true["source_ohm"][0] == pytest.approx(0.4 + 6.0 + 0.2 / 0.1**2 / 2.0)
    assert true["core_loss_w"][0] == pytest.approx(230.0**2 / 16_000.0)
    # No knee: the current of an inductance, V / (2 pi f L), textbook.
    assert true["magnetising_a"][0] == pytest.approx(230.0 / (2.0 * np.pi * 50.0 * 50.0), rel=1e-3)


def test_on_other_mains_ohms_go_with_the_square_and_watts_stay() -> None:
    at_230, at_100 = (estimate_cases._true(PARTS, np.array([volts])) for volts in (230.0, 100.0))
    for name in ("source_ohm", "soft_start_ohm"):
        assert at_100[name][0] == pytest.approx(at_230[name][0] * (100.0 / 230.0) ** 2)
    assert at_100["core_loss_w"][0] == at_230["core_loss_w"][0]
    assert at_100["magnetising_a"][0] == pytest.approx(at_230["magnetising_a"][0] * 2.3)


def _answer(values: np.ndarray, spread: float) -> dict[str, float]:
    low, middle, high = quantiles(values, spread)
    return {"low": low, "estimate": middle, "high": high}


@pytest.mark.parametrize("true", [0.6, 0.75, 1.5])
def test_the_spread_that_lacks_makes_the_interval_just_hold(true: float) -> None:
    values = np.exp(0.1 * np.random.default_rng(3).standard_normal(20_000))
    lacks = estimates._lacks(_answer(values, 0.0), true)
    assert lacks > 0.0
    wide = _answer(values, lacks)
    assert (wide["high"] if true > 1.0 else wide["low"]) == pytest.approx(true, rel=0.03)


def test_what_holds_already_lacks_nothing() -> None:
    assert estimates._lacks(_answer(np.exp(0.1 * np.random.default_rng(3).standard_normal(500)), 0.0), 1.1) == 0.0


def test_the_spread_learnt_is_that_of_nineteen_in_twenty() -> None:
    answers = [{"low": 0.9, "estimate": 1.0, "high": 1.1}] * 20
    true = [1.0] * 18 + [1.3, 3.0]
    rows = [{"answers": {"idle_w": one}, "true": {"idle_w": value}} for one, value in zip(answers, true, strict=True)]
    rows = [{**row, "true": dict.fromkeys(estimates.ORDER, 0.0) | row["true"]} for row in rows]
    assert estimates.spreads(rows)["idle_w"] == estimates._lacks(answers[0], 1.3)


def test_a_units_own_parameters_are_those_that_its_parts_were_drawn_by() -> None:
    """Half of the units have no soft start: there the resistor is nothing."""
    drawn = estimate_cases.drawn(estimates_learn.KIND, 3, seed=5)
    own = estimates_learn.own_parameters(drawn.watts, drawn.parts)
    ranges = ranges_of("linear-amplifier")
    for name in ("magnetising", "source_ohm", "drop", "farad", "core_loss", "dark", "small_full"):
        assert np.all(own[name] >= 0.9 * ranges[name].low), name
        assert np.all(own[name] <= 1.1 * ranges[name].high), name
    assert np.count_nonzero(own["soft_ohm"]) == 6
    true = estimate_cases._true(drawn.parts, drawn.volts)
    unit_ohm = drawn.volts**2 / drawn.watts
    assert own["source_ohm"] * unit_ohm == pytest.approx(true["source_ohm"])
