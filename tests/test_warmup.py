"""Idle, temperatures, windings, the odd channel and unit sheets: against published values and hand sums."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from instruments.temperature import pt100_degc, pt100_ohm, type_k_degc, type_k_mv
from rampguard.warmup.exponentials import FitError, fit_exponentials
from rampguard.warmup.idle import Span, class_b_optimum_a, idle_from, thermal_voltage_v, volts_for
from rampguard.warmup.odd_one_out import odd_ones
from rampguard.warmup.sheet import SheetError, UnitSheet, load_sheet
from rampguard.warmup.winding import winding_rise_k

# NIST StRD, nonlinear regression: data and certified values as published.
MISRA1A = (
    (10.07, 77.6),
    (14.73, 114.9),
    (17.94, 141.1),
    (23.93, 190.8),
    (29.61, 239.9),
    (35.18, 289.0),
    (40.02, 332.8),
    (44.82, 378.4),
    (50.76, 434.8),
    (55.05, 477.3),
    (61.01, 536.8),
    (66.40, 593.1),
    (75.47, 689.1),
    (81.78, 760.0),
)
BOXBOD = ((109.0, 1.0), (149.0, 2.0), (149.0, 3.0), (191.0, 5.0), (213.0, 7.0), (224.0, 10.0))
# The data of MGH17 from memory; that they are the right ones shows in the certified sum of squares.
MGH17 = (
    *(0.844, 0.908, 0.932, 0.936, 0.925, 0.908, 0.881, 0.850, 0.818, 0.784, 0.751, 0.718, 0.685, 0.658, 0.628, 0.603),
    *(0.580, 0.558, 0.538, 0.522, 0.506, 0.490, 0.478, 0.467, 0.457, 0.448, 0.438, 0.431, 0.424, 0.420, 0.414, 0.411),
    0.406,
)


@pytest.mark.parametrize(
    ("data", "value", "rate", "value_u", "rate_u", "squares"),
    [
        (MISRA1A, 2.3894212918e02, 5.5015643181e-04, 2.7070075241e00, 7.2668688436e-06, 1.2455138894e-01),
        (BOXBOD, 2.1380940889e02, 5.4723748542e-01, 1.2354515176e01, 1.0455993237e-01, 1.1680088766e03),
    ],
    ids=["Misra1a", "BoxBOD"],
)
def test_one_exponential_from_zero_against_nist(
    data: tuple[tuple[float, float], ...], value: float, rate: float, value_u: float, rate_u: float, squares: float
) -> None:
    y, x = np.array(data).T
    fit = fit_exponentials(x, y, from_zero=True)
    [tau], [tau_u] = fit.time_constants_s, fit.time_constants_u
    assert fit.value == pytest.approx(value, rel=1e-8)
    assert 1.0 / tau == pytest.approx(rate, rel=1e-8)
    assert fit.value_u == pytest.approx(value_u, rel=1e-6)
    assert tau_u / tau**2 == pytest.approx(rate_u, rel=1e-6)
    assert fit.sum_of_squares == pytest.approx(squares, rel=1e-9)


def test_two_exponentials_against_nist() -> None:
    fit = fit_exponentials(10.0 * np.arange(33), np.array(MGH17), terms=2)
    assert fit.sum_of_squares == pytest.approx(5.4648946975e-05, rel=1e-8)
    assert fit.residual_sd == pytest.approx((5.4648946975e-05 / 28) ** 0.5, rel=1e-8)
    assert fit.value == pytest.approx(3.7541005211e-01, rel=1e-5)
    assert fit.amplitudes == pytest.approx((1.9358469127e00, -1.4646871366e00), rel=1e-5)
    assert [1.0 / tau for tau in fit.time_constants_s] == pytest.approx([1.2867534640e-02, 2.2122699662e-02], rel=1e-5)
    assert fit.value_u == pytest.approx(2.0723153551e-03, rel=1e-4)
    assert fit.amplitudes_u == pytest.approx((2.2031669222e-01, 2.2175707739e-01), rel=1e-4)
    assert fit.at(0.0) == pytest.approx(fit.value + sum(fit.amplitudes))


@pytest.mark.parametrize("points", [3, 0])
def test_too_few_points_are_no_fit(points: int) -> None:
    with pytest.raises(FitError, match="4 finite ones"):
        fit_exponentials(np.arange(float(points)), np.ones(points))


def test_points_of_one_moment_are_no_fit() -> None:
    with pytest.raises(FitError, match="one moment"):
        fit_exponentials(np.zeros(9), np.arange(9.0))


def test_idle_by_hand() -> None:
    """13.2 mV across two resistors of 0.22 ohm: 30 mA. Two pairs between 90 V: 5.4 W."""
    span = Span(resistor_ohm=0.22, resistors=2, tolerance=0.05)
    idle = idle_from(0.0132, 0.0001, span, rails_v=90.0, rails_bound=0.9, pairs=2)
    assert idle.current_a == pytest.approx(0.030)
    assert idle.heat_w == pytest.approx(5.4)
    # u(V) = 0.1 mV / sqrt 3 / 0.44 ohm = 0.1312 mA; u(R) = 5 % / sqrt 3 = 2.887 % of 30 mA = 0.8660 mA; together
    assert idle.current_u == pytest.approx((0.1312e-3**2 + 0.8660e-3**2) ** 0.5, rel=1e-3)
    # and in watts: 2 sqrt((90 V x 0.8759 mA)^2 + (30 mA x 0.9 V / sqrt 3)^2)
    assert idle.heat_u == pytest.approx(2.0 * ((90.0 * 0.8759e-3) ** 2 + (0.030 * 0.5196) ** 2) ** 0.5, rel=1e-3)


def test_one_resistor_or_two_is_a_factor_of_two() -> None:
    one, two = (Span(resistor_ohm=0.22, resistors=n) for n in (1, 2))
    assert volts_for(0.03, two) == 2.0 * volts_for(0.03, one)
    assert idle_from(-0.0132, 0.0, two, rails_v=90.0).current_a == pytest.approx(0.030)


@pytest.mark.parametrize(("ohm", "milliamperes"), [(0.22, 118.0), (0.33, 78.8), (0.10, 260.0)])
def test_the_class_b_optimum_against_a_worked_example(ohm: float, milliamperes: float) -> None:
    """0.22 ohm, 118 mA: a worked example of the published rule; the others by the rule."""
    assert class_b_optimum_a(ohm) * 1e3 == pytest.approx(milliamperes, rel=0.005)


def test_the_device_takes_its_own_part_of_the_optimum() -> None:
    assert class_b_optimum_a(0.22, device_ohm=0.04) * 0.22 == pytest.approx(0.022)


@pytest.mark.parametrize(
    ("degc", "millivolts"), [(20.0, 25.2617), (25.0, 25.6926), (26.85, 25.8520), (60.0, 28.7086), (75.0, 30.0012)]
)
def test_thermal_voltage(degc: float, millivolts: float) -> None:
    """From the exact constants of the SI."""
    assert thermal_voltage_v(degc) * 1e3 == pytest.approx(millivolts, abs=6e-5)


TYPE_K = ((-270, -6.4577), (-200, -5.8914), (-100, -3.5536), (0, 0.0), (20, 0.7981), (25, 1.0002), (50, 2.0231))
TYPE_K_HOT = ((75, 3.0589), (100, 4.0962), (125, 5.1244), (150, 6.1383), (200, 8.1385), (500, 20.6443))
TYPE_K_ENDS = ((1000, 41.2756), (1372, 54.8864))


@pytest.mark.parametrize(("degc", "millivolts"), [*TYPE_K, *TYPE_K_HOT, *TYPE_K_ENDS])
def test_type_k_against_its_90(degc: float, millivolts: float) -> None:
    """NIST's reference function; -270 and -200 degC and the ends of the ranges as in printed tables."""
    assert type_k_mv(degc) == pytest.approx(millivolts, abs=6e-5)
    if -250 < degc < 1372:  # towards -270 degC it says hardly anything any more
        assert type_k_degc(millivolts) == pytest.approx(degc, abs=0.01)


