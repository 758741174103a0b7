"""A small version of benchmarks/fault_sweep.py: some faults at some lines, and pairs on the way off."""

from __future__ import annotations

import random
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from fault_sweep import Mischief, Outcome, lines_told, one, plans, table

CHOSEN = random.Random(20261126).sample(plans(stride=1, pairs=200, seed=2), 40)


@pytest.mark.parametrize("planned", CHOSEN, ids=lambda planned: "+".join(map(str, planned)))
def test_no_run_ends_live_and_unsaid(planned: tuple[Mischief, ...]) -> None:
    outcome = one(planned)
    assert not outcome.bad, outcome


def test_what_stays_on_is_seen_to_be_and_what_is_invented_would_be_bad() -> None:
    both = (Mischief("contactor", "stays-on", 3, True), Mischief("source", "stays-on", 20, True))
    outcome = one(both)
    assert (outcome.code, outcome.live, outcome.bad) == (4, True, False)
    assert Outcome((), 3, live=True, done=1).bad
    assert Outcome((), 0, live=False, done=0, invented=["line_voltage_v = 3"]).bad
    assert Outcome((), None, live=False, done=0).bad


def test_every_instrument_is_told_something_and_every_line_is_tried() -> None:
    told = lines_told()
    assert all(count > 5 for count in told.values())
    single = {planned[0] for planned in plans(1, 0, 1)}
    for name, count in told.items():
        assert {mischief.at for mischief in single if mischief.instrument == name} == set(range(1, count + 1))


def test_the_table_counts_every_run() -> None:
    rows = table([Outcome(("a:late@1",), 0, live=False, done=1), Outcome(("a:late@1", "b:late@2"), 4, True, 2)], "x")
    assert [row["runs"] for row in rows] == [1, 1, 2]
    assert rows[-1]["exit 4"] == 1
