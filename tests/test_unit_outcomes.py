"""Every unit on the simulated bench through the command line: docs/units.md is the table of what this asks for."""

from __future__ import annotations

from pathlib import Path

import pytest

from instruments.simulated.units import UNITS
from live_help import run_demo
from unit_outcomes import OUTCOMES

MAINS_V = 230.0


def test_every_unit_has_an_outcome() -> None:
    assert list(OUTCOMES) == list(UNITS)


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_does_what_it_should(unit: str, tmp_path: Path) -> None:
    expected = OUTCOMES[unit]
    code, said, story = run_demo(tmp_path, unit)
    assert (said["outcome"], code) == (expected.outcome, expected.code), story
    assert said["off"]["proven"]
    if expected.outcome == "tripped":
        assert expected.reason in said["trip"]["reason"]
        assert said["max_line_voltage_v"] < expected.by * MAINS_V
    else:
        assert said["max_line_voltage_v"] == pytest.approx(MAINS_V, rel=0.02)
