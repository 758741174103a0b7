"""What is said of a warming idle: where it goes, what to do, and when it runs away."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

from rampguard.warmup.approach import Stretch, forecast
from rampguard.warmup.growth import runs_away
from rampguard.warmup.sheet import IdleTarget
from rampguard.warmup.watch import Do, Going, look

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import warm_ups

TARGET = IdleTarget(resistor_ohm=0.22, resistors_between_test_points=2, target_v=0.0132, tolerance_percent=15.0)
NOISE_V = 2e-5


def warming(
    ends_v: float, begins_v: float, tau_s: float, seconds: float, *, seed: int = 1, devices_v: float = 0.0
) -> Stretch:
    """A heat sink's approach, and a devices' share of four seconds, twice a second, with a meter's noise."""
    time_s = np.arange(0.0, seconds, 0.5)
    values = ends_v + (begins_v - ends_v) * np.exp(-time_s / tau_s) - devices_v * np.exp(-time_s / 4.0)
    return Stretch(time_s, values + np.random.default_rng(seed).normal(0.0, NOISE_V, len(time_s)))


def test_nothing_is_said_too_early() -> None:
    watch = look([warming(0.0132, 0.012, 400.0, 40.0)], TARGET, 0.7)
    assert (watch.going, watch.do, watch.forecast) == (Going.UNTOLD, Do.WAIT, None)


def test_nothing_read_is_nothing_said() -> None:
    watch = look([Stretch(np.zeros(0), np.zeros(0))], TARGET, 0.0)
    assert (watch.going, watch.do) == (Going.UNTOLD, Do.WAIT)


@pytest.mark.parametrize("seed", range(5))
def test_a_forecast_holds_what_it_comes_to(seed: int) -> None:
    told = forecast([warming(0.0142, 0.012, 400.0, 300.0, seed=seed, devices_v=0.001)], 2e-4)
    assert told is not None
    assert told.low <= 0.0142 <= told.high
    assert told.per_s > 0.0
    assert 120.0 < told.tau_s < 1500.0


def test_the_devices_own_warming_is_not_taken_for_the_heat_sink_s() -> None:
    """Ten times the heat sink's drift, in seconds: left out."""
    told = forecast([warming(0.0132, 0.0128, 400.0, 600.0, devices_v=0.004)], 2e-4)
    assert told is not None
    assert told.comes_to == pytest.approx(0.0132, abs=2e-4)


def test_a_trimmer_s_turn_keeps_the_time_constant_and_the_lid_does_not() -> None:
    before = warming(0.0152, 0.012, 400.0, 900.0)
    after = warming(0.0140, 0.0125, 400.0, 120.0, seed=2)
    kept, alone = (
        forecast([before, Stretch(after.time_s + 900.0, after.values, kept)], 2e-4) for kept in (True, False)
    )
    assert kept is not None
    assert alone is not None
    assert kept.high - kept.low < alone.high - alone.low
    assert kept.low <= 0.0140 <= kept.high


def test_before_the_first_setting_it_says_wait() -> None:
    watch = look([warming(0.0180, 0.014, 400.0, 200.0)], TARGET, 3.5)
    assert (watch.going, watch.do) == (Going.RISING, Do.WAIT)
    assert "First setting 5 min" in watch.text


def test_then_it_says_what_to_turn_the_trimmer_to() -> None:
    watch = look([warming(0.0180, 0.014, 400.0, 400.0)], TARGET, 6.0)
    assert watch.do is Do.ADJUST
    assert watch.set_to_v is not None
    # It is at 16.5 mV on its way to 18: to come to 13.2 it is set to as much of that.
    assert watch.set_to_v == pytest.approx(0.0132 * 16.5 / 18.0, rel=0.03)
    assert "Turn until it shows" in watch.text


def test_what_comes_to_its_target_is_left_until_the_final_check() -> None:
    stretch = warming(0.0132, 0.0120, 300.0, 1500.0)
    early, late = look([stretch], TARGET, 25.0), look([stretch], TARGET, 31.0)
    assert (early.going, early.do) == (Going.SETTLED, Do.WAIT)
    assert "Final check, lid on, 30 min" in early.text
    assert (late.going, late.do) == (Going.SETTLED, Do.LEAVE)


def test_one_that_is_settled_beside_its_target_is_adjusted() -> None:
    assert look([warming(0.0160, 0.0150, 300.0, 2400.0)], TARGET, 40.0).do is Do.ADJUST


def test_one_far_too_high_is_turned_down_at_once() -> None:
    watch = look([warming(0.024, 0.022, 400.0, 60.0)], TARGET, 1.0)
    assert (watch.do, watch.set_to_v) == (Do.TURN_DOWN, 0.0132)


def test_a_crest_and_what_comes_after_it() -> None:
    """Devices warm in seconds, and the heat sink that the bias follows in minutes: up, and down again."""
    time_s = np.arange(0.0, 700.0, 0.5)
    values = 0.0132 + 0.006 * np.exp(-time_s / 500.0) - 0.008 * np.exp(-time_s / 8.0)
    noisy = values + np.random.default_rng(3).normal(0.0, NOISE_V, len(time_s))
    top = int(np.argmax(values))
    going = [look([Stretch(time_s[:at], noisy[:at])], TARGET, 2.0).going for at in (top + 100, 600)]
    assert going == [Going.CRESTING, Going.SETTLING]


@pytest.mark.parametrize("tau_s", [2.0, 10.0, 60.0, 300.0])
def test_a_runaway_is_called_before_it_doubles_whatever_its_time_constant(tau_s: float) -> None:
    time_s = np.arange(0.0, 3.0 * tau_s, 0.1)
    values = 0.012 * (0.7 + 0.3 * np.exp(time_s / tau_s))
    noisy = values + np.random.default_rng(4).normal(0.0, NOISE_V, len(time_s))
    doubled = int(np.argmax(values > 2.0 * values[0]))
    called = [at for at in range(8, doubled, max(1, doubled // 40)) if runs_away(time_s[:at], noisy[:at])]
    assert called
    watch = look([Stretch(time_s[: called[0]], noisy[: called[0]])], TARGET, 1.0)
    assert (watch.going, watch.do) == (Going.RUNNING_AWAY, Do.SWITCH_OFF)


@pytest.mark.parametrize("seed", range(4))
def test_a_healthy_rise_is_never_called(seed: int) -> None:
    some = warming(0.018, 0.012, 400.0, 1800.0, seed=seed, devices_v=0.003)
    assert not any(runs_away(some.time_s[:at], some.values[:at]) for at in range(8, 3600, 41))


def test_a_few_warm_ups() -> None:
    """`benchmarks/warm_ups.py`, small: its figures are in docs/figures.md."""
    healthy, away = warm_ups.table(8, 11, "test")
    assert healthy["called a runaway"] == 0
    assert away["called before that"] == away["doubled within 10 min"] > 0
