"""A small version of benchmarks/false_trips.py: healthy units spread over their classes, none tripped."""

from __future__ import annotations

import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from false_trips import ramp, run
from jobs import upper_bound
from population import POPULATIONS, Draw, Population, specimens

SEED = 20261125


def _population(kind: str) -> Population:
    return next(p for p in POPULATIONS if p.kind == kind)


@pytest.mark.parametrize(
    ("population", "hertz"),
    [(_population("lamp"), 50.0), (_population("heater"), 60.0)],
    ids=lambda item: item.kind if isinstance(item, Population) else f"{item:g}Hz",
)
def test_healthy_units_pass(population: Population, hertz: float) -> None:
    for found in run(population, hertz, 2, SEED, 0.0):
        assert found["trip"] is None, found


def test_a_third_is_turned_by_hand_and_every_ramp_comes_to_full_line() -> None:
    import numpy as np

    generator = np.random.default_rng(1)
    for by_hand in (False, True):
        for _ in range(20):
            way = ramp(generator, by_hand=by_hand)
            assert way.part.max() <= 1.0
            assert way.part[-1] > 0.8
            assert by_hand == bool(np.diff(way.part).min() < 0.0) or by_hand


@pytest.mark.parametrize("population", POPULATIONS, ids=lambda p: p.kind)
def test_every_population_draws_parts_that_can_be(population: Population) -> None:
    import numpy as np

    watts, parts = specimens(population, 50, np.random.default_rng(3))
    assert (watts > 0.0).all()
    signed = ("drift_a_per_k",)
    for name, values in parts.items():
        assert np.isfinite(values).all(), name
        assert (values > 0.0).all() or name.startswith(signed), name


def test_units_lie_within_their_classes_and_beyond_only_where_asked() -> None:
    import numpy as np

    from rampguard.loads.families import FAMILIES

    item = FAMILIES["heater"].ranges["rated"]
    for beyond, within in ((0.0, True), (0.1, False)):
        draw = Draw("heater", "heater", np.random.default_rng(2), beyond)
        values = [draw("rated") for _ in range(2000)]
        assert all(item.low <= value <= item.high for value in values) is within


def test_the_bound_on_a_rate_is_the_rule_of_three_where_nothing_happened() -> None:
    """3/n, Hanley and Lippman-Hand 1983 (from memory)."""
    assert upper_bound(0, 2000) == pytest.approx(3.0 / 2000, rel=0.01)
    assert upper_bound(5, 5) == 1.0
