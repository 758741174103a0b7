"""The causes: faults in the load models against integration by hand, and what simulated units are taken for."""

from __future__ import annotations

import math

import numpy as np
import pytest
from scipy.integrate import quad

from golden_help import FOLDER, golden, judged
from rampguard.loads.basis import Basis
from rampguard.loads.causes import FOLLOWED, sizes
from rampguard.loads.families import FAMILIES
from rampguard.loads.following import Sight
from rampguard.loads.ranges import samples
from rampguard.loads.trouble import FAULTS, Trouble, across_rectifier, fault_ranges
from rampguard.quantities import Cause

GOLDEN = golden()
ONE = np.ones(1)
ROOT2 = math.sqrt(2.0)


def _there(**values: float) -> tuple[Trouble, dict[str, np.ndarray]]:
    trouble = Trouble({name: value * ONE for name, value in values.items()}, full=ROOT2 * ONE)
    return trouble, trouble.rest()


@pytest.mark.parametrize(("v", "ohm", "drop", "short_s"), [(0.05, 0.1, 0.02, 20.0), (0.3, 0.05, 0.01, 5.0)])
def test_a_short_behind_a_rectifier_against_integration(v: float, ohm: float, drop: float, short_s: float) -> None:
    found = across_rectifier(short_s * ONE, v, ohm * ONE, drop * ONE)
    whole = ohm + 1.0 / short_s

    def current(angle: float) -> float:
        return max(0.0, ROOT2 * v * math.sin(angle) - drop) / whole

    def power(angle: float) -> float:
        return ROOT2 * v * math.sin(angle) * current(angle)

    begins = math.asin(drop / (ROOT2 * v))
    square = quad(lambda angle: current(angle) ** 2, begins, math.pi - begins)[0] / math.pi
    assert found.current[0] == pytest.approx(math.sqrt(square), rel=1e-6)
    assert found.power[0] == pytest.approx(quad(power, begins, math.pi - begins)[0] / math.pi, rel=1e-6)


def test_a_short_below_its_threshold_draws_nothing() -> None:
    found = across_rectifier(20.0 * ONE, 0.01, 0.1 * ONE, 0.02 * ONE)
    assert found.current[0] == found.power[0] == 0.0


def test_half_a_sine_is_what_a_shorted_bridge_draws() -> None:
    """Textbook: a resistance on every other half cycle takes 1/sqrt(2) of the current, and that is its power factor."""
    for name, item in fault_ranges("switch-mode", Cause.DIODE_SHORT).items():
        assert item.low < 1.0 / ROOT2 < item.high, name


def test_shorted_turns_go_with_the_square_of_the_line() -> None:
    trouble, state = _there(turns_s=0.5)
    assert [float(trouble.turns(state, v)[0]) for v in (0.1, 0.2)] == pytest.approx([0.005, 0.02])


def test_a_partner_conducts_from_its_threshold_up_to_its_limit() -> None:
    trouble, state = _there(short_s=50.0, limited=1.0, partner=2.0, partner_from=0.02)

    def taken(x: float) -> float:
        extra = trouble.on_rails(state, x * ROOT2 * ONE, ROOT2)
        return float((extra.take + extra.per_v * x * ROOT2)[0])

    assert taken(0.02) == pytest.approx(0.0, abs=1e-12)
    assert 0.0 < taken(0.03) < taken(0.05) < 2.0 / ROOT2
    assert taken(0.3) == pytest.approx(2.0 / ROOT2)


@pytest.mark.parametrize("of_devices", [0.0, 0.4, 1.0])
@pytest.mark.parametrize(("gain", "runs"), [(0.5, False), (1.5, True)])
def test_a_runaway_grows_without_end_only_where_its_gain_is_above_one(
    gain: float, runs: bool, of_devices: float
) -> None:
    trouble, state = _there(runs_away=gain, runs_away_s=5.0, of_devices=of_devices, devices_s=1.0)
    grown = 0.0
    for _ in range(800):
        hot, more = trouble.running_away(state, ONE, 0.5)
        state, grown = {**state, **hot}, float(more[0])
    assert (grown > 5.0) == runs
    if not runs:  # a geometric series: 1 + g + g^2 + ...
        assert 1.0 + grown == pytest.approx(1.0 / (1.0 - gain), rel=0.01)