def test_a_type_k_junction_is_read_from_the_other_end_s_temperature() -> None:
    assert type_k_degc(type_k_mv(75.0) - type_k_mv(23.0), reference_degc=23.0) == pytest.approx(75.0, abs=1e-9)


@pytest.mark.parametrize(
    ("degc", "ohm"),
    [(-100, 60.2558), (-50, 80.3063), (-20, 92.1599), (0, 100.0), (20, 107.7935), (25, 109.7347), (50, 119.3971)]
    + [(75, 128.9874), (100, 138.5055), (150, 157.3251), (200, 175.8560), (850, 390.4811)],
)
def test_pt100_against_iec_60751(degc: float, ohm: float) -> None:
    assert pt100_ohm(degc) == pytest.approx(ohm, abs=6e-5)
    assert pt100_degc(ohm) == pytest.approx(degc, abs=0.001)


def test_pt100_the_other_way() -> None:
    """108.5 ohm is 21.8189 degC (published example)."""
    assert pt100_degc(108.5) == pytest.approx(21.8189, abs=1e-4)


@pytest.mark.parametrize("read", [lambda: pt100_degc(5.0), lambda: type_k_degc(80.0), lambda: pt100_degc(1e9)])
def test_beyond_the_sensor_s_range_is_refused(read: object) -> None:
    assert callable(read)
    with pytest.raises(ValueError, match="check the sensor"):
        read()


