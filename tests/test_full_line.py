"""Runs that go on at full line, cold starts, every channel with one meter: on the simulated bench, by its servers."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path

import pytest

from full_line_help import follow, sheet
from live_help import RAMPGUARD
from rampguard.archive.reader import read_capture
from rampguard.cold_starts import start_lines
from rampguard.demo import OnTheBench
from rampguard.every_channel import every_channel, summary_lines
from rampguard.warmup.sheet import load_sheet

CHANNELS = ("left", "right", "center", "surround-left", "surround-right")


@pytest.fixture(scope="module")
def warmed(tmp_path_factory: pytest.TempPathFactory) -> tuple[int, dict[str, object], str]:
    """A repaired amplifier, its trimmers at minimum: warmed up, its idle set by the simulated hand, and soaked."""
    folder = tmp_path_factory.mktemp("warmed")
    [found] = follow(
        OnTheBench("repaired-amplifier", 1, scanner=True, averaged=True), folder, {"sheet": str(sheet(folder))}
    )
    return found


def test_the_idle_is_set_by_what_the_watch_says_and_proven(warmed: tuple[int, dict[str, object], str]) -> None:
    code, result, story = warmed
    assert code == 0, story
    checks = {check["what"]: check for check in result["checks"]}  # type: ignore[attr-defined]
    assert {name: checks[name]["right"] for name in ("idle of left", "idle of right")} == dict.fromkeys(
        ("idle of left", "idle of right"), True
    )
    # 90 mA through 0.22 ohm; a fifth either way is right.
    assert checks["idle of left"]["value"] == pytest.approx(0.0198, rel=0.2)
    assert checks["offset of left at its terminals"]["right"] is True
    assert "phase: warm-up" in story
    assert "left's trimmer is turned until" in story
    assert "phase: soak" in story
    assert story.index("phase: warm-up") < story.index("phase: soak") < story.index("OFF, proven")


def test_what_a_touch_explains_is_recorded_and_replays_to_the_same(warmed: tuple[int, dict[str, object], str]) -> None:
    _, result, _ = warmed
    capture = Path(str(result["capture"]))
    rows = list(read_capture(capture).rows())
    assert any(row.expected_event == "touched" for row in rows)
    assert read_capture(capture).descriptor["sheet"]["idle"]["target_a"] == 0.09
    assert {row.stage for row in rows} >= {"full line", "warm-up", "soak"}
    replayed = subprocess.run(
        [*RAMPGUARD, "replay", str(capture), "--json"], capture_output=True, text=True, timeout=300, check=False
    )
    assert replayed.returncode == 0, replayed.stdout + replayed.stderr
    assert json.loads(replayed.stdout)["outcome"] == "passed"


def test_a_soak_at_one_eighth_of_rated_power_is_driven_watched_and_comes_back_to_its_idle(tmp_path: Path) -> None:
    path = sheet(tmp_path, soak_min=1.0)
    driven = 'minutes = 1.0\npower = "one-eighth"\nrated_output_w = 60.0\nload_ohm = 8.0'
    path.write_text(path.read_text(encoding="utf-8").replace("minutes = 1.0", driven), encoding="utf-8")
    [(code, result, story)] = follow(
        OnTheBench("healthy-amplifier", 1, scanner=True, averaged=True), tmp_path, {"sheet": str(path)}
    )
    assert code == 0, story
    assert "7.75 V rms across 8 ohm" in story
    rows = [row for row in read_capture(Path(result["capture"])).rows() if row.expected_event == "driven"]
    watts = [r.value or 0.0 for row in rows for r in row.readings if r.signal.column == "real_power_w"]
    # By hand: two channels of 0.436 A from 100 V, and their idle, through a supply of 80 % and better.
    assert 100.0 < max(watts) < 150.0
    assert all(row.expectation is None for row in rows)
    assert result["checks"]


def test_one_channel_of_five_that_runs_away_is_seen_by_its_own_resistor(tmp_path: Path) -> None:
    [(code, result, story)] = follow(
        OnTheBench("one-channel-runaway", 1, fault_at_s=70.0, scanner=True, averaged=True),
        tmp_path,
        {"sheet": str(sheet(tmp_path, CHANNELS, "receiver", target_a=0.035))},
    )
    assert code == 3, story
    assert "surround-right" in result["trip"]["reason"]
    rows = [row for row in read_capture(Path(result["capture"])).rows() if row.state == "live"]
    seen = [r.value for row in rows for r in row.readings if r.signal.column == "emitter_resistor_surround-right_v"]
    settled = [value for value in seen if value is not None and value > 0.004]
    assert max(settled) < 3.1 * settled[0]


def test_channels_that_no_meter_reads_are_said_not_to_be_watched(tmp_path: Path) -> None:
    [(code, result, story)] = follow(
        OnTheBench("healthy-amplifier", 1, averaged=True),
        tmp_path,
        {"sheet": str(sheet(tmp_path, final_check_min=1.5, soak_min=0.0))},
    )
    assert code == 0, story
    assert "right is not watched" in story
    [check] = [check for check in result["checks"] if check["what"] == "idle of right"]
    assert check["right"] is None


def test_every_channel_with_one_meter_is_a_run_a_channel_and_the_clip_waits_for_two_volts(tmp_path: Path) -> None:
    path = sheet(tmp_path, final_check_min=1.5, soak_min=0.0)
    asked: list[str] = []

    def moved(text: str) -> bool:
        asked.append(text)
        return True

    from io import StringIO

    from rampguard.demo import SimulatedBench
    from rampguard.engine.link import RunOrder
    from rampguard.onlooker import Onlooker

    with SimulatedBench(OnTheBench("healthy-amplifier", 1, averaged=True)) as bench_file:

        def run(order: RunOrder) -> tuple[int, dict[str, object]]:
            onlooker = Onlooker(StringIO())
            code = onlooker.follow(order)
            assert onlooker.seen.summary is not None, onlooker.seen.refused
            return code, onlooker.seen.summary

        order = RunOrder(
            bench=str(bench_file),
            into=str(tmp_path / "captures"),
            sheet=str(path),
            permissives_confirmed="simulated bench",
        )
        every = every_channel(order, load_sheet(path), run, moved)
    assert every.exit_code == 0
    assert list(every.results) == ["left", "right"]
    assert "Before anything is energised" in asked[0]
    assert "Power is off" in asked[1]
    assert all("below 2 V on both rails" in text for text in asked)
    values = [
        next(check["value"] for check in every.results[name]["checks"] if check["what"] == f"idle of {name}")
        for name in ("left", "right")
    ]
    assert values[0] != values[1]  # two resistors were read, not one twice
    for result in every.results.values():
        assert all(item["volts"] < 2.5 for item in result["reservoirs"].values())
    # The second channel goes on where the first has warmed the unit up to.
    assert every.results["right"]["full_line_min"] < every.results["left"]["full_line_min"]
    assert any("idle of right" in line for line in summary_lines(every))


def test_cold_starts_come_after_a_run_that_passed_and_not_before(tmp_path: Path) -> None:
    bench = OnTheBench("healthy-amplifier", 1)
    (refused, *_), (code, ramp, _) = follow(bench, tmp_path, {"direct": True}, {})
    assert refused == 2
    assert code == 0
    direct = {"direct": True, "after": ramp["capture"], "rest_s": 20.0}
    [(code, result, story)] = follow(bench, tmp_path, direct)
    assert code == 0, story
    assert result["max_line_current_a"] > 1.5  # more than its nameplate's 1.3 A: an inrush was seen
    assert "full mains at once" in story
    assert "passed: up to" in start_lines([result])[0]
    [(code, result, story)] = follow(OnTheBench("shorted-output", 1), tmp_path, direct)
    assert code == 3, story


def test_a_direct_switch_on_is_refused_where_a_person_is_the_cut_off(tmp_path: Path) -> None:
    (_, ramp, _), (code, result, _) = follow(
        OnTheBench("healthy-amplifier", 1), tmp_path, {}, {"direct": True, "after": "nowhere"}
    )
    assert code == 2
    assert "nowhere" in result["refused"]
    [(code, result, _)] = follow(
        OnTheBench("healthy-amplifier", 1, supply="variac-alone"),
        tmp_path,
        {"direct": True, "after": ramp["capture"]},
    )
    assert code == 2
    assert "contactor" in result["refused"]
