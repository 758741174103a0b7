"""What a probe asks for: never beyond ten volts, nor beyond what the core is rated for."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rampguard.probe import PROBED
from rampguard.probe.plan import CEILING_LEAST_A, FLOOR_V, LEAST_V, MOST_V, plan_for
from rampguard.probe.verdict import Plate


@given(
    st.sampled_from(PROBED),
    st.floats(90.0, 260.0),
    st.floats(1.0, 5000.0),
    st.sampled_from([50.0, 60.0]),
    st.one_of(st.none(), st.tuples(st.floats(1.0, 100.0), st.floats(100.0, 2000.0))),
)
def test_no_ask_is_beyond_its_bounds(
    name: str, volts: float, watts: float, mains_hz: float, source_hz: tuple[float, float] | None
) -> None:
    plate = Plate(name, volts, watts, mains_hz)
    plan = plan_for(plate, source_hz)
    assert plan.ceiling_a >= CEILING_LEAST_A
    for ask in plan.asks:
        assert LEAST_V <= ask.volts <= 0.9 * MOST_V
        assert ask.volts / ask.frequency_hz <= volts / mains_hz
        assert ask.frequency_hz == mains_hz or (source_hz and source_hz[0] <= ask.frequency_hz <= source_hz[1])
    at_mains = [ask.volts for ask in plan.asks if ask.frequency_hz == mains_hz]
    passing = [ask.volts for ask in plan.asks if ask.passing]
    assert at_mains == [*passing, plan.most_v, *reversed(passing)]
    assert passing == sorted({*passing} - {plan.most_v})
    assert [ask for ask in plan.asks if ask.settles] == [plan.asks[len(passing)]]
    assert len(plan.asks) - len(at_mains) + len(plan.left_out) == 4


def test_a_source_of_one_frequency_leaves_the_others_out_and_says_so() -> None:
    plan = plan_for(Plate("transformer", 230.0, 80.0, 50.0), None)
    assert {ask.frequency_hz for ask in plan.asks} == {50.0}
    assert plan.left_out == tuple(f"{hertz} Hz: the source cannot" for hertz in (40, 100, 200, 400))


def test_a_core_that_is_rated_for_less_is_not_asked() -> None:
    """A 4 V, 50 Hz winding has 0.08 V for each hertz: 3.2 V at 40 Hz, no more."""
    plan = plan_for(Plate("switch-mode", 4.0, 1.0, 50.0), (40.0, 500.0))
    assert (40.0 not in {ask.frequency_hz for ask in plan.asks}) == (plan.most_v > 3.2)
    tiny = plan_for(Plate("switch-mode", 2.0, 1.0, 50.0), (40.0, 500.0))
    assert [ask.volts for ask in tiny.asks if ask.frequency_hz == 50.0] == [1.0, 2.0, 2.0, 1.0]
    assert any("40 Hz: 3 V is more than the core is rated for" in said for said in tiny.left_out)


def test_levels_go_with_the_winding_but_not_with_a_bridge_on_the_line() -> None:
    linear = plan_for(Plate("linear-amplifier", 120.0, 300.0, 60.0), None)
    bridge = plan_for(Plate("switch-mode", 120.0, 60.0, 60.0), None)
    assert linear.most_v == pytest.approx(4.0 * 120.0 / 230.0, abs=0.05)
    assert bridge.most_v == 3.0
    assert min(ask.volts for ask in linear.asks) > FLOOR_V
