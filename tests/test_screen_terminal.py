"""The screen in a real terminal, on a whole simulated bench: from the command to the exit code."""

from __future__ import annotations

import csv
import json
import os
import signal
import sys
import time
from pathlib import Path

import pytest

if sys.platform == "win32":
    pytest.skip("needs a pseudo-terminal", allow_module_level=True)

from live_help import RAMPGUARD, served_bench
from rampguard.cautions import PRE_POWER_CHECKS
from terminal_help import Terminal


def demo(into: Path, *more: str, width: int = 80, height: int = 24, env: dict[str, str] | None = None) -> Terminal:
    return Terminal([*RAMPGUARD, "demo", "--into", str(into), *more], width, height, env)


def captured(into: Path) -> Path:
    [capture] = [path for path in into.iterdir() if path.is_dir()]
    return capture


@pytest.mark.parametrize(("width", "height"), [(80, 24), (120, 40)])
def test_a_shorted_unit_is_cut_before_ones_eyes_and_the_exit_code_says_so(
    tmp_path: Path, width: int, height: int
) -> None:
    with demo(tmp_path, "--unit", "shorted-output", "--speed", "5", width=width, height=height) as terminal:
        terminal.until("OFF, PROVEN")
        said = terminal.until("LIKELY")
        assert "WHY  " in said
        assert "output stage" in said
        terminal.press("enter")
        assert terminal.wait() == 3
        assert "OFF, proven: " in terminal.text()  # what matters stays when the screen is gone
    assert "trip" in (captured(tmp_path) / "events.csv").read_text(encoding="utf-8")


def test_paused_noted_and_switched_off_by_keys(tmp_path: Path) -> None:
    with demo(tmp_path, "--unit", "healthy-amplifier", "--no-tour") as terminal:
        terminal.until("Now 10% of line")
        terminal.press("p")
        terminal.until("PAUSED")
        terminal.press("n")
        terminal.until("Esc switches off")
        terminal.press("smells warm", "enter")
        terminal.until("note: smells warm")
        terminal.press("space")
        terminal.until("OFF, PROVEN")
        assert "WHY  off by key" in terminal.text()
        terminal.press("enter")
        assert terminal.wait() == 5
    events = list(csv.DictReader((captured(tmp_path) / "events.csv").read_text(encoding="utf-8").splitlines()))
    assert {("pace", "pause"), ("note", "smells warm"), ("stop", "off by key")} <= {
        (event["kind"], event["text"]) for event in events
    }


def test_a_variac_turned_by_keys(tmp_path: Path) -> None:
    with demo(tmp_path, "--unit", "healthy-amplifier", "--hand") as terminal:
        terminal.until("to 6.9 V, slowly")
        terminal.press("up", "up", "up")
        terminal.until(lambda text: "2.9" in text or "3.0" in text)
        terminal.press("ctrl+c")
        terminal.until("OFF, PROVEN")
        terminal.press("enter")
        assert terminal.wait() == 5


def test_without_colour_no_colour_is_written_and_the_words_are_the_same(tmp_path: Path) -> None:
    with demo(tmp_path, "--unit", "shorted-output", "--speed", "5", env={"NO_COLOR": "1"}) as terminal:
        said = terminal.until("LIKELY")
        assert "OFF, PROVEN" in said
        terminal.press("enter")
        terminal.wait()
        colours = {part.split(b"m")[0] for part in terminal.written.split(b"\x1b[")[1:] if b"m" in part}
    grey = set()
    for colour in colours:
        parts = colour.split(b";")
        if parts[0] in (b"38", b"48") and len(parts) >= 5 and parts[1] == b"2":
            grey.add(tuple(parts[2:5]))
    assert all(red == green == blue for red, green, blue in grey)


def test_a_fault_by_chance_is_told_at_the_end(tmp_path: Path) -> None:
    with demo(tmp_path, "--speed", "30") as terminal:
        terminal.until("by chance")
        terminal.press("enter")
        terminal.until("OFF, PROVEN", 110.0)
        terminal.until("What stood on the simulated bench:", 10.0)
        terminal.press("enter")
        assert terminal.wait() in (0, 3)


def test_the_pre_power_checks_are_asked_on_the_screen_and_a_run_is_stopped_by_a_key(tmp_path: Path) -> None:
    with served_bench(tmp_path) as bench:
        command = [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--into", str(tmp_path / "captures")]
        with Terminal(command) as terminal:
            for number in range(1, len(PRE_POWER_CHECKS) + 1):
                terminal.until(f"[ok] {PRE_POWER_CHECKS[number - 2].key}" if number > 1 else "look, then answer")
                time.sleep(0.5)  # as a person looks
                terminal.press("y")
            terminal.until("Enter switches on")
            terminal.press("enter")
            terminal.until(" LIVE ")
            terminal.until("Now probe")
            terminal.press("escape")
            terminal.until("OFF, PROVEN")
            terminal.press("enter")
            assert terminal.wait() == 5
        descriptor = json.loads((captured(tmp_path / "captures") / "datapackage.json").read_text(encoding="utf-8"))
        assert "at the terminal" in json.dumps(descriptor)


@pytest.mark.parametrize("how", ["stopped", "killed", "terminal closed", "terminal gone", "told to end"])
def test_a_screen_that_hangs_or_dies_is_a_cut(tmp_path: Path, how: str) -> None:
    with served_bench(tmp_path) as bench:
        command = [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--into", str(tmp_path / "captures")]
        with Terminal([*command, "--permissives-confirmed"], controls=how != "terminal gone") as terminal:
            terminal.until("Now 10% of line")
            began_s = time.monotonic()
            if how == "stopped":
                os.kill(terminal.process.pid, signal.SIGSTOP)
            elif how == "killed":
                os.kill(terminal.process.pid, signal.SIGKILL)
            elif how == "told to end":
                os.kill(terminal.process.pid, signal.SIGTERM)
            else:
                terminal.hang_up()
            off_s = bench.off_after_s(began_s)
            assert off_s is not None
            assert off_s < 1.0  # the promised time to off
            if how == "stopped":
                os.kill(terminal.process.pid, signal.SIGCONT)
