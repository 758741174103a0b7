"""A small version of benchmarks/hand_turned.py: how a hand turns, what two handhelds show, and a shorted unit."""

from __future__ import annotations

import functools
import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import fault_population
import hand_turned
from hand_turned import FASTEST_V_PER_S, RANGE_CHANGE_S, handhelds, one_lot, table, turned
from ramps import WINDOW_S

from rampguard.quantities import LINE_VOLTAGE, Validity


def test_a_hand_goes_no_faster_than_it_should_pauses_and_goes_back() -> None:
    ways = [np.append(0.0, turned(np.random.default_rng(seed), 0)) for seed in range(40)]
    moved = np.concatenate([np.diff(way) for way in ways]) * 230.0 / WINDOW_S
    assert moved.max() <= FASTEST_V_PER_S * (1.0 + 1e-9)
    assert (moved < 0.0).any()
    assert (moved == 0.0).any()
    assert all(way.min() >= 0.0 and way.max() <= 1.0 for way in ways)
    assert sum(way[-1] == 1.0 for way in ways) > 30


def test_handhelds_are_silent_while_they_change_range_and_show_their_counts() -> None:
    volts = np.concatenate((np.full(20, 5.0), np.full(40, 50.0)))
    seen = np.stack((volts**2, np.full_like(volts, 0.01**2), np.zeros_like(volts)), axis=1)
    taken = [readings[0] for _, readings in handhelds(seen, 1)]
    assert all(reading.signal is LINE_VOLTAGE or reading.signal == LINE_VOLTAGE for reading in taken)
    silent = [reading.time_s for reading in taken if reading.validity is Validity.INVALID]
    assert silent
    assert silent[0] == 2.0
    assert silent[-1] < 2.0 + RANGE_CHANGE_S
    for reading in taken:
        if reading.value is not None:
            true = 5.0 if reading.time_s < 2.0 else 50.0
            assert abs(reading.value - true) <= reading.bound


def test_a_short_is_caught_by_plan_and_by_hand_and_its_twin_is_not(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(hand_turned, "lots", functools.partial(fault_population.lots, for_s=6.0))
    rows = table(one_lot(("rail-to-rail short", 60.0, 1, 5)), "run", "commit")
    assert [(row["unit"] == "healthy", row["tripped"]) for row in rows] == [(False, 1)] * 4 + [(True, 0)] * 4
