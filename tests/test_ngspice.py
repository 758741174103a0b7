"""The simulated units against ngspice, an independent circuit simulator, by a table that it made of our own netlists.

The netlists lie in benchmarks/circuits; benchmarks/ngspice_check.py runs them and writes the table.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

import pytest

from spice_help import CIRCUITS, CLOSING_CYCLES, CLOSINGS, nominal, peaks, steady

TABLE: dict[str, Any] = json.loads((Path(__file__).parent / "ngspice_table.json").read_text(encoding="utf-8"))
BY_NAME = {circuit.name: circuit for circuit in CIRCUITS}
WITHIN = 0.03
CLOSING_WITHIN = 0.10


def test_the_table_is_of_the_parts_as_they_are_now() -> None:
    """Else it must be made anew."""
    assert TABLE["parts"] == {circuit.name: nominal(circuit) for circuit in CIRCUITS}


def test_it_has_at_least_eight_circuits_at_five_line_voltages_and_two_closings() -> None:
    assert len(CIRCUITS) >= 8
    for circuit in CIRCUITS:
        assert len([row for row in TABLE["steady"] if row["circuit"] == circuit.name]) == 5
    assert len(TABLE["closings"]) == 2


@pytest.mark.parametrize("row", TABLE["steady"], ids=lambda row: f"{row['circuit']}-{row['line_voltage_v']:g}V")
def test_line_current_real_power_and_rail_within_three_per_cent(row: dict[str, Any]) -> None:
    current_a, power_w, rail_v = steady(BY_NAME[row["circuit"]], row["line_voltage_v"])
    assert current_a == pytest.approx(row["line_current_a"], rel=WITHIN)
    assert power_w == pytest.approx(row["real_power_w"], rel=WITHIN)
    assert rail_v == pytest.approx(row["rail_v"], rel=WITHIN)


@pytest.mark.parametrize(("closing", "row"), list(zip(CLOSINGS, TABLE["closings"], strict=True)))
def test_inrush_peak_and_decay_within_ten_per_cent(closing: Any, row: dict[str, Any]) -> None:
    circuit, line_v = closing
    assert (circuit.name, line_v) == (row["circuit"], row["line_voltage_v"])
    found = peaks(circuit, line_v, CLOSING_CYCLES)
    assert found == pytest.approx(row["peaks_a"], rel=CLOSING_WITHIN)
    assert found[0] > 3.0 * found[2], "nothing decays here, so that this shows nothing"
