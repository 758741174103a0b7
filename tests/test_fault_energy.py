"""A small version of benchmarks/fault_energy.py: shorted units against their twins, and the sums it is made of."""

from __future__ import annotations

import pickle
import sys
from functools import partial
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import fault_energy
import fault_population
from calibration import calibration, interval
from fault_energy import GATES, energies, outcomes, table
from fault_population import KINDS, FaultKind, lot
from population import batch, specimens
from ramps import MAINS, WINDOW_S, Metering, mains_by_hertz, simulate

from instruments.simulated.faults import FAULTS

SEED = 20261126


@pytest.fixture(scope="module")
def found() -> list[fault_energy.Outcome]:
    """Two shorted amplifiers, of 100 V and of 230 V, for the first seconds of their ramps, metered in all ways."""
    return outcomes(lot(KINDS[0], 50.0, 1, SEED, for_s=7.0), range(2), SEED)


def test_a_short_trips_soon_after_it_could_be_told_at_all(found: list[fault_energy.Outcome]) -> None:
    assert len(found) == 2 * len(fault_energy.WAYS)
    for outcome in found:
        assert outcome.tripped, outcome
        assert outcome.beyond is not None
        assert 0.0 <= outcome.beyond < 0.08, outcome
        assert outcome.energy_j < 10.0
        assert outcome.clairvoyant_j is not None
        assert outcome.clairvoyant_j <= outcome.energy_j < outcome.ammeter_j <= outcome.fuse_j


def test_the_tables_have_a_row_for_each_way_of_metering(found: list[fault_energy.Outcome]) -> None:
    rows = table(found, "run", "commit")
    assert [row["metered"] for row in rows] == list(fault_energy.WAYS)
    assert all(row["tripped"] == 2 for row in rows)
    assert all(float(row["60 W lamp"]) > 0.0 for row in energies(found, "run", "commit"))


def test_a_fuse_opens_at_its_gates_and_faster_beyond_them() -> None:
    windows = np.arange(0.0, 400.0, WINDOW_S)
    for times, seconds in GATES[1:4]:
        opened = np.flatnonzero(fault_energy._fuse(np.full_like(windows, times), 1.0))
        assert WINDOW_S * (opened[0] + 1) == pytest.approx(seconds, abs=2.0 * WINDOW_S, rel=0.01)
    assert not fault_energy._fuse(np.full_like(windows, 1.4), 1.0).any()
    assert fault_energy._fuse(np.full_like(windows, 20.0), 1.0)[0]


def test_the_clairvoyant_reads_what_differs_by_five_sigmas() -> None:
    seen, whole = np.zeros((40, 3)), np.zeros((40, 3))
    seen[:, 1] = whole[:, 1] = 0.25  # 0.5 A
    watts, volts, sigma = 100.0, 100.0, 0.001 * (0.5 + 0.05 * 3.0) / np.sqrt(3.0)
    seen[10:, 1], seen[21:, 1] = (0.5 + 4.8 * sigma) ** 2, (0.5 + 5.3 * sigma) ** 2
    assert fault_energy._clairvoyant(seen, whole, Metering(0.001, 1), volts, watts) == 21
    assert fault_energy._clairvoyant(seen, whole, Metering(0.001, 3), volts, watts) == 21
    assert fault_energy._clairvoyant(seen, whole, Metering(0.001, 4), volts, watts) == 24
    assert fault_energy._clairvoyant(seen, whole, Metering(0.01, 1), volts, watts) is None


def test_answers_are_put_together_by_what_they_were_given() -> None:
    answers = [(True, 0.9, k < 9) for k in range(10)] + [(True, 0.6, True), (False, 0.9, False)]
    rows = calibration(answers, "run", "commit")
    assert [(row["answers"], row["right"]) for row in rows] == [(1, "100.0 %"), (10, "90.0 %")]


def test_the_interval_of_a_rate_against_the_textbook() -> None:
    """Clopper and Pearson: none of n: 1 - (0.025)^(1/n); from the binomial distribution itself."""
    assert interval(0, 10) == pytest.approx((0.0, 1.0 - 0.025**0.1))
    assert interval(10, 10) == pytest.approx((0.025**0.1, 1.0))


@pytest.mark.parametrize("name", ["shorted diode", "shorted converter switch", "shorted turns", "leaking reservoir"])
def test_a_batch_has_faulted_units_from_their_onsets_on_and_whole_ones(
    name: str, monkeypatch: pytest.MonkeyPatch
) -> None:
    kind = next(kind for kind in KINDS if kind.name == name)
    monkeypatch.setattr(fault_population, "LATE_FROM_S", 0.6)
    monkeypatch.setattr(fault_population, "RAMP_S", 0.601)
    some = lot(kind, 50.0, 2, SEED, for_s=1.0)
    assert list(some.onset) == [0, 0, 0, 6]
    differs = np.any(some.faulted != some.whole, axis=1)
    assert np.flatnonzero(differs[:, 3])[0] == 6
    assert differs[-1].all()
    assert pickle.loads(pickle.dumps(some)).kind is kind  # noqa: S301 - its own


@pytest.mark.parametrize("kind", KINDS, ids=lambda kind: kind.name)
def test_a_fault_whose_parts_are_none_leaves_a_unit_whole(kind: FaultKind) -> None:
    volts, ways = np.array([230.0]), np.full((2, 1), 115.0)
    _, parts = specimens(kind.population, 1, np.random.default_rng(SEED))
    with_none = {0: partial(FAULTS[kind.fault].happens, v=kind.none(dict(parts)))}
    whole, none = (
        simulate(batch(kind.population, parts, volts, 50.0), ways, 50.0, None, events) for events in (None, with_none)
    )
    np.testing.assert_allclose(none, whole, rtol=1e-9)


def test_every_mains_has_its_units() -> None:
    assert sorted(float(volts) for some in mains_by_hertz().values() for volts in some) == sorted(v for v, _ in MAINS)
