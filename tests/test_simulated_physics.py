"""The sums of the simulated bench and its lamp against a standard's worked example and a handbook table."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import simpson

from instruments.simulated import lamp
from instruments.simulated.cycle_sums import CycleSums, cycle_sums
from instruments.simulated.ops import SCALAR
from simulated_help import settled

# -- cycle sums -------------------------------------------------------------------------------------------------

# IEEE 1459-2010, Annex B: order, then volts rms, degrees, amperes rms, degrees. Magnitudes as transcribed in public
# code; angles of the current's fifth and seventh from memory, so that only totals free of angles are held to print.
HARMONICS = {
    1: (100.0, 0.0, 100.0, -30.0),
    3: (8.0, -70.0, 20.0, -165.0),
    5: (15.0, 140.0, 15.0, 233.0),
    7: (5.0, 20.0, 10.0, 288.0),
}


def _wave(samples: int) -> tuple[np.ndarray, np.ndarray]:
    phase = 2.0 * np.pi * np.arange(samples) / samples
    volts, amperes = np.zeros(samples), np.zeros(samples)
    for order, (v, v_deg, i, i_deg) in HARMONICS.items():
        volts += v * math.sqrt(2.0) * np.sin(order * phase + math.radians(v_deg))
        amperes += i * math.sqrt(2.0) * np.sin(order * phase + math.radians(i_deg))
    return volts, amperes


def test_totals_of_the_ieee_1459_example() -> None:
    """V 101.5579 V, I 103.5616 A, S 10517.49 VA follow from the magnitudes alone."""
    sums = cycle_sums(*_wave(128))
    assert sums.voltage_v == pytest.approx(101.5579, abs=1e-4)
    assert sums.current_a == pytest.approx(103.5616, abs=1e-4)
    assert sums.apparent_power_va == pytest.approx(10517.49, abs=0.01)


def test_power_and_crest_against_numerical_integration() -> None:
    """Real power by Simpson's rule over a finely sampled period (scipy), crest factor by numpy."""
    volts, amperes = _wave(128)
    sums = cycle_sums(volts, amperes)
    fine_v, fine_i = _wave(4000)
    closed = np.append(fine_v * fine_i, fine_v[0] * fine_i[0])
    power_w = simpson(closed, dx=1.0) / 4000
    assert sums.real_power_w == pytest.approx(power_w, rel=1e-9)
    assert sums.power_factor == pytest.approx(power_w / 10517.49, rel=1e-6)
    assert sums.current_crest_factor == pytest.approx(np.abs(amperes).max() / np.sqrt(np.mean(amperes**2)))


def test_what_an_average_responding_meter_shows() -> None:
    """Right for a sine; for a square wave pi / (2 sqrt 2) = 1.1107 times too much (both by calculus)."""
    phase = 2.0 * np.pi * (np.arange(1000) + 0.5) / 1000
    sums = cycle_sums(np.sin(phase), np.sign(np.sin(phase)))
    assert sums.average_responding_voltage_v == pytest.approx(sums.voltage_v, rel=1e-5)
    assert sums.average_responding_current_a == pytest.approx(1.1107, abs=1e-4)


def test_no_samples_are_zeros() -> None:
    empty = CycleSums()
    assert (empty.voltage_v, empty.current_a, empty.real_power_w, empty.power_factor) == (0.0, 0.0, 0.0, 0.0)
    assert (empty.average_responding_voltage_v, empty.average_responding_current_a) == (0.0, 0.0)


# -- the lamp ---------------------------------------------------------------------------------------------------

# Tungsten, microohm centimetres, 300 to 3000 K by 100 K: CRC Handbook of Chemistry and Physics (after Forsythe and
# Worthing), as transcribed identically in two public sources.
TUNGSTEN = (
    "5.65 8.06 10.56 13.23 16.09 19.00 21.94 24.93 27.94 30.98 34.08 37.19 40.36 43.55 46.78 50.05 53.35 56.67 60.06"
    " 63.48 66.91 70.39 73.91 77.49 81.04 84.70 88.33 92.04"
)


def test_resistivity_against_the_handbook_table() -> None:
    for index, value in enumerate(map(float, TUNGSTEN.split())):
        assert lamp.resistivity(300.0 + 100.0 * index) == pytest.approx(value, rel=0.015)


def test_hot_to_cold_resistance_is_that_of_a_general_service_lamp() -> None:
    """13 to 16 between 2500 and 3000 K and room temperature, from the table above."""
    p = lamp.LampParameters(0.4, 75.0, 0.08, 0.09, 230.0)
    ratio = lamp.resistance_ohm(p, lamp.HOT_K) / lamp.resistance_ohm(p, lamp.AMBIENT_K)
    assert 13.0 < ratio < 16.0


def test_current_follows_the_rerating_exponent_near_rated_voltage() -> None:
    """I ~ V^n: 0.55 (Standard Handbook for Electrical Engineers, as cited) and 0.541 (IES handbook, from memory)."""
    low, high = (settled("lamp", volts, 2.0).window.line for volts in (207.0, 253.0))
    found = math.log(high.current_a / low.current_a) / math.log(high.voltage_v / low.voltage_v)
    assert 0.53 < found < 0.56


def test_at_rated_voltage_it_draws_its_rated_power() -> None:
    assert settled("lamp", 230.0, 2.0).window.line.real_power_w == pytest.approx(75.0, rel=0.06)


def test_its_energy_balances() -> None:
    """What the line brought is what left the filament and what heats it."""
    p, s = lamp.LampParameters(0.4, 75.0, 0.08, 0.09, 230.0), lamp.LampState()
    dt_s, brought_j, left_j = 1e-4, 0.0, 0.0
    for k in range(3000):
        source_v = 325.0 * math.sin(2.0 * math.pi * 50.0 * k * dt_s)
        filament_k = s.filament_k
        line_a = lamp.step(p, s, source_v, dt_s, SCALAR)
        brought_j += line_a * (source_v - line_a * p.supply_ohm) * dt_s
        left_j += lamp.lost_w(p, filament_k) * dt_s
    stored_j = (s.filament_k - lamp.AMBIENT_K) * p.rated_w * p.thermal_s / (lamp.HOT_K - lamp.AMBIENT_K)
    assert brought_j == pytest.approx(left_j + stored_j, rel=1e-6)
