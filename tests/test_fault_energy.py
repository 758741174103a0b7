"""A small version of benchmarks/fault_energy.py: shorted units against their twins, and the sums it is made of."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import fault_energy
from calibration import calibration, interval
from fault_energy import GATES, energies, outcomes, table
from fault_population import KINDS, lot, lots_of
from ramps import MAINS, WINDOW_S, Metering

SEED = 20261126


@pytest.fixture(scope="module")
def found() -> list[fault_energy.Outcome]:
    """Two shorted amplifiers of 230 V, for the first seconds of their ramps, metered in all ways."""
    return outcomes(lot(KINDS[0], MAINS[2], 2, SEED, late=False, for_s=7.0), SEED)


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


def test_every_fault_has_its_units_on_each_mains_and_some_come_late() -> None:
    for kind in KINDS:
        shares = lots_of(kind, 200)
        assert sum(units for _, units, _ in shares) >= 200
        assert {mains for mains, _, _ in shares} == set(MAINS)
        assert any(late for _, _, late in shares) == kind.late
