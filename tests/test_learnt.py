"""What several good units leave of a class's ranges: the pure core, without captures."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rampguard.loads.basis import KNOWN_GOOD_SIGMAS, Shown, span_of_one
from rampguard.loads.families import FAMILIES
from rampguard.loads.learnt import CONFIDENCE, COVERAGE, learnt_spans, of_one_unit, spread_of
from rampguard.loads.ranges import Range
from rampguard.loads.supply import CORE
from rampguard.loads.tolerance import tolerance_factor

EVEN = Range(10.0, 20.0, "test")
LOG = Range(0.01, 1.0, "test", log=True)
EITHER = Range(0.0, 1.0, "test", either=0.3)
shown = st.builds(Shown, st.floats(0.0, 1.0), st.floats(0.0, 0.3))


def _width(item: Range, span: tuple[float, float]) -> float:
    return item.along(span[1]) - item.along(span[0])


@given(st.sampled_from([EVEN, LOG]), st.lists(shown, min_size=2, max_size=40))
def test_never_wider_than_the_class_nor_narrower_than_a_units_own(item: Range, units: list[Shown]) -> None:
    low, high = learnt_spans({"x": item}, [{"x": one} for one in units])["x"]
    assert item.low <= low <= high <= item.high
    own = math.sqrt(sum(one.own**2 for one in units) / len(units))
    mean = sum(one.mean for one in units) / len(units)
    ends = (max(0.0, mean - KNOWN_GOOD_SIGMAS * own), min(1.0, mean + KNOWN_GOOD_SIGMAS * own))
    assert _width(item, (low, high)) >= (ends[1] - ends[0]) * item.along(item.high) - 1e-9


@given(st.sampled_from([EVEN, LOG, EITHER]), shown)
def test_one_unit_is_as_it_was(item: Range, one: Shown) -> None:
    assert learnt_spans({"x": item}, [{"x": one}])["x"] == span_of_one(item, one)


def test_one_unit_by_hand() -> None:
    """0.5 +/- 2.5 x 0.04 of 10 to 20 is 14 to 16; a tenth of 16 more: 12.4 to 17.6."""
    assert span_of_one(EVEN, Shown(0.5, 0.04)) == pytest.approx((12.4, 17.6))


def test_three_units_by_hand() -> None:
    """Means 0.49, 0.50, 0.51: spread 0.01, nothing left open; Howe's k of three units is 13.13 (see test_tolerance)."""
    units = [{"x": Shown(mean, 0.0)} for mean in (0.49, 0.50, 0.51)]
    assert learnt_spans({"x": EVEN}, units)["x"] == pytest.approx((13.687, 16.313), abs=1e-3)
    # By the logarithm k spreads are more than any one leaves: a tenth off 0.01 x 100^0.49, and on 0.01 x 100^0.51.
    assert learnt_spans({"x": LOG}, units)["x"] == pytest.approx((0.0859493, 0.1151841), rel=1e-5)


def test_of_what_lies_far_apart_one_unit_says_nothing_and_several_their_spread() -> None:
    """A bare transformer's core: by a tenth more than a single unit showed, 104 of 500 whole ones were tripped."""
    far = replace(EVEN, apart=True)
    assert learnt_spans({"x": far}, [{"x": Shown(0.5, 0.0)}])["x"] == (EVEN.low, EVEN.high)
    units = [{"x": Shown(mean, 0.0)} for mean in (0.49, 0.50, 0.51)]
    assert learnt_spans({"x": far}, units)["x"] == pytest.approx((13.687, 16.313), abs=1e-3)  # 13.13 spreads
    wide = [{"x": Shown(mean, 0.0)} for mean in (0.3, 0.5, 0.7)]
    assert learnt_spans({"x": far}, wide)["x"] == (EVEN.low, EVEN.high)
    assert {name for name, item in FAMILIES["transformer"].ranges.items() if item.apart} == {*CORE, "residual"}
    assert {name for name, item in FAMILIES["switch-mode"].ranges.items() if item.apart} == {"load"}


def test_what_readings_leave_open_adds_in_quadrature() -> None:
    units = [Shown(0.5 + 0.01 * k, 0.05) for k in (-1, 0, 1)]
    apart = tolerance_factor(3, COVERAGE, CONFIDENCE) * 0.01
    assert spread_of(units).half == pytest.approx(math.hypot(apart, KNOWN_GOOD_SIGMAS * 0.05))


def test_of_one_spread_more_units_leave_less() -> None:
    widths = []
    for count in (2, 4, 10, 30):
        # Two values in turn; their standard deviation is held at 0.02.
        far = 0.02 * math.sqrt((count - 1) / count)
        units = [{"x": Shown(0.5 + (far if k % 2 else -far), 0.01)} for k in range(count)]
        widths.append(_width(EVEN, learnt_spans({"x": EVEN}, units)["x"]))
    assert widths == sorted(widths, reverse=True)
    # Two units: by either alone, 10 to 20 in between: 0.283 apart, 0.25 open and a tenth more at each end.
    assert widths[0] == pytest.approx(0.283 + 0.5 + 0.1 * (15.3914 + 14.8914 - 0.0), abs=0.05)
    # Thirty: k = 3.35, so 10 x hypot(3.35 x 0.02, 0.025) at each end.
    assert widths[-1] == pytest.approx(2.0 * 0.715, abs=0.003)


@given(st.sampled_from([EVEN, LOG, EITHER]), st.lists(shown, min_size=2, max_size=6))
def test_never_wider_than_by_any_unit_alone(item: Range, units: list[Shown]) -> None:
    low, high = learnt_spans({"x": item}, [{"x": one} for one in units])["x"]
    alone = [span_of_one(item, one) for one in [*units, spread_as_one(units)]]
    assert min(edge for edge, _ in alone) <= low + 1e-12
    assert high - 1e-12 <= max(edge for _, edge in alone)


def spread_as_one(units: list[Shown]) -> Shown:
    found = spread_of(units)
    return Shown(found.mean, found.own)


def test_several_captures_of_a_unit_are_no_more_sure_than_one() -> None:
    one = of_one_unit([{"x": Shown(0.4, 0.03)}, {"x": Shown(0.6, 0.05)}])
    assert one["x"].mean == pytest.approx(0.5)
    assert one["x"].own == pytest.approx(math.sqrt((0.03**2 + 0.05**2) / 2.0))


def test_an_either_or_is_whatever_any_unit_may_be() -> None:
    units = [{"x": Shown(0.1, 0.01)}, {"x": Shown(0.8, 0.01)}]
    low, high = learnt_spans({"x": EITHER}, units)["x"]
    assert low <= 0.1
    assert high >= 0.8


def test_nothing_is_learnt_of_no_unit() -> None:
    with pytest.raises(ValueError, match="no unit"):
        learnt_spans({"x": EVEN}, [])


@pytest.mark.parametrize("name", FAMILIES)
def test_every_class_can_be_learnt(name: str) -> None:
    ranges = FAMILIES[name].ranges
    units = [{each: Shown(0.45 + 0.01 * k, 0.05) for each in ranges} for k in range(12)]
    spans = learnt_spans(ranges, units)
    assert set(spans) == set(ranges)
    assert all(ranges[each].low <= low < high <= ranges[each].high for each, (low, high) in spans.items())