def test_winding_rise_by_the_copper_rule() -> None:
    """4.00 ohm at 25 degC, 4.80 ohm when warm in a room of 27 degC: 49.9 K (product-standard form, by hand)."""
    assert winding_rise_k(4.0, 4.8, cold_degc=25.0, room_degc=27.0) == pytest.approx(49.9)
    assert winding_rise_k(4.0, 4.0, cold_degc=25.0) == 0.0
    # One degree from 20 degC: one part in 254.5, copper's 0.00393 per kelvin.
    assert winding_rise_k(1.0, 1.00393, cold_degc=20.0) == pytest.approx(1.0, rel=1e-3)
    with pytest.raises(ValueError, match="some resistance"):
        winding_rise_k(0.0, 4.8, cold_degc=25.0)


URANIUM = dict(zip("abcdefgh", (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57), strict=True))
"""NIST/SEMATECH e-Handbook 1.3.5.17.1, Grubbs' test."""


def test_the_odd_one_of_grubbs_example() -> None:
    """Grubbs' test finds 245.57 (G = 2.468765, beyond the two-sided critical 2.12665); so does ours, and no other."""
    values = np.array(list(URANIUM.values()))
    g = np.max(np.abs(values - values.mean())) / values.std(ddof=1)
    t = stats.t.ppf(1 - 0.05 / (2 * 8), 6)
    assert g == pytest.approx(2.468765, abs=1e-6)
    assert 7 / 8**0.5 * (t**2 / (6 + t**2)) ** 0.5 == pytest.approx(2.12665, abs=1e-5)
    assert set(odd_ones(URANIUM, 0.0)) == {"h"}
    assert odd_ones(URANIUM, 0.0)["h"] == pytest.approx(245.57 - 201.37)


def test_two_odd_ones_do_not_hide_each_other() -> None:
    values = dict(zip("abcdefg", (12.0, 12.3, 11.8, 12.1, 30.0, 31.0, 11.9), strict=True))
    assert set(odd_ones(values, 1.0)) == {"e", "f"}


def test_what_needs_no_fault_is_not_odd() -> None:
    assert odd_ones({"a": 12.0, "b": 12.0, "c": 12.9}, explained=1.0) == {}
    assert set(odd_ones({"a": 12.0, "b": 12.0, "c": 13.1}, explained=1.0)) == {"c"}


def test_of_two_channels_nobody_can_say() -> None:
    assert odd_ones({"left": 5.0, "right": 50.0}, 1.0) == {}


SHEET = """\
format = 1
model = "shelf amplifier, 2 x 60 W"
load_class = "linear-amplifier"
channels = ["left", "right"]

[idle]
resistor_ohm = 0.22
resistors_between_test_points = 2
target_v = 0.0132
tolerance_percent = 15.0

[rails]
plus_v = 45.0
minus_v = -45.0
"""


def sheet(tmp_path: Path, *changes: str) -> UnitSheet:
    text = SHEET
    for change in changes:
        old, new = change.split("|")
        assert old in text
        text = text.replace(old, new)
    path = tmp_path / "sheet.toml"
    path.write_text(text, encoding="utf-8")
    return load_sheet(path)


def test_a_sheet(tmp_path: Path) -> None:
    read = sheet(tmp_path)
    assert read.idle.span.ohm == pytest.approx(0.44)
    assert read.idle.tolerance_v == pytest.approx(0.00198)
    assert read.rails.across_v == 90.0
    assert (read.idle.first_setting_min, read.idle.final_check_min) == (5.0, 30.0)


def test_a_target_in_amperes_is_of_one_device(tmp_path: Path) -> None:
    assert sheet(tmp_path, "target_v = 0.0132|target_a = 0.030").idle.volts == pytest.approx(0.0132)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ("target_v = 0.0132|target_mv = 13.2", "idle.target_mv: unknown key"),
        ("target_v = 0.0132\n|", "idle: give one of target_v"),
        ("target_v = 0.0132|target_v = 0.0132\ntarget_a = 0.03", "idle: give one of target_v"),
        ("resistors_between_test_points = 2|resistors_between_test_points = 3", "Input should be 1 or 2"),
        ("resistors_between_test_points = 2\n|", "idle.resistors_between_test_points: missing"),
        ("resistor_ohm = 0.22|resistor_ohm = -0.22", "idle.resistor_ohm"),
        ("resistor_ohm = 0.22|resistor_ohm = nan", "idle.resistor_ohm"),
        ('"left", "right"|"left", "left"', "two have one name"),
        ('"left", "right"|"Left"', "lower-case letters"),
        ("minus_v = -45.0|minus_v = 45.0", "rails.minus_v"),
        ("tolerance_percent = 15.0|tolerance_percent = 15.0\nfinal_check_min = 4.0", "final_check_min comes after"),
        ("format = 1|format = 2", "format"),
        ("[idle]|[idle", "is not TOML"),
    ],
)
def test_a_bad_sheet_is_refused_by_key_and_remedy(tmp_path: Path, change: str, says: str) -> None:
    with pytest.raises(SheetError, match=r"sheet\.toml") as refused:
        sheet(tmp_path, change)
    assert says in str(refused.value)


def test_a_missing_sheet_is_told(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="cannot be read"):
        load_sheet(tmp_path / "none.toml")
