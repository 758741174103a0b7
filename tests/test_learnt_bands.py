"""A small version of benchmarks/learnt_bands.py: who has which fault, which band a unit meets, and the tables."""

from __future__ import annotations

import sys
from pathlib import Path

import numpy as np
import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from fault_population import KINDS
from learnt_bands import CLASS_ALONE, Outcome, band_for, caught, false_trips
from model_population import HERTZ, MODELS, VOLTS, _events, faulted_units, faults_of, parts_of, whole_units
from ramps import basis_of

from instruments.simulated import kinds
from instruments.simulated.ops import ARRAY
from rampguard.loads.basis import Shown
from rampguard.loads.learnt import learnt_spans

SEED = 20261127


def test_every_fault_belongs_to_a_model_once() -> None:
    named = [kind.name for model in MODELS for group in faults_of(model) for kind in group]
    assert sorted(named) == sorted(kind.name for kind in KINDS)


@pytest.mark.parametrize("model", MODELS)
def test_units_of_a_model_differ_by_their_tolerances(model: str) -> None:
    drawn = parts_of(model, 200, np.random.default_rng(SEED))
    for name, part in kinds.KINDS[model].parts.items():
        off = drawn[name] / part.nominal - 1.0
        assert np.abs(off).max() <= part.tolerance + 1e-12, name
        assert np.abs(off).max() >= 0.9 * part.tolerance, name


def test_of_a_batch_each_unit_has_its_own_fault_and_no_other() -> None:
    each, (_, faults) = 2, faults_of("amplifier")
    count = each * len(faults)
    generator = np.random.default_rng(SEED)
    parts = parts_of("amplifier", count, generator)
    unit = kinds.KINDS["amplifier"].make(parts, ARRAY, np.full(count, VOLTS), HERTZ)
    onset = np.array([0, 30] * len(faults))
    events = _events("amplifier", faults, each, parts, onset, generator)
    assert sorted(events) == [0, 30]

    def who() -> dict[str, list[int]]:
        assert unit.stages.leak is not None
        drift = unit.stages.channels[1].drift_a_per_k
        signs = {
            "one device shorted": unit.stages.short_s > 0.0,
            "shorted diode": unit.outputs[0].short_s > 0.0,
            "shorted turns": unit.transformer.shorted_s > 0.0,
            "leaking reservoir": unit.stages.leak.at_full_a > 0.0,
            "idle runaway": drift != parts["drift_a_per_k_1"],
        }
        return {name: list(np.flatnonzero(sign)) for name, sign in signs.items()}

    events[0](unit)
    assert who() == {kind.name: [2 * n] for n, kind in enumerate(faults)}
    events[30](unit)
    assert who() == {kind.name: [2 * n, 2 * n + 1] for n, kind in enumerate(faults)}


def test_batches_have_their_units_and_as_long_as_asked() -> None:
    shorted = faulted_units("transformer", 0, 1, SEED, for_s=0.4)
    assert shorted.faults == ["shorted turns, transformer"]
    assert shorted.seen.shape == (4, 3, 1)
    whole = whole_units("transformer", 1, 1, SEED, for_s=0.2)
    assert whole.seen.shape == (2, 3, 2)
    assert (whole.faults, whole.load_class) == (["", ""], "transformer")


def test_each_band_has_its_turn() -> None:
    basis = basis_of("heater", 230.0, 100.0)
    shown = [{name: Shown(0.3 + 0.1 * k, 0.02) for name in basis.ranges()} for k in range(4)]
    assert band_for(basis, shown, CLASS_ALONE, 3) == basis
    bands = [band_for(basis, shown, 2, k).narrowed for k in range(3)]
    assert bands[0] == bands[2] == learnt_spans(basis.ranges(), shown[:2])
    assert bands[1] == learnt_spans(basis.ranges(), shown[2:])


def _outcome(fault: str, unit: int, units: int, trip: str, energy_j: float, line: float = 0.5) -> Outcome:
    return Outcome("amplifier", fault, unit, units, 0.001, (trip, "why") if trip else None, False, line, energy_j)


def test_the_tables_compare_each_unit_with_itself() -> None:
    found = [
        *(
            _outcome("leak", unit, CLASS_ALONE, trip, joules)
            for unit, trip, joules in ((0, "", 90.0), (1, "band", 8.0))
        ),
        *(_outcome("leak", unit, 10, "band", joules) for unit, joules in ((0, 45.0), (1, 16.0))),
        *(_outcome("", unit, 10, "evidence" if unit == 3 else "", 90.0) for unit in range(20)),
    ]
    by_class, learnt = caught(found, "run", "commit")
    assert (by_class["learnt from"], by_class["tripped"], by_class["earlier than by class"]) == ("class alone", 1, 0)
    assert (learnt["learnt from"], learnt["tripped"]) == (10, 2)
    assert (learnt["earlier than by class"], learnt["later"]) == (1, 1)
    assert learnt["of the class's, median"] == "1.25"
    [row] = false_trips(found, "run", "commit")
    assert (row["fresh units"], row["tripped"], row["by layer"]) == (20, 1, "ceiling:0 band:0 evidence:1")
    assert row["at most (95 %)"] == "21.61 %"  # Clopper and Pearson, 1 of 20
