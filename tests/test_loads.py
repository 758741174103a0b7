"""The load models against numerical integration, handbook exponents, measured loads, and the simulated units."""

from __future__ import annotations

import math
import random
from collections.abc import Callable, Iterator

import numpy as np
import pytest
from scipy.integrate import quad, solve_ivp
from scipy.optimize import brentq

from instruments.simulated.units import UNITS, make_unit
from instruments.simulated.world import World
from rampguard.loads import filament
from rampguard.loads.band import SAMPLES, Band, BandState, tempered
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.loads.families import FAMILIES
from rampguard.loads.following import Sight
from rampguard.loads.model import Drawn
from rampguard.loads.ranges import Range, golden, samples
from rampguard.loads.rectifier import mean_and_square, settle
from rampguard.quantities import Expectation
from simulated_help import brought_up
from test_measured_loads import CAPACITOR_INPUT, CORRECTED, HEATERS, LAMPS, measured

Curve = Callable[[float], float]


# -- parts -----------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("x", [0.0, 0.3, 0.7, 0.95, 0.999])
def test_the_rectifier_in_closed_form_against_numerical_integration(x: float) -> None:
    """scipy.integrate.quad over the conduction angle."""
    theta = math.acos(x)
    mean, square = mean_and_square(x)
    by_quad = [quad(lambda phi, n=n: (math.cos(phi) - x) ** n, -theta, theta)[0] / math.pi for n in (1, 2)]
    assert mean == pytest.approx(by_quad[0], rel=1e-9)
    assert square == pytest.approx(by_quad[1], rel=1e-9)


def test_it_settles_where_charge_in_is_charge_out() -> None:
    """Against scipy's solve_ivp on the circuit itself: 325 V peak, 10 ohm, 500 uF, 0.3 A; ripple is its own error."""

    def slope(t: float, y: np.ndarray) -> list[float]:
        drive_v = 325.0 * abs(math.sin(2.0 * math.pi * 50.0 * t))
        return [(max(0.0, drive_v - y[0]) / 10.0 - 0.3) / 5e-4]

    times = np.linspace(0.9, 1.0, 2001)
    solved = solve_ivp(slope, (0.0, 1.0), [300.0], t_eval=times, max_step=1e-4, rtol=1e-7)
    square = np.mean((np.maximum(0.0, 325.0 * np.abs(np.sin(2.0 * np.pi * 50.0 * times)) - solved.y[0]) / 10.0) ** 2)
    one = np.ones(1)
    volts, mean, mean_square = settle(325.0 * one, 300.0 * one, 10.0 * one, 5e-4 / 10.0 * one, 0.3 * one, 0.0 * one)
    assert volts[0] == pytest.approx(np.mean(solved.y[0]), rel=0.01)
    assert mean[0] == pytest.approx(0.3, rel=0.01)
    assert math.sqrt(mean_square[0]) == pytest.approx(math.sqrt(square), rel=0.03)


@pytest.mark.parametrize("seed", range(40))
def test_charge_in_meets_charge_out_to_a_part_in_a_hundred_thousand(seed: int) -> None:
    """Against scipy.optimize.brentq, over whatever peak, reservoir, load and length of step there may be."""
    draw = random.Random(seed).uniform
    peak_v, ohm, farad_per_s = draw(0.01, 1.9), math.exp(draw(-3.5, 0.0)), math.exp(draw(-7.0, 3.0))
    held_v, load_a, load_s = draw(0.0, 1.05) * peak_v, draw(0.0, 0.3), math.exp(draw(-7.0, 5.0))
    one = np.ones(1)
    volts, mean, _ = settle(
        peak_v * one, held_v * one, ohm * one, farad_per_s * one, load_a * peak_v * one, load_s * one
    )

    def short_of(x: float) -> float:
        comes = peak_v / ohm * (2.0 / math.pi) * (math.sqrt(1.0 - x * x) - math.acos(x) * x)
        return comes - farad_per_s * (x * peak_v - held_v) - load_a * peak_v - load_s * x * peak_v

    if short_of(0.0) <= 0.0 or short_of(1.0) >= 0.0:
        assert volts[0] == 0.0 or mean[0] == 0.0
        return
    x = brentq(short_of, 0.0, 1.0, xtol=1e-15, rtol=1e-14)
    comes = farad_per_s * (x * peak_v - held_v) + load_a * peak_v + load_s * x * peak_v
    assert volts[0] == pytest.approx(x * peak_v, abs=1e-5 * peak_v)
    assert mean[0] == pytest.approx(comes, rel=1e-5, abs=1e-9)


