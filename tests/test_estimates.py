"""Estimates from a ramp: the moments, what may be off, the sampling against integrals, and whether intervals hold."""

from __future__ import annotations

import re
from collections.abc import Sequence
from dataclasses import replace
from itertools import pairwise
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from instruments.simulated.kinds import KINDS
from rampguard.estimates.along import along, ranges_of
from rampguard.estimates.cloud import condensed
from rampguard.estimates.discrepancy import ModelError, whitening
from rampguard.estimates.estimate import HARDLY, Estimates, RailRead, answered, estimates_of, quantiles
from rampguard.estimates.moments import FROM_V, Moment, NothingToTell, moments_of
from rampguard.estimates.problem import FREEDOM, Makes, Problem, log_likelihood, parts_of
from rampguard.estimates.recorded import ramp_of
from rampguard.estimates.sampled import LEAST_MOMENTS, Posterior, Samples
from rampguard.estimates.sought import RESERVOIR, SOFT_START, SOUGHT, SPREADS, Unit
from rampguard.loads.following import NEAR_ZERO, Sight

ROOT = Path(__file__).resolve().parent.parent
UNIT = Unit("linear-amplifier", 230.0, 300.0)
AMPERES = UNIT.nameplate_w / UNIT.nameplate_v


def _line(seconds: float) -> float:
    """Steps of a tenth of line: two seconds up, three of hold; ten seconds at the end."""
    step, within = divmod(seconds, 5.0)
    return UNIT.nameplate_v * min(1.0, 0.1 * (step + min(1.0, within / 2.0)))


def _sights(
    values: dict[str, np.ndarray], soft: float = 0.0, load_class: str = "linear-amplifier", press_s: float = 1e9
) -> list[Sight]:
    """What perfect meters of 0.1 % would read of a sample of the class along the ramp."""
    bare = [
        Sight(
            time_s=0.2 * k,
            line_voltage_v=_line(0.2 * k),
            line_current_a=0.0,
            real_power_w=0.0,
            event=0.2 * k == press_s,
        )
        for k in range(300)
    ]
    # Every reading is a moment here, so that the model says what is read at each.
    moments = [
        replace(
            moments_of([one, two, two], nameplate_v=UNIT.nameplate_v, nameplate_w=UNIT.nameplate_w)[0],
            gap_s=0.0,
            compared=True,
            event=two.event,
        )
        for one, two in pairwise(bare)
    ]
    way = along(load_class, values, np.array([soft]), _progressing(moments))
    return [
        replace(
            sight,
            line_current_a=float(np.exp(current) - NEAR_ZERO) * AMPERES,
            real_power_w=float(np.exp(power) - NEAR_ZERO) * UNIT.nameplate_w,
            voltage_bound_v=0.1 + 0.001 * (sight.line_voltage_v or 0.0),
            current_bound_a=0.0005 + 0.001 * float(np.exp(current)) * AMPERES,
            power_bound_w=0.1 + 0.001 * float(np.exp(power)) * UNIT.nameplate_w,
        )
        for sight, current, power in zip(bare[1:], way.current[:, 0], way.power[:, 0], strict=True)
    ]


def _progressing(moments: Sequence[Moment]) -> list[Moment]:
    highest = np.maximum.accumulate([m.v for m in moments])
    return [replace(m, progress=float(at), before_progress=float(at)) for m, at in zip(moments, highest, strict=True)]


def _drawn(seed: int, load_class: str = "linear-amplifier") -> dict[str, np.ndarray]:
    ranges = ranges_of(load_class)
    parts = np.random.default_rng(seed).uniform(0.2, 0.8, len(ranges))
    return {name: item.at(np.array([part])) for (name, item), part in zip(ranges.items(), parts, strict=True)}


@pytest.fixture(scope="module")
def capture() -> Estimates:
    ramp = ramp_of(ROOT / "captures" / "healthy-amplifier")
    return estimates_of(ramp.unit, ramp.sights, ramp.rails)


# moments


