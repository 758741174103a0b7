"""The main job from the command line: a whole power-up on the simulated bench, as a user starts it."""

from __future__ import annotations

import json
import subprocess
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import pytest
from frictionless import validate

from live_help import RAMPGUARD, run_demo
from rampguard.archive.reader import read_capture

FULL_LINE_V = 230.0


@dataclass(frozen=True)
class Outcome:
    code: int
    summary: dict[str, Any]
    story: str

    @property
    def capture(self) -> Path:
        return Path(self.summary["capture"])


def demo(into: Path, unit: str, seed: int = 1, speed: str = "1000", *more: str) -> Outcome:
    return Outcome(*run_demo(into, unit, seed, speed, *more))


@pytest.fixture(scope="module")
def healthy(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return demo(tmp_path_factory.mktemp("healthy"), "healthy-amplifier")


@pytest.fixture(scope="module")
def shorted(tmp_path_factory: pytest.TempPathFactory) -> Outcome:
    return demo(tmp_path_factory.mktemp("shorted"), "shorted-output")


def test_a_healthy_amplifier_comes_up_to_full_line(healthy: Outcome) -> None:
    assert healthy.code == 0, healthy.story
    assert healthy.summary["outcome"] == "passed"
    assert healthy.summary["trip"] is None
    assert healthy.summary["off"]["proven"]
    assert healthy.summary["max_line_voltage_v"] == pytest.approx(FULL_LINE_V, rel=0.02)
    assert healthy.summary["seed"] == 1
    assert healthy.summary["format"] == 1


def test_a_shorted_output_trips_below_a_third_of_line_proven_off(shorted: Outcome) -> None:
    assert shorted.code == 3, shorted.story
    assert shorted.summary["outcome"] == "tripped"
    assert shorted.summary["off"]["proven"]
    assert shorted.summary["trip"]["line_voltage_v"] < FULL_LINE_V / 3
    assert shorted.summary["max_line_voltage_v"] < FULL_LINE_V / 3
    # Which of the two is first depends on whether the meter sits in the shorted channel.
    assert any(word in shorted.summary["trip"]["reason"] for word in ("line current", "emitter-resistor voltage"))


def test_another_specimen_does_the_same(tmp_path: Path) -> None:
    assert demo(tmp_path, "healthy-amplifier", 2).code == 0
    assert demo(tmp_path, "shorted-output", 2).code == 3


def test_a_receiver_is_pressed_at_the_same_moment_each_time(tmp_path: Path) -> None:
    """The button is a relay pressed in wall time; in lock-step the bench's time waits for it."""
    one, two = (demo(tmp_path / name, "healthy-receiver", 1, speed) for name, speed in (("a", "1000"), ("b", "30")))
    assert (one.code, two.code) == (0, 0), one.story + two.story
    assert (one.capture / "readings.csv").read_bytes() == (two.capture / "readings.csv").read_bytes()
    events = (one.capture / "events.csv").read_text(encoding="utf-8")
    assert events.count("power was pressed") == 1
    assert "the bench presses the power button" in one.story
    assert "press the unit's power button" not in one.story


def test_a_series_lamp_spares_a_shorted_unit(tmp_path: Path) -> None:
    """Behind 60 W of lamp no more than the lamp's own current can flow: a quarter of an ampere at full line."""
    bare, spared = (
        demo(tmp_path / "bare", "shorted-output"),
        demo(tmp_path / "lamp", "shorted-output", 1, "1000", "--series-lamp-w", "60"),
    )
    assert (bare.code, spared.code) == (3, 3), spared.story

    def most_a(outcome: Outcome) -> float:
        lines = (outcome.capture / "readings.csv").read_text(encoding="utf-8").splitlines()
        column = lines[0].split(",").index("line_current_a")
        return max(float(cell) for cell in (line.split(",")[column] for line in lines[1:]) if cell)

    assert most_a(spared) < 0.35


def test_a_fault_can_come_in_the_middle_of_a_run(tmp_path: Path) -> None:
    outcome = demo(tmp_path, "shorted-output", 1, "1000", "--fault-at-s", "20")
    assert outcome.code == 3, outcome.story
    assert 20.0 <= outcome.summary["trip"]["time_s"] < 21.5


def test_the_same_seed_gives_the_same_readings_and_another_seed_does_not(tmp_path: Path, shorted: Outcome) -> None:
    again = demo(tmp_path / "again", "shorted-output")
    other = demo(tmp_path / "other", "shorted-output", seed=2)
    first = (shorted.capture / "readings.csv").read_bytes()
    assert (again.capture / "readings.csv").read_bytes() == first
    assert (other.capture / "readings.csv").read_bytes() != first


def test_the_capture_is_whole_sealed_and_valid_for_others(healthy: Outcome, shorted: Outcome) -> None:
    for outcome in (healthy, shorted):
        names = {path.name for path in outcome.capture.iterdir()}
        assert names >= {
            *("datapackage.json", "readings.csv", "events.csv", "plan.toml", "limits.toml", "bench.toml"),
            *("engine.log", "seal.sha256", "ramp.png"),
        }
        assert "pids.json" not in names
        report = validate(str(outcome.capture / "datapackage.json"))
        assert report.valid, report.flatten(["rowNumber", "fieldNumber", "type", "note"])
        assert str(read_capture(outcome.capture).completeness) == "finished"


def test_a_capture_replays_to_the_decision_that_was_made(healthy: Outcome, shorted: Outcome) -> None:
    for outcome, code in ((healthy, 0), (shorted, 3)):
        done = subprocess.run(
            [*RAMPGUARD, "replay", str(outcome.capture), "--json"], capture_output=True, text=True, timeout=60
        )
        result = json.loads(done.stdout)
        assert done.returncode == code, done.stderr
        assert result["trip"] == outcome.summary["trip"]


def test_an_unknown_unit_is_refused_with_the_known_ones(tmp_path: Path) -> None:
    done = subprocess.run(
        [*RAMPGUARD, "demo", "--unit", "toaster", "--no-screen", "--into", str(tmp_path)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.returncode == 2
    assert "healthy-amplifier" in done.stderr
    assert not list(tmp_path.iterdir())
