"""A soft-start resistor's energy against the circuit solved by scipy, and against a published measurement."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import solve_ivp

from rampguard.sums.soft_start import PULSE, SoftStart, Started, hold_s, soft_start, stored_j, told_soft_start
from rampguard.sums.told import SumError

UNIT = {
    "resistor_ohm": 47.0,
    "rating_w": 10.0,
    "reservoir_uf": 10000.0,
    "rail_v": 45.0,
    "rails": 2,
    "mains_v": 230.0,
    "idle_w": 40.0,
}


def unit(**changed: float) -> Started:
    return Started(**{**UNIT, **changed})  # type: ignore[arg-type]


def made(**changed: float) -> SoftStart:
    return soft_start(unit(**changed))


@pytest.mark.parametrize("ohm", [10.0, 47.0, 220.0])
def test_a_direct_voltage_puts_half_c_v_squared_into_any_resistor(ohm: float) -> None:
    """scipy's integration of the RC circuit."""
    s = made(resistor_ohm=ohm)
    peak_v = math.sqrt(2.0) * 230.0

    def rates(_: float, y: np.ndarray) -> list[float]:
        amperes = (peak_v - y[0]) / ohm
        return [amperes / s.reflected_farad, amperes**2 * ohm]

    run = solve_ivp(rates, (0.0, 20.0 * s.time_constant_s), [0.0, 0.0], rtol=1e-9, atol=1e-9)
    assert s.start_j == pytest.approx(float(run.y[1][-1]), rel=1e-6)
    assert s.start_j == pytest.approx(20.25)
    assert s.peak_a == pytest.approx(peak_v / ohm)


def rectified(ohm: float, farad: float, mains_v: float, hertz: float, seconds: float) -> tuple[np.ndarray, float]:
    """Capacitor volts, 50 000 a second, and the joules in the resistor; switched on at the crest, the worst moment."""
    step_s, peak_v = 2e-5, math.sqrt(2.0) * mains_v
    source = np.abs(peak_v * np.cos(2.0 * math.pi * hertz * np.arange(0.0, seconds, step_s)))
    volts, at, joules = np.empty_like(source), 0.0, 0.0
    for number, v in enumerate(source):
        amperes = max(0.0, (float(v) - at) / ohm)
        at += amperes * step_s / farad
        joules += amperes**2 * ohm * step_s
        volts[number] = at
    return volts, joules


@pytest.mark.parametrize(("ohm", "hertz"), [(10.0, 50.0), (100.0, 60.0)])
def test_a_rectified_sine_puts_in_less(ohm: float, hertz: float) -> None:
    s = made(resistor_ohm=ohm)
    volts, joules = rectified(ohm, s.reflected_farad, 230.0, hertz, 0.6)
    assert volts[-1] > 0.9 * math.sqrt(2.0) * 230.0
    assert 0.4 * s.start_j < joules <= 1.01 * s.start_j


def test_the_published_inrush() -> None:
    """150 W amplifier, 6 x 15 000 uF, rails +/-65 V: 130 A peak, settles in nearly 0.5 s (neurochrome.com, Ultimate
    Guide to Soft Start Design; its mains are not stated: 120 V, 60 Hz is taken). Plausible, no more."""
    ohm = math.sqrt(2.0) * 120.0 / 130.0
    s = made(resistor_ohm=ohm, reservoir_uf=45000.0, rail_v=65.0, mains_v=120.0)
    assert s.peak_a == pytest.approx(130.0)
    assert s.start_j == pytest.approx(190.1, rel=1e-3)
    volts, joules = rectified(ohm, s.reflected_farad, 120.0, 60.0, 0.8)
    settled_s = 2e-5 * int(np.argmax(volts > 0.99 * math.sqrt(2.0) * 120.0))
    assert 0.35 < settled_s < 0.65
    assert joules < s.start_j


@settings(deadline=None)
@given(st.floats(10.0, 1e5), st.floats(5.0, 500.0), st.integers(1, 4), st.floats(1.1, 5.0))
def test_what_a_start_puts_in_grows_with_the_square_of_the_rail(
    microfarad: float, volts: float, rails: int, more: float
) -> None:
    assert stored_j(microfarad, volts * more, rails) == pytest.approx(more**2 * stored_j(microfarad, volts, rails))
    assert stored_j(microfarad * more, volts, rails) == pytest.approx(more * stored_j(microfarad, volts, rails))


@settings(deadline=None)
@given(st.floats(0.1, 1000.0), st.floats(0.1, 1000.0), st.floats(0.5, 50.0), st.floats(0.0, 500.0))
def test_more_power_is_borne_for_no_longer(one: float, other: float, rating_w: float, spent_j: float) -> None:
    low, high = sorted((one, other))
    long, short = (hold_s(w, rating_w, PULSE * rating_w, spent_j) for w in (low, high))
    assert (math.inf if long is None else long) >= (math.inf if short is None else short) >= 0.0


@settings(deadline=None)
@given(st.floats(1.0, 300.0), st.floats(1.1, 3.0))
def test_a_bigger_rating_holds_longer(idle_w: float, more: float) -> None:
    one, other = made(idle_w=idle_w), made(idle_w=idle_w, rating_w=10.0 * more)
    for small, big in zip(one.holds, other.holds, strict=True):
        assert big.idle_s is None or (small.idle_s is not None and big.idle_s >= small.idle_s)
        assert big.short_s is None or (small.short_s is not None and big.short_s > small.short_s)


def test_within_its_rating_a_hold_has_no_end_and_above_it_one() -> None:
    assert all(hold.idle_s is None for hold in made().holds)
    hot = made(idle_w=150.0).holds[-1]
    assert hot.idle_w == pytest.approx((150.0 / (0.56 * 230.0)) ** 2 * 47.0)
    assert hot.idle_s == pytest.approx((250.0 - 20.25 * 0.64) / hot.idle_w)


def test_a_short_at_80_percent_of_line() -> None:
    hold = made().holds[-1]
    assert hold.short_w == pytest.approx(184.0**2 / 47.0)
    assert hold.short_s == pytest.approx(250.0 / hold.short_w)


def test_a_resistor_too_small_for_one_start_is_told() -> None:
    s = made(reservoir_uf=200000.0)
    assert not s.bears_a_start
    told = told_soft_start(unit(reservoir_uf=200000.0))
    assert "DOES NOT BEAR IT" in told.answer[0]
    assert told.values["bears_a_start"] is False


def test_a_data_sheets_pulse_rating_goes_before() -> None:
    assert made(pulse_j=10.0).bears_a_start is False
    assert "you, from its data sheet" in told_soft_start(unit(pulse_j=10.0)).as_text


@pytest.mark.parametrize(
    ("changed", "said"),
    [
        ({"resistor_ohm": 0.0}, "resistor_ohm"),
        ({"rating_w": -1.0}, "rating_w"),
        ({"idle_w": math.nan}, "idle_w"),
        ({"rails": 0}, "rails"),
        ({"rails": 9}, "rails"),
        ({"idle_w": 2000.0}, "more than 60% of line"),
    ],
)
def test_what_cannot_be_is_refused(changed: dict[str, float], said: str) -> None:
    with pytest.raises(SumError, match=said):
        made(**changed)


def test_all_problems_at_once() -> None:
    with pytest.raises(SumError) as refused:
        made(resistor_ohm=-1.0, rail_v=0.0, rails=7)
    assert len(refused.value.problems) == 3
