"""The proofs by cycles, a few units each: `benchmarks/inrush.py`, `ramps_by_cycle.py` and `digitiser_rate.py`."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import digitiser_rate
import inrush
import ramps_by_cycle


@pytest.fixture(autouse=True)
def shorter(monkeypatch: pytest.MonkeyPatch) -> None:
    """Less time at each voltage."""
    monkeypatch.setattr(inrush, "RISE_PER_S", 0.2)
    monkeypatch.setattr(inrush, "HELD_S", 0.2)
    monkeypatch.setattr(inrush, "AFTER_S", 0.7)


@pytest.mark.parametrize("unit", ["shorted-receiver", "shorted-soft-start-receiver"])
def test_a_short_behind_the_relay_is_told_within_six_cycles(unit: str) -> None:
    for one in inrush.lot((unit, 70, 3, 2)):
        assert one.closes
        assert not one.before
        assert one.cycles is not None
        assert one.cycles <= 6.0, one


@pytest.mark.parametrize(("unit", "first"), [("healthy-receiver", 70), ("soft-start-receiver", 71)])
def test_an_inrush_trips_nothing(unit: str, first: int) -> None:
    found = inrush.lot((unit, first, 3, 1))
    assert [one.said for one in found] == ["", "", ""]
    assert all(one.lasting <= 2 for one in found)
    [row] = inrush.rows(found, "test")
    assert (row["count"], row["tripped"]) == (3, 0)


def test_a_whole_ramp_by_cycles_trips_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(ramps_by_cycle, "RISE_PER_S", 0.2)
    monkeypatch.setattr(ramps_by_cycle, "HOLD_S", 0.2)
    found = ramps_by_cycle.lot(("heater", 70, 2, 2))
    assert [one.said for one in found] == ["", ""]


def test_every_sample_is_read_and_every_gap_told(monkeypatch: pytest.MonkeyPatch) -> None:
    command = [sys.executable, digitiser_rate.__file__, "--serve", "--rate", "20000.0"]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        row = digitiser_rate.run(server.stdout.readline().strip(), 20_000.0, 22.0 / 60.0)
        server.stdin.close()
        said = json.loads(server.stdout.read())
    assert said["gaps"] == row["gaps told"] == 1
    assert said["left_out"] == row["samples told as lost"]
    assert row["other problems"] == 0