def test_above_the_peak_the_reservoir_empties_into_its_load() -> None:
    one = np.ones(1)
    volts, mean, square = settle(50.0 * one, 300.0 * one, 10.0 * one, 5e-4 / 0.1 * one, 0.1 * one, 0.0 * one)
    assert volts[0] == pytest.approx(300.0 - 0.1 * 0.1 / 5e-4)
    assert (mean[0], square[0]) == (0.0, 0.0)


def test_the_bridge_keeps_to_the_makers_factors() -> None:
    """Idc = 0.62 Isec (Hammond, Design Guide for Rectifier Use), for a regulation of 8 to 20 %: within 15 %."""
    for ohm in (0.5, 0.8, 1.2):
        one = np.ones(1)
        load_s = 0.1 * one
        _, mean, square = settle(
            (12.0 * math.sqrt(2.0) - 1.6) * one, 12.0 * one, ohm * one, 2e-6 * one, 0.0 * one, load_s
        )
        assert mean[0] / math.sqrt(square[0]) == pytest.approx(0.62, rel=0.15)


def test_currents_on_one_line_add_as_their_waves_do() -> None:
    """Rectifier pulses, a resistor and a choke on 0.8 of line, by sampling the sum."""
    phase = 2.0 * np.pi * np.arange(4096) / 4096
    volts = 0.8 * math.sqrt(2.0) * np.sin(phase)
    pulses = np.sign(volts) * np.maximum(0.0, np.abs(volts) - 0.9)
    whole = pulses + volts * 0.3 - 0.25 * math.sqrt(2.0) * np.cos(phase)

    def rms(wave: np.ndarray) -> np.ndarray:
        return np.sqrt(np.mean(wave * wave, keepdims=True))

    alone = Drawn(rms(pulses), np.mean(pulses * volts, keepdims=True))
    both = alone.beside(0.8, np.array([0.3 * 0.8**2]), 0.25)
    assert both.current == pytest.approx(rms(whole), rel=1e-9)
    assert both.power == pytest.approx(np.mean(whole * volts), rel=1e-9)
    assert alone.beside(0.0, np.array([0.0])).current == 0.0


# Tungsten, microohm centimetres: CRC Handbook of Chemistry and Physics (after Forsythe and Worthing), as transcribed.
TUNGSTEN = {300.0: 5.65, 1000.0: 24.93, 1500.0: 40.36, 2000.0: 56.67, 2500.0: 73.91, 2700.0: 81.04, 3000.0: 92.04}


def test_the_filaments_resistance_against_the_tungsten_table() -> None:
    """A plain power of the temperature: within 4 % from 1000 K on, 10 % low at room temperature."""
    hot = np.interp(2750.0, list(TUNGSTEN), list(TUNGSTEN.values()))
    for kelvin, rho in TUNGSTEN.items():
        found = float(filament.resistance(np.array([kelvin / 2750.0]))[0])
        assert found == pytest.approx(rho / hot, rel=0.04 if kelvin >= 1000.0 else 0.12)


def test_settled_filament_current_follows_the_rerating_exponent() -> None:
    """0.541 (IES handbook, from memory) to 0.55 (Standard Handbook for Electrical Engineers, as cited).

    By radiation alone: what goes along the leads makes it less, 0.525 with a twentieth of the loss.
    """
    currents = []
    for v in (0.9, 1.1):
        t = filament.warm(np.array([0.9]), np.array([v * v]), 20.0, np.array([0.1]), np.array([0.0]))
        for _ in range(20):
            t = filament.warm(t, np.array([v * v]), 1.0, np.array([0.1]), np.array([0.0]))
        currents.append(v / filament.resistance(t)[0])
    assert 0.53 < math.log(currents[1] / currents[0]) / math.log(1.1 / 0.9) < 0.56


# -- ranges ----------------------------------------------------------------------------------------------------------


def test_every_class_has_a_model_and_every_range_its_reason() -> None:
    assert set(FAMILIES) == set(LOAD_CLASSES)
    for family in FAMILIES.values():
        for name, item in family.ranges.items():
            assert item.why, name
            assert item.low < item.high


