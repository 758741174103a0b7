"""A primary at a few volts: the samples against circuit theory, and the simulated bench at other frequencies."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.signal import freqs

from instruments.simulated.coil import BareTransformer
from instruments.simulated.units import make_unit
from instruments.simulated.world import WINDOW_S, World
from rampguard.loads.ranges import samples
from rampguard.probe import PROBED
from rampguard.probe.low_flux import FAULTS_SEEN, Found, LowFlux, ranges_of

HERTZ = (40.0, 50.0, 100.0, 200.0, 400.0)
VOLTS, WATTS, MAINS_HZ = 230.0, 80.0, 50.0
UNIT_S = WATTS / VOLTS**2


def _transformer(**given: float) -> LowFlux:
    """One transformer: a plain inductance and resistance behind a winding's, and what else is given."""
    plain = {"initial": 1.0, "rises": 0.0, "hysteresis": 0.0, "steinmetz": 2.0, "winding": 0.5, "farad": 1e-12}
    core = {"magnetising": 0.15, "core_loss": 0.06, "source_ohm": 0.08, "stray": 1e-9, "knee_at": 1.0}
    values = {name: np.array([value]) for name, value in {**plain, **core, **given}.items()}
    return LowFlux("transformer", values, UNIT_S / (2.0 * math.pi * MAINS_HZ))


def _admittance(r: float, g: float, henry: float, farad: float, hertz: float) -> complex:
    """By scipy's analog frequency response: r in series with g, L in parallel, all beside C; siemens."""
    # Y = (1 + s L g) / (r + s L (1 + r g)), and s C beside it.
    omega = 2.0 * math.pi * hertz
    _, y = freqs([henry * g, 1.0], [henry * (1.0 + r * g), r], worN=[omega])
    return complex(y[0] + 1j * omega * farad)


@pytest.mark.parametrize("hertz", HERTZ)
@pytest.mark.parametrize("turns_s", [0.0, 0.5])
@pytest.mark.parametrize("farad", [1e-12, 0.47e-6])
def test_a_plain_transformer_is_its_circuit(hertz: float, turns_s: float, farad: float) -> None:
    drawn = _transformer(turns_s=turns_s, farad=farad).drawn(9.0 / VOLTS, hertz / MAINS_HZ)
    henry = 1.0 / (0.15 * UNIT_S * 2.0 * math.pi * MAINS_HZ)
    expected = _admittance(0.5 * 0.08 / UNIT_S, (0.06 + turns_s) * UNIT_S, henry, farad, hertz)
    assert drawn.current[0] * WATTS / VOLTS == pytest.approx(9.0 * abs(expected), rel=1e-6)
    assert drawn.power[0] * WATTS == pytest.approx(81.0 * expected.real, rel=1e-6)


def test_shorted_turns_do_not_fall_as_frequency_rises() -> None:
    whole = [float(_transformer().drawn(0.04, f / 50.0).current[0]) for f in HERTZ]
    shorted = [float(_transformer(turns_s=1.0).drawn(0.04, f / 50.0).current[0]) for f in HERTZ]
    assert whole[0] > 1.8 * whole[-1]
    assert shorted[0] < 1.03 * shorted[-1]
    # With leakage of their own, they fall in the end: R + jX with X = R at mains is 1/8.06 of it at eight times mains.
    leaking = [float(_transformer(turns_s=1.0, stray=1.0, core_loss=1e-9).drawn(0.04, r).power[0]) for r in (1e-6, 8.0)]
    assert leaking[1] < leaking[0] / 50.0


def test_low_permeability_and_rayleigh() -> None:
    """At a quarter of the inductance four times the current; with flux to the 0.5, twice as much at four times flux."""
    lossless = {"core_loss": 1e-9, "source_ohm": 1e-9}
    one, quarter = (_transformer(initial=i, **lossless).drawn(0.02, 1.0).current[0] for i in (1.0, 0.25))
    assert quarter == pytest.approx(4.0 * one, rel=1e-5)
    low, high = (_transformer(initial=0.5, rises=0.5, **lossless).drawn(v, 1.0).current[0] for v in (0.01, 0.04))
    assert high == pytest.approx(2.0 * low, rel=1e-5)


@pytest.mark.parametrize("name", PROBED)
def test_samples_of_every_class_are_numbers_and_a_short_draws_more(name: str) -> None:
    assert set(FAULTS_SEEN) == set(PROBED)
    whole = LowFlux(name, samples(ranges_of(name, Found.NO_FAULT), 256), 1e-6).drawn(0.03, 2.0)
    assert np.all(whole.current > 0.0)
    assert np.all(whole.power <= 0.03 * whole.current * (1.0 + 1e-9))
    for found in FAULTS_SEEN[name]:
        values = samples(ranges_of(name, found), 256)
        short = LowFlux(name, values, 1e-6).drawn(0.03, 2.0)
        faultless = {k: v for k, v in values.items() if k in ranges_of(name, Found.NO_FAULT)}
        same = LowFlux(name, faultless, 1e-6).drawn(0.03, 2.0)
        # Where a small winding's resistance is above its reactance, turns beside that take more than they add.
        assert np.mean(short.power >= same.power * (1.0 - 1e-9)) > (0.9 if name == "receiver" else 0.999), found


# -- the simulated bench at other frequencies --------------------------------------------------------------------------


def _world(turns: float = 0.0) -> tuple[World, BareTransformer]:
    unit = make_unit("transformer", 3, VOLTS, MAINS_HZ)
    assert isinstance(unit, BareTransformer)
    unit.transformer.magnetise(0.0)  # what a core kept is a direct current for a while
    unit.transformer.shorted_s = turns / unit.transformer.primary_ohm
    world = World(unit, VOLTS, MAINS_HZ)
    world.set_contactor(closed=True)
    world.set_output(on=True)
    return world, unit


@pytest.mark.parametrize("turns", [0.0, 0.002, 0.03])
def test_the_simulated_transformer_is_its_circuit_at_every_frequency(turns: float) -> None:
    world, unit = _world(turns)
    world.set_voltage(5.0)
    world.advance(4.0)
    core = unit.transformer
    for hertz in HERTZ:
        world.set_frequency(hertz)
        world.advance(1.5)
        line = world.window.line
        conducts = 1.0 / core.core_loss_ohm + turns / core.primary_ohm
        expected = _admittance(core.primary_ohm, conducts, core.magnetising_h, 0.0, hertz)
        assert line.current_a == pytest.approx(line.voltage_v * abs(expected), rel=0.01), hertz
        assert line.real_power_w == pytest.approx(line.voltage_v**2 * expected.real, rel=0.01), hertz


def test_a_new_frequency_is_taken_between_windows_and_time_goes_on() -> None:
    world, _ = _world()
    world.set_voltage(5.0)
    world.advance(0.25)
    seen = []
    world.each_window = lambda: seen.append((world.window.number, world.now_s, world.window.line.samples))
    world.set_frequency(400.0)
    world.advance(0.55)
    world.set_frequency(45.0)
    world.advance(0.5)
    assert world.now_s == pytest.approx(1.3, abs=1e-3)
    numbers, times, counts = zip(*seen, strict=True)
    assert list(numbers) == list(range(numbers[0], numbers[0] + len(numbers)))
    assert counts[0] == 5 * 128  # the window under way was still of 50 Hz
    assert {40 * 128, 4 * 128} <= set(counts)
    spans = np.diff(times)
    assert spans[0] == pytest.approx(WINDOW_S)
    assert spans[-1] == pytest.approx(4.0 / 45.0)  # whole cycles
