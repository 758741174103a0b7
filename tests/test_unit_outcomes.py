"""Units of every kind and fault on the simulated bench, through the command line.

What this asks of some of them `benchmarks/units.py` asks of all, five specimens each; docs/units.md is its table.
"""

from __future__ import annotations

from pathlib import Path

import pytest

from instruments.simulated.units import UNITS
from live_help import run_demo
from unit_outcomes import OUTCOMES, disagreements

TRIED = (
    *("soft-start-amplifier", "one-sided-short", "shorted-turns", "idle-runaway", "open-fuse", "switch-off"),
    *("shorted-soft-start-receiver", "corrected-switch-mode", "shorted-switch", "shorted-rectifier-valve", "lamp"),
)
"""Healthy amplifier and receiver, and the shorted output, are test_demo's."""


def test_every_unit_has_an_outcome() -> None:
    assert list(OUTCOMES) == list(UNITS)


@pytest.mark.parametrize("unit", TRIED)
def test_a_unit_does_what_it_should(unit: str, tmp_path: Path) -> None:
    code, said, story = run_demo(tmp_path, unit)
    assert not disagreements(unit, code, said), story