def test_the_sequence_is_plain_arithmetic_and_fills_its_ranges() -> None:
    """In one dimension the step is the golden ratio's inverse, 0.618...; in two, by the plastic number 1.3247."""
    assert golden(1) == pytest.approx(1.6180339887, rel=1e-9)
    assert golden(2) == pytest.approx(1.3247179572, rel=1e-9)
    drawn = samples({"a": Range(0.0, 1.0, "test"), "b": Range(1.0, 100.0, "test", log=True)}, 1000)
    assert drawn["a"][0] == pytest.approx((0.5 + 1.0 / 1.3247179572) % 1.0, rel=1e-9)
    for value in (drawn["a"], np.log(drawn["b"]) / math.log(100.0)):
        counts, _ = np.histogram(value, bins=20, range=(0.0, 1.0))
        assert counts.min() >= 45
        assert counts.max() <= 55


@pytest.mark.parametrize(("low", "high", "log"), [(2.0, 1.0, False), (0.0, 1.0, True)])
def test_what_is_no_range_is_refused(low: float, high: float, log: bool) -> None:
    with pytest.raises(ValueError, match="no range"):
        Range(low, high, "test", log=log)


# -- whole classes ---------------------------------------------------------------------------------------------------


# Q. Tao, Voltage sensitivity of residential loads, Zenodo 10.5281/zenodo.10809111, MIT: power's exponent near 230 V.
FANS = (1.95, 2.21)


@pytest.mark.parametrize(
    ("load_class", "rows"),
    [("heater", HEATERS), ("filament-lamp", LAMPS), ("switch-mode", (*CAPACITOR_INPUT, *CORRECTED))],
)
def test_a_class_holds_the_measured_loads_from_100_to_132_v(
    load_class: str, rows: tuple[tuple[float, ...], ...]
) -> None:
    """Sources beside the figures in test_measured_loads; each with a nameplate of its own rated power at 120 V, brought
    up, and then down from 132 V: within the band as it closes."""
    for row in rows:
        rated_w = measured(row, 1.0)[0]
        band = _band(load_class, 120.0, rated_w)
        state = band.begin()
        for k, volts in enumerate(_up_and_down()):
            power_w, apparent_va = measured(row, volts / 120.0)
            reads = volts >= 100.0  # the measured polynomials say nothing below
            sight = Sight(
                time_s=0.5 * k,
                line_voltage_v=volts,
                line_current_a=apparent_va / volts if reads else None,
                real_power_w=power_w if reads else None,
            )
            state, expected = band.step(state, sight)
            if reads:
                assert expected.current_a is not None
                assert expected.power_w is not None
                assert expected.current_a.low <= apparent_va / volts <= expected.current_a.high, (row[0], volts)
                assert expected.power_w.low <= power_w <= expected.power_w.high, (row[0], volts)


@pytest.mark.parametrize("exponent", FANS)
def test_the_motor_class_holds_measured_fans_from_100_to_132_v(exponent: float) -> None:
    """A running fan of the measured exponent of power; its power factor is ours (0.85, common practice)."""
    band = _band("motor", 120.0, 40.0)
    state = band.begin()
    for k, volts in enumerate(_up_and_down()):
        power_w = 40.0 * (volts / 120.0) ** exponent
        reads = volts >= 100.0
        sight = Sight(
            time_s=0.5 * k,
            line_voltage_v=volts,
            line_current_a=power_w / 0.85 / volts if reads else None,
            real_power_w=power_w if reads else None,
        )
        state, expected = band.step(state, sight)
        if reads:
            assert expected.power_w is not None
            assert expected.power_w.low <= power_w <= expected.power_w.high, volts


def _up_and_down() -> list[float]:
    up = [float(volts) for volts in range(4, 133, 2)]
    return [*up, *([132.0] * 20), *(float(volts) for volts in range(131, 99, -1))]


def _band(load_class: str, volts: float, watts: float) -> Band:
    family = FAMILIES[load_class]
    return Band(family(samples(family.ranges, SAMPLES)), nameplate_v=volts, nameplate_w=watts)


HEALTHY = [name for name, recipe in UNITS.items() if not recipe.fault]