def test_moments_go_up_the_ramp_in_order_and_time_is_not_lost() -> None:
    sights = _sights(_drawn(1))
    moments = moments_of(sights, nameplate_v=230.0, nameplate_w=300.0)
    assert 40 < len(moments) < 160
    assert sum(m.gap_s + m.seconds for m in moments[1:]) == pytest.approx(moments[-1].time_s - moments[0].time_s)
    assert all(later.progress >= sooner.progress for sooner, later in pairwise(moments))
    assert all(m.compared == (m.v >= FROM_V) for m in moments)


def test_within_a_second_of_the_power_button_nothing_is_compared() -> None:
    sights = [replace(s, event=s.time_s == 30.0) for s in _sights(_drawn(1))]
    moments = moments_of(sights, nameplate_v=230.0, nameplate_w=300.0)
    assert [m.event for m in moments].count(True) == 1
    assert all(not m.compared for m in moments if 30.0 <= m.time_s <= 31.0)
    assert any(m.compared for m in moments if m.time_s > 31.0)


def test_a_ramp_without_readings_is_refused_and_so_is_one_too_short() -> None:
    with pytest.raises(NothingToTell, match="no three readings"):
        estimates_of(UNIT, [Sight(time_s=0.0, line_voltage_v=1.0)])
    short = [s for s in _sights(_drawn(1)) if s.time_s < 6.0]
    with pytest.raises(NothingToTell, match=f"{LEAST_MOMENTS} are needed"):
        estimates_of(UNIT, short)


# what may be off


@settings(max_examples=20, deadline=None)
@given(st.floats(0.001, 0.05), st.floats(0.0005, 0.02))
def test_whitened_residuals_have_the_covariance_that_was_stated(slow: float, each: float) -> None:
    """For one systematic part alone, residuals that are it come out of a size that the covariance's inverse gives."""
    moments = moments_of(_sights(_drawn(2)), nameplate_v=230.0, nameplate_w=300.0)
    white = whitening(moments, ModelError(current=slow, each=each))
    size = 2 * sum(m.compared for m in moments)
    covariance = np.linalg.inv(white.matrix.T @ white.matrix)
    assert covariance.shape == (size, size)
    assert np.all(np.diag(covariance) > each**2)
    assert white.log_determinant == pytest.approx(0.5 * np.linalg.slogdet(covariance)[1], rel=1e-6)


