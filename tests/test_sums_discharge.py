"""Discharge against worked values, IEC 62368-1 table 5 (as transcribed by others), and scipy's own integration."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.integrate import quad, solve_ivp

from rampguard.sums.discharge import (
    discharge,
    es1_limit_v,
    left_v,
    longest_time_constant_s,
    resistor_for,
    told_discharge,
    until_s,
)
from rampguard.sums.parts import E12, e12_at_most, ohms
from rampguard.sums.told import SumError

PEAK_V = 325.27
"""230 V mains."""


@pytest.mark.parametrize(
    ("capacitance_nf", "volts"),
    [(1000, 60), (300, 60), (170, 75), (91, 100), (61, 125), (41, 150), (28, 200), (18, 250), (12, 350), (8, 500)]
    + [(4, 1000), (1.6, 2500), (0.8, 5000), (0.4, 10000), (0.2, 20000), (0.133, 25000), (0.01, 25000)],
)
def test_table_5_of_iec_62368_1(capacitance_nf: float, volts: float) -> None:
    """ES1, as transcribed from IEC 62368-1:2018 by others."""
    assert es1_limit_v(capacitance_nf) == pytest.approx(volts)


def test_between_its_rows_the_line_is_straight() -> None:
    assert es1_limit_v(0.5 * (170.0 + 300.0)) == pytest.approx(67.5)


@settings(deadline=None)
@given(st.floats(0.001, 1e6), st.floats(1.0, 100.0))
def test_more_capacitance_may_hold_no_more_volts(capacitance_nf: float, more: float) -> None:
    assert es1_limit_v(capacitance_nf) >= es1_limit_v(capacitance_nf * more)


@pytest.mark.parametrize(("charged_v", "time_constant_s"), [(PEAK_V, 1.183), (264.0 * math.sqrt(2.0), 1.094)])
def test_the_largest_time_constant_to_60_v_in_2_s(charged_v: float, time_constant_s: float) -> None:
    """Worked out elsewhere from the table's 60 V and 2 s."""
    assert longest_time_constant_s(charged_v, 60.0, 2.0) == pytest.approx(time_constant_s, abs=5e-4)


@pytest.mark.parametrize(("microfarad", "volts"), [(1.0, 44.02), (0.47, 4.615)])
def test_what_1_megohm_leaves_after_2_s(microfarad: float, volts: float) -> None:
    """Worked out elsewhere."""
    told = told_discharge(microfarad, 230.0, 1e6, mains=True)
    assert told.values["after_2_s_v"] == pytest.approx(volts, rel=2e-4)
    assert told.passed is True


def test_one_time_constant_leaves_37_percent() -> None:
    """IEC 60950-1 2.1.1.7, as quoted: 340 V peak, 125.8 V after one time constant (37 %; 36.8 unrounded)."""
    assert left_v(340.0, 1e6, 1e-6, 1.0) == pytest.approx(125.8, rel=0.01)


def test_a_slow_plug_has_not_passed_and_is_told_what_would() -> None:
    told = told_discharge(1.0, 230.0, 2.2e6, mains=True)
    assert told.passed is False
    assert "TOO SLOW" in told.answer[0]
    assert "1 Mohm" in told.answer[0]


def test_against_scipys_integration() -> None:
    ohm, farad, volts = 100.0, 10e-3, 65.0
    d = discharge(1e6 * farad, volts, ohm)

    def low(_: float, v: np.ndarray) -> float:
        return float(v[0]) - 2.0

    low.terminal = True  # type: ignore[attr-defined]
    run = solve_ivp(lambda _, v: -v / (ohm * farad), (0.0, 20.0), [volts], events=low, rtol=1e-9, atol=1e-9)
    assert d.to_hands_s == pytest.approx(float(run.t_events[0][0]), rel=1e-6)
    energy, _ = quad(lambda t: (volts * math.exp(-t / (ohm * farad))) ** 2 / ohm, 0.0, 50.0)
    assert d.energy_j == pytest.approx(energy, rel=1e-6)
    assert d.peak_w == pytest.approx(42.25)


@settings(deadline=None)
@given(st.floats(0.01, 1e5), st.floats(1.0, 2000.0), st.floats(1.0, 1e7))
def test_slower_with_more_of_anything(microfarad: float, volts: float, ohm: float) -> None:
    d = discharge(microfarad, volts, ohm)
    bigger = discharge(2 * microfarad, volts, ohm), discharge(microfarad, volts, 2 * ohm)
    assert all(other.to_touch_s >= d.to_touch_s and other.to_hands_s >= d.to_hands_s for other in bigger)
    assert d.to_hands_s >= d.to_touch_s
    assert bigger[1].energy_j == pytest.approx(d.energy_j)
    assert 0.0 < d.least_w <= d.peak_w < d.steady_w


@settings(deadline=None)
@given(st.floats(0.01, 1e5), st.floats(61.0, 2000.0), st.floats(0.1, 100.0))
def test_the_resistor_that_is_found_is_in_time(microfarad: float, volts: float, within_s: float) -> None:
    ohm = resistor_for(microfarad, volts, within_s)
    assert until_s(volts, 60.0, ohm, microfarad * 1e-6) == pytest.approx(within_s)
    told = told_discharge(microfarad, volts, within_s=within_s)
    assert told.values["below_60_v_in_s"] <= within_s * (1 + 1e-9)


@settings(deadline=None)
@given(st.floats(1e-2, 1e8))
def test_the_e12_value_is_the_next_at_or_below(ohm: float) -> None:
    found = e12_at_most(ohm)
    assert found <= ohm * (1 + 1e-8)
    assert ohm < found * 1.26
    assert any(math.isclose(found / 10 ** math.floor(math.log10(found) + 1e-9), v, rel_tol=1e-6) for v in E12)


def test_ohms_in_words() -> None:
    assert [ohms(value) for value in (47.0, 4700.0, 1e6)] == ["47 ohm", "4.7 kohm", "1 Mohm"]


def test_a_small_resistor_for_long_gets_no_overload() -> None:
    """220 uF through 100 kohm takes 22 s: five times the rating for 5 s does not cover that."""
    long = discharge(220.0, 450.0, 100e3)
    assert long.least_w == pytest.approx(long.peak_w)


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"resistor_ohm": None, "within_s": None}, "give one of"),
        ({"resistor_ohm": 1.0, "within_s": 1.0}, "give one of"),
        ({"resistor_ohm": math.nan}, "resistor_ohm"),
        ({"resistor_ohm": -1.0}, "resistor_ohm"),
        ({"within_s": 0.0}, "within_s"),
    ],
)
def test_what_cannot_be_is_refused(given: dict[str, float | None], said: str) -> None:
    with pytest.raises(SumError, match=said):
        told_discharge(10.0, 100.0, **given)  # type: ignore[arg-type]


def test_what_is_low_already_needs_no_resistor() -> None:
    with pytest.raises(SumError, match="already"):
        told_discharge(10.0, 50.0, within_s=1.0)
    with pytest.raises(SumError):
        es1_limit_v(0.0)