@pytest.mark.parametrize("load_class", FAMILIES)
def test_a_fault_of_no_size_is_no_fault(load_class: str) -> None:
    values = samples(FAMILIES[load_class].ranges, 64)
    faults = {name: np.zeros(64) for fault in FAULTS.values() for name in fault}
    plain, none = FAMILIES[load_class](values), FAMILIES[load_class]({**values, **faults})
    a, b = plain.rest(), none.rest()
    for step in range(40):
        a, drawn = plain.step(a, 0.025 * step, 0.5, event=step == 25)
        b, same = none.step(b, 0.025 * step, 0.5, event=step == 25)
        np.testing.assert_allclose(same.current, drawn.current, rtol=1e-9, atol=1e-12)
        np.testing.assert_allclose(same.power, drawn.power, rtol=1e-9, atol=1e-12)


@pytest.mark.parametrize("load_class", FOLLOWED)
def test_likelihoods_are_finite_and_of_every_cause_followed(load_class: str) -> None:
    causes = Basis(load_class=load_class, nameplate_v=230.0, nameplate_w=200.0).causes()
    state = causes.begin()
    assert len(state.crowd.scores) == sum(sizes(causes.names))
    for k in range(60):
        sight = Sight(time_s=0.2 * k, line_voltage_v=4.0 * k, line_current_a=0.01 * k, real_power_w=0.5 * k)
        state, told = causes.step(state, sight)
        assert all(math.isfinite(nats) and nats <= 0.0 for nats in told.nats.values())
        if told.nats:
            assert set(told.nats) == {*FOLLOWED[load_class], Cause.OTHER}
            assert 0.0 < told.readings <= 1.0
    assert causes.step(state, Sight(time_s=20.0, line_voltage_v=None))[1].nats == {}


def test_a_reading_told_twice_at_one_moment_is_told_once() -> None:
    basis = Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=200.0)
    sight = Sight(time_s=1.0, line_voltage_v=20.0, line_current_a=0.05, real_power_w=0.4)
    band, causes = basis.band(), basis.causes()
    state, expected = band.step(band.begin(), sight)
    same, as_before = band.step(state, sight)
    assert same is state
    assert as_before is expected
    followed, told = causes.step(causes.begin(), sight)
    assert told.nats
    again, nothing = causes.step(followed, sight)
    assert again is followed
    assert not nothing.nats


def _told(every_s: float, **more: bool) -> list[bool]:
    """Of ten readings so far apart, line rising, which are told of."""
    causes = Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=200.0).causes()
    state, found = causes.begin(), []
    for k in range(10):
        sight = Sight(time_s=every_s * k, line_voltage_v=20.0 + k, line_current_a=0.05, real_power_w=0.4)
        state, told = causes.step(state, sight, **more)
        found.append(bool(told.nats))
    return found


def test_of_readings_close_together_every_other_is_told_of() -> None:
    assert _told(0.1, matters=False) == [True, False] * 5
    assert all(_told(0.2, matters=False))
    assert sum(_told(0.02, matters=False)) == 2


def test_a_reading_that_matters_is_always_told_of() -> None:
    assert all(_told(0.1, matters=True))


def test_what_is_not_told_of_is_not_lost_on_the_next() -> None:
    """The line's move and the time of both are the next reading's."""
    causes = Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=200.0).causes()
    state = causes.begin()
    for k in range(3):
        sight = Sight(time_s=0.1 * k, line_voltage_v=20.0 + k, line_current_a=0.05, real_power_w=0.4)
        state, told = causes.step(state, sight, matters=False)
    assert told.readings == pytest.approx(0.5 * 0.2 * 2.0)
    assert state.told is not None
    pace = state.told[1].pace
    assert (pace.seconds, pace.moved_by, pace.reach) == pytest.approx((0.2, 2.0 / 230.0, 1.0 / 230.0))


RIGHT = {
    "shorted-output": "output-stage-short",
    "one-sided-short": "output-stage-short",
    "shorted-rectifier": "rectifier-diode-short",
    "shorted-turns": "shorted-winding-turns",
    "shorted-switch": "converter-switch-short",
    "transformer-shorted-turns": "shorted-winding-turns",
    "shorted-rectifier-valve": "rectifier-diode-short",
    "idle-runaway": "idle-current-runaway",
    "shorted-receiver": "output-stage-short",
    "open-fuse": Cause.OTHER,
}


@pytest.mark.parametrize("name", [name for name in GOLDEN if name != "leaky-reservoir"])
def test_a_recorded_unit_is_taken_for_what_it_is(name: str) -> None:
    causes = judged(FOLDER / f"{name}.csv", GOLDEN[name])["causes"]
    assert {found["cause"] for found in causes} <= set(Cause)
    first_two = [found["cause"] for found in causes[:2]]
    assert RIGHT.get(name, Cause.NO_FAULT) in (first_two if name in RIGHT else first_two[:1]), causes