def test_a_wider_bound_of_a_meter_makes_a_residual_count_for_less() -> None:
    sights = _sights(_drawn(2))
    wide = [replace(s, current_bound_a=10.0 * s.current_bound_a) for s in sights]
    sizes = []
    for some in (sights, wide):
        moments = moments_of(some, nameplate_v=230.0, nameplate_w=300.0)
        matrix = whitening(moments).matrix
        off = np.concatenate([np.full(len(matrix) // 2, 0.05), np.zeros(len(matrix) // 2)])
        sizes.append(float(np.sum((matrix @ off) ** 2)))
    assert sizes[1] < 0.5 * sizes[0]


# sampling, against integrals over a grid


def _curved(z: np.ndarray, make: Makes) -> np.ndarray:
    """Three residuals that go with two parameters in curves; the second make is a little off."""
    x, y = parts_of(z)
    return np.array([(x * y - 0.2) / 0.03, (x - 0.5 + 0.08 * make) / 0.15, np.full_like(x, 0.3)])


def test_the_cloud_has_the_mean_spread_and_makes_of_the_posterior_by_integration() -> None:
    shares = np.array([0.7, 0.3])
    cloud = condensed(Problem(_curved, 2, shares), seed=3, samples=2048)
    grid = (np.arange(400) + 0.5) / 400.0
    x, y = (side.ravel() for side in np.meshgrid(grid, grid))
    z = np.log(np.array([x, y]) / (1.0 - np.array([x, y])))
    masses = [
        shares[make] * np.exp(log_likelihood(_curved(z, np.full(x.shape, make, dtype=np.intp)))) for make in (0, 1)
    ]
    whole = masses[0] + masses[1]
    mean = float(np.sum(whole * x) / whole.sum())
    spread = float(np.sqrt(np.sum(whole * (x - mean) ** 2) / whole.sum()))
    found = parts_of(cloud.z)[0]
    # 2048 samples, not all of them independent: some four standard errors.
    assert found.mean() == pytest.approx(mean, abs=0.1 * spread)
    assert found.std() == pytest.approx(spread, rel=0.1)
    assert cloud.make.mean() == pytest.approx(masses[1].sum() / whole.sum(), abs=0.05)


def test_one_wild_residual_does_not_decide() -> None:
    """Student's t: a residual of twenty sigmas costs no more than some twelve nats, a normal one would 200."""
    assert log_likelihood(np.array([[20.0]]))[0] == pytest.approx(-0.5 * (FREEDOM + 1) * np.log1p(400.0 / FREEDOM))
    assert log_likelihood(np.array([[20.0]]))[0] > -12.0


def test_the_same_readings_give_the_same_answer() -> None:
    first, second = (condensed(Problem(_curved, 2, np.array([1.0])), seed=1, samples=64) for _ in range(2))
    assert np.array_equal(first.z, second.z)


# answers


def test_what_a_sample_of_the_class_is_comes_back_from_its_readings() -> None:
    """The model's own readings, units drawn anew: of three times four intervals of 95 %, one may miss."""
    missed = []
    for seed in (11, 12, 13):
        values = _drawn(seed)
        found = {answer.name: answer for answer in estimates_of(UNIT, _sights(values)).answers}
        true = {
            "source_ohm": float(values["source_ohm"][0]) * UNIT.ohm,
            "core_loss_w": float(values["core_loss"][0]) * UNIT.nameplate_w,
            "magnetising_a": float(values["magnetising"][0] + values["knee"][0]) * AMPERES,
            "energy_j": float(values["farad"][0]) * UNIT.nameplate_w * (1.0 - float(values["drop"][0])) ** 2,
        }
        missed += [(seed, name) for name, value in true.items() if not found[name].low <= value <= found[name].high]
        assert found["energy_j"].told
    assert len(missed) <= 1, missed


def test_a_soft_start_is_seen_and_where_it_is_bypassed() -> None:
    values = _drawn(21) | {"soft_ohm": np.array([0.15]), "bypass_at": np.array([0.72])}
    found = estimates_of(UNIT, _sights(values, soft=1.0))
    assert found.soft_start is not None
    assert found.soft_start > 0.95
    assert found.bypass_at is not None
    assert found.bypass_at[0] <= 0.74
    assert found.bypass_at[2] >= 0.70
    [answer] = [answer for answer in found.answers if answer.name == "soft_start_ohm"]
    assert answer.low <= 0.15 * UNIT.ohm <= answer.high


def test_where_the_line_was_never_seen_moving_the_reservoirs_are_not_told() -> None:
    """Only the last reading of each hold: what charged the reservoirs was not read."""
    values = _drawn(11)
    still = [s for s in _sights(values) if s.time_s % 5.0 > 4.7]
    still = [s for s in still for s in (replace(s, time_s=s.time_s - 0.01), s)]
    found = {answer.name: answer for answer in estimates_of(UNIT, still).answers}
    assert not found["energy_j"].told
    assert found["idle_w"].told


def test_without_a_power_meter_less_is_known_of_the_idle(capture: Estimates) -> None:
    ramp = ramp_of(ROOT / "captures" / "healthy-amplifier")
    without = [replace(sight, real_power_w=None, power_bound_w=0.0) for sight in ramp.sights]
    found, before = (
        next(answer for answer in some.answers if answer.name == "idle_w")
        for some in (estimates_of(ramp.unit, without), capture)
    )
    assert found.high / found.low > before.high / before.low
    assert found.low < before.high
    assert found.high > before.low


def test_told_is_what_is_narrower_than_the_class() -> None:
    """No posterior is needed for that: one that is the prior tells nothing, by definition."""
    count = 256
    some = _samples(count, np.random.default_rng(1))
    moments = moments_of(_sights(_drawn(1)), nameplate_v=230.0, nameplate_w=300.0)
    found = answered(UNIT, moments, Posterior(some, some, 1.0))
    assert not any(answer.told for answer in found.answers)
    assert 0.0 < HARDLY < 1.0


def _samples(count: int, generator: np.random.Generator) -> Samples:
    ranges = ranges_of("linear-amplifier")
    values = {name: item.at(generator.uniform(0.0, 1.0, count)) for name, item in ranges.items()}
    moments = moments_of(_sights(_drawn(1)), nameplate_v=230.0, nameplate_w=300.0)
    return Samples(values, np.zeros(count), along("linear-amplifier", values, np.zeros(count), moments))


def test_microfarads_follow_from_joules_and_rails() -> None:
    """A published measurement: rails of 65 V, six times 15,000 uF (neurochrome.com, on soft starts): some 190 J.

    Half C V squared, textbook: three of them on each rail are 45,000 uF.
    """
    joules = 2.0 * 0.5 * 0.045 * 65.0**2
    assert joules == pytest.approx(190.0, rel=0.01)
    some = _samples(64, np.random.default_rng(2))
    factor = joules / (0.5 * some.values["farad"] * some.way.held**2 * UNIT.nameplate_w)
    fixed = replace(some, values={**some.values, "farad": some.values["farad"] * factor})
    moments = moments_of(_sights(_drawn(1)), nameplate_v=230.0, nameplate_w=300.0)
    found = answered(UNIT, moments, Posterior(some, fixed, 1.0), [RailRead(65.0), RailRead(65.0)])
    [answer] = [answer for answer in found.answers if answer.name == "reservoir_uf"]
    assert answer.estimate == pytest.approx(45_000.0, rel=0.05)


def test_what_charges_a_reservoir_on_a_steady_ramp_is_the_textbooks() -> None:
    """Line power while the line moves: C V dV/dt into the reservoir, the power that it is stored with.

    Textbook (dE/dt of half C V squared). Diodes and source resistance are left nearly out, and nothing loads it.
    """
    values = _drawn(1) | {
        "source_ohm": np.array([0.001]),
        "drop": np.array([1e-4]),
        "idle": np.array([1e-6]),
        "core_loss": np.array([1e-9]),
        "farad": np.array([0.1]),
        "bypass_at": np.array([0.0]),
    }
    at = [s for s in _sights(values) if 31.0 < s.time_s < 31.9]
    for sight in at:
        v, per_s = (sight.line_voltage_v or 0.0) / 230.0, 0.05
        # Held at the line's peak, root two times its rms: C (root2 v) d(root2 v)/dt, of nameplate power.
        stored = 0.1 * 2.0 * v * per_s
        assert sight.real_power_w is not None
        assert sight.real_power_w / 300.0 == pytest.approx(stored, rel=0.03)


def test_an_error_of_the_models_widens_an_interval_as_squares_add() -> None:
    values = np.exp(0.1 * np.random.default_rng(5).standard_normal(4000))
    low, _, high = quantiles(values, 0.2)
    assert np.log(high / low) == pytest.approx(2.0 * 1.96 * np.hypot(0.1, 0.2), rel=0.05)


def test_the_specimen_of_the_capture_is_within_its_intervals(capture: Estimates) -> None:
    """The simulator's parts, which no class knows: reservoirs of nominally 10 mF, made to 20 %."""
    part = KINDS["amplifier"].parts["reservoir_plus_f"]
    least, most = (1e6 * part.nominal * (1.0 + side * part.tolerance) for side in (-1.0, 1.0))
    found = {answer.name: answer for answer in capture.answers}
    assert found["reservoir_uf"].told
    assert found["reservoir_uf"].low < most
    assert found["reservoir_uf"].high > least
    assert found["reservoir_uf"].high / found["reservoir_uf"].low < 2.5
    assert found["rail_v"].measured
    assert capture.fits


def test_every_quantity_that_is_sought_has_an_answer(capture: Estimates) -> None:
    names = {answer.name for answer in capture.answers}
    assert {sought.name for sought in SOUGHT} | {"reservoir_uf"} <= names
    assert all(answer.low <= answer.estimate <= answer.high for answer in capture.answers)


def test_the_spreads_of_the_docs_are_the_codes() -> None:
    page = (ROOT / "docs" / "estimates.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([a-z_]+)(?:, by its diodes)? \| ([\d.]+) \| ([\d.]+) \|$", page, re.MULTILINE)
    names = [sought.name for sought in (*SOUGHT, RESERVOIR, SOFT_START)]
    assert sorted(name for name, _, _ in rows) == sorted(names)
    for column, load_class in ((1, "linear-amplifier"), (2, "receiver")):
        assert {row[0]: float(row[column]) for row in rows} == {
            name: SPREADS[load_class].get(name, 0.0) for name in names
        }
