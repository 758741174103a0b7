"""Whatever dies or hangs while live, the supply goes off within a second. `benchmarks/kills.py` does it many times."""

from __future__ import annotations

import json
import os
import signal
import sys
from pathlib import Path

import pytest

from live_help import gone, live_run, plan_toml, run_plan, served_bench, strike, wait_until

pytestmark = pytest.mark.skipif(sys.platform == "win32", reason="signals of POSIX; not tested on Windows")

PROMISED_S = 1.0


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
@pytest.mark.parametrize("victim", ["engine", "watchdog"])
def test_a_killed_or_hung_process_ends_in_off_within_a_second(tmp_path: Path, victim: str, how: signal.Signals) -> None:
    into = tmp_path / "captures"
    with served_bench(tmp_path) as bench, live_run(bench, into) as run:
        run.wait_live(bench, 2.0)
        pids = run.pids()
        moment_s = strike(pids[victim], how)
        off_s = bench.off_after_s(moment_s)
        code, summary, story = run.finish()
        assert off_s is not None
        assert off_s < PROMISED_S
        assert code == 3, story
        assert summary["outcome"] == "tripped"
        assert summary["off"]["proven"]
        wait_until(lambda: all(gone(pid) for pid in pids.values()), 5.0)
        assert not any(line["output"] for line in bench.log_lines()[-3:])
        if victim == "engine":
            assert (run.capture() / "watchdog.json").exists()


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_relay_that_serves_one_client_only_is_the_watchdogs_once_the_engine_is_gone(
    tmp_path: Path, how: signal.Signals
) -> None:
    """A hand-turned variac behind a relay on a serial line: nothing else could cut."""
    serial = ("--hand", "--wires", "serial")
    with served_bench(tmp_path, *serial) as bench, live_run(bench, tmp_path / "captures") as run:
        run.wait_live(bench, 2.0)
        off_s = bench.off_after_s(strike(run.pids()["engine"], how))
        assert off_s is not None
        assert off_s < PROMISED_S
        code, summary, story = run.finish()
        # The only meter is on a serial line too, and was the engine's: it proves off all the same.
        assert code == 3, story
        assert summary["off"]["by"][0] == "contactor reads back off"
        assert summary["off"]["by"][1].startswith("power-meter reads under")


def test_a_welded_relay_that_serves_one_client_only_is_tried_on_by_the_watchdog(tmp_path: Path) -> None:
    """The engine cannot prove off, ends its record and lets go of the port; the watchdog opens it and goes on."""
    with served_bench(tmp_path, "--hand", "--mischief", "contactor:stays-on@8+", unit="heater") as bench:
        text = bench.bench_file.read_text(encoding="utf-8")
        contactor = "[instruments.contactor]\n"
        bench.bench_file.write_text(text.replace(contactor, contactor + "exclusive = true\n"), encoding="utf-8")
        code, summary, story = run_plan(bench.bench_file, tmp_path, plan_toml((10.0, 5.0, 1.0, 20.0)))
        assert code == 4, story
        assert summary["off"]["problems"] == ["contactor reads back on"]
        [verdict_file] = tmp_path.glob("captures/*/watchdog.json")
        verdict = json.loads(verdict_file.read_text(encoding="utf-8"))
        assert verdict["reason"] == "the engine could not prove off"
        assert not verdict["off"]["proven"]
        assert verdict["off"]["problems"] == ["contactor reads back on"]  # what it read by itself


@pytest.mark.parametrize("how", [signal.SIGKILL, signal.SIGSTOP])
def test_a_killed_or_hung_onlooker_ends_in_off_within_a_second(tmp_path: Path, how: signal.Signals) -> None:
    with served_bench(tmp_path) as bench, live_run(bench, tmp_path / "captures") as run:
        run.wait_live(bench, 2.0)
        pids = run.pids()
        off_s = bench.off_after_s(strike(run.process.pid, how))
        assert off_s is not None
        assert off_s < PROMISED_S
        wait_until(lambda: all(gone(pid) for pid in pids.values()), 10.0)
        if how is signal.SIGSTOP:
            os.kill(run.process.pid, signal.SIGCONT)
            code, summary, story = run.finish()
            assert code == 3, story
            assert "screen" in summary["trip"]["reason"]


@pytest.mark.parametrize(
    ("how", "code", "outcome"),
    [(signal.SIGINT, 5, "stopped"), (signal.SIGTERM, 5, "stopped"), (signal.SIGHUP, 3, "tripped")],
)
def test_ctrl_c_sigterm_and_a_closed_terminal_end_in_proven_off(
    tmp_path: Path, how: signal.Signals, code: int, outcome: str
) -> None:
    overridden = ("--override", "earth-continuity=double insulated")
    with served_bench(tmp_path) as bench, live_run(bench, tmp_path / "captures", *overridden) as run:
        run.wait_live(bench, 2.0)
        moment_s = strike(run.process.pid, how)
        off_s = bench.off_after_s(moment_s)
        assert off_s is not None
        assert off_s < PROMISED_S
        exit_code, summary, story = run.finish()
        assert (exit_code, summary["outcome"]) == (code, outcome), story
        assert summary["off"]["proven"]
        assert not (run.capture() / "pids.json").exists()
        events = (run.capture() / "events.csv").read_text(encoding="utf-8")
        assert "override,earth-continuity: double insulated" in events
