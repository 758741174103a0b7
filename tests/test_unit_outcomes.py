"""Every unit on the simulated bench through the command line: docs/units.md is the table of what this asks for."""

from __future__ import annotations

from collections.abc import Iterator
from concurrent.futures import Future, ThreadPoolExecutor
from typing import Any

import pytest

from instruments.simulated.units import UNITS
from live_help import run_demo
from unit_outcomes import OUTCOMES, disagreements

Ran = tuple[int, dict[str, Any], str]


@pytest.fixture(scope="module")
def runs(tmp_path_factory: pytest.TempPathFactory) -> Iterator[dict[str, Future[Ran]]]:
    """All units' runs, two at a time: each waits for its simulated bench half of the time."""
    with ThreadPoolExecutor(2) as pool:
        yield {unit: pool.submit(run_demo, tmp_path_factory.mktemp(unit), unit) for unit in UNITS}


def test_every_unit_has_an_outcome() -> None:
    assert list(OUTCOMES) == list(UNITS)


@pytest.mark.parametrize("unit", UNITS)
def test_a_unit_does_what_it_should(unit: str, runs: dict[str, Future[Ran]]) -> None:
    code, said, story = runs[unit].result()
    assert not disagreements(unit, code, said), story