def _along_a_ramp(
    name: str, steps: int, full_line_at: float, press_at: float = 0.75
) -> Iterator[tuple[float, float, float, Expectation]]:
    """A simulated unit brought up by readings of 0.2 s, its power pressed at a part of the way where that is needed.

    Line voltage, as a part of the mains; the unit's current, A, and power, W; and what was expected of it.
    """
    world = World(make_unit(name, 2, 230.0, 50.0), 230.0, 50.0)
    plate = world.unit.nameplate
    band = _band(plate.load_class, 230.0, plate.nameplate_w)
    state = band.begin()
    is_pressed = "receiver" in name or "standby" in name
    for sight in brought_up(world, steps, full_line_at, press_at=press_at if is_pressed else None):
        state, expected = band.step(state, sight)
        assert sight.line_voltage_v is not None
        assert sight.line_current_a is not None
        assert sight.real_power_w is not None
        yield sight.line_voltage_v / 230.0, sight.line_current_a, sight.real_power_w, expected


@pytest.mark.parametrize("name", HEALTHY)
def test_the_band_holds_the_simulated_units_along_a_ramp(name: str) -> None:
    """Two models that share no formula: whatever the simulator draws lies within the band as it closes."""
    for part, current_a, power_w, expected in _along_a_ramp(name, 160, 120.0):
        if expected.current_a is None or expected.power_w is None:
            assert expected.why_not
            assert expected.event_budget_j is None or expected.event_j < expected.event_budget_j
        else:
            assert expected.current_a.low <= current_a <= expected.current_a.high, part
            assert expected.power_w.low <= power_w <= expected.power_w.high, part


@pytest.mark.parametrize("name", ["shorted-output", "one-sided-short", "shorted-rectifier", "shorted-switch"])
def test_a_hard_fault_is_well_outside_its_band_by_a_tenth_of_line(name: str) -> None:
    ramp = _along_a_ramp(name, 60, 600.0)
    assert any(current > 1.5 * e.current_a.high for _, current, _, e in ramp if e.current_a is not None)


def test_the_band_closes_around_the_unit() -> None:
    """An amplifier's power at full line, before and after a ramp that told what it draws."""
    family = FAMILIES["linear-amplifier"]
    model = family(samples(family.ranges, SAMPLES))
    state, drawn = model.rest(), None
    for k in range(1, 200):
        state, drawn = model.step(state, min(1.0, k / 120.0), 0.2, event=False)
    assert drawn is not None
    *_, (_, _, _, expected) = _along_a_ramp("healthy-amplifier", 200, 120.0)
    assert expected.power_w is not None
    closed = math.log(expected.power_w.high / expected.power_w.low)
    assert closed < 0.75 * math.log(drawn.power.max() / drawn.power.min())


def test_weights_are_flattened_until_enough_samples_count() -> None:
    """Kish's effective number; scores that already leave enough are taken as they are."""
    scores = np.linspace(-2000.0, 0.0, 600)
    weights = tempered(scores)
    assert 1.0 / np.square(weights).sum() == pytest.approx(40.0, rel=0.05)
    mild = np.linspace(-1.0, 0.0, 600)
    assert tempered(mild) == pytest.approx(np.exp(mild) / np.exp(mild).sum())


def test_before_the_line_is_read_and_near_zero_volts_nothing_is_expected() -> None:
    band = _band("heater", 230.0, 1000.0)
    state = band.begin()
    assert isinstance(state, BandState)
    for volts in (None, 1.0):
        _, expected = band.step(state, Sight(time_s=0.0, line_voltage_v=volts, line_current_a=5.0))
        assert expected.current_a is None
        assert expected.why_not


@pytest.mark.parametrize(
    ("offered_as", "current_a", "power_w"),
    [
        ("heater", lambda v: 100.0 / max(v, 1.0), lambda v: 100.0),
        ("switch-mode", lambda v: 1000.0 / 120.0 * v / 120.0, lambda v: 1000.0 * (v / 120.0) ** 2),
    ],
    ids=["constant power as heater", "heater as switch-mode"],
)
def test_a_load_of_another_class_is_outside_or_fits_badly(offered_as: str, current_a: Curve, power_w: Curve) -> None:
    watts = 100.0 if offered_as == "heater" else 1000.0
    band = _band(offered_as, 120.0, watts)
    state, outside = band.begin(), 0
    for k in range(600):
        volts = 0.2 * (k + 1)
        sight = Sight(
            time_s=0.2 * k, line_voltage_v=volts, line_current_a=current_a(volts), real_power_w=power_w(volts)
        )
        state, expected = band.step(state, sight)
        outside += expected.current_a is not None and current_a(volts) > expected.current_a.high
    assert outside >= 5 or expected.fit < -1.7  # the limit at which that warns
