"""Units of every kind and fault on the simulated bench, through the command line.

What this asks of some of them `benchmarks/units.py` asks of all, five specimens each; docs/units.md is its table.
"""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import pytest

from instruments.simulated.units import UNITS
from live_help import run_demo
from unit_outcomes import OUTCOMES, disagreements

TRIED = (
    *("class-g-amplifier", "soft-start-amplifier", "one-sided-short", "shorted-rectifier", "shorted-turns"),
    *("reforming-reservoir", "idle-runaway", "missing-rail", "open-fuse", "switch-off"),
    *("soft-start-receiver", "shorted-soft-start-receiver", "one-channel-runaway"),
    *("corrected-switch-mode", "no-lockout-switch-mode", "shorted-switch", "hiccup-switch-mode"),
    *("standby-valve", "shorted-rectifier-valve", "transformer-shorted-turns", "lamp", "induction-motor"),
)
"""Healthy amplifier and receiver, and the shorted output, are test_demo's."""

Ran = tuple[int, dict[str, Any], str]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Ran]]]:
    """The units' runs, two at a time: each waits for its simulated bench half of the time."""
    with ThreadPoolExecutor(2) as pool:
        yield {unit: pool.submit(run_demo, tmp_path_factory.mktemp(unit), unit) for unit in TRIED}


def test_every_unit_has_an_outcome() -> None:
    assert list(OUTCOMES) == list(UNITS)


@pytest.mark.parametrize("unit", TRIED)
def test_a_unit_does_what_it_should(unit: str, runs: dict[str, Future[Ran]]) -> None:
    code, said, story = runs[unit].result()
    assert not disagreements(unit, code, said), story
