"""A simulated bench in a process of its own, and runs on it: for whatever happens to real processes."""

from __future__ import annotations

import json
import os
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

RAMPGUARD = [sys.executable, "-m", "rampguard"]


def run_demo(into: Path, unit: str, seed: int = 1, speed: str = "1000", *more: str) -> tuple[int, dict[str, Any], str]:
    """One `demo` without a screen: exit code, JSON object, and the story it told."""
    done = subprocess.run(
        [*RAMPGUARD, "demo", "--unit", unit, "--no-screen", "--speed", speed, "--seed", str(seed)]
        + ["--json", "--into", str(into), *more],
        capture_output=True,
        text=True,
        timeout=110,
    )
    assert done.stdout.count("\n") == 1, done.stderr
    return done.returncode, json.loads(done.stdout), done.stderr


def plan_toml(*stages: tuple[float, float, float, float]) -> str:
    """A plan of stages that end when held: of each its line voltage, slew, hold and time-out. V, V/s, s."""
    plan = 'format = 1\ntitle = "short"\n\n[mains]\nvoltage_v = 230.0\nfrequency_hz = 50.0\n'
    for volts, slew_v_per_s, hold_s, timeout_s in stages:
        plan += (
            f'\n[[stages]]\nname = "{volts:g} V"\nline_voltage_v = {volts!r}\nslew_v_per_s = {slew_v_per_s!r}\n'
            f'hold_s = {hold_s!r}\ntimeout_s = {timeout_s!r}\nends_when = "held"\n'
        )
    return plan


def run_plan(bench_file: Path, folder: Path, plan: str, timeout_s: float = 60.0) -> tuple[int, dict[str, Any], str]:
    """One `run` of a plan, captured into the folder: exit code, JSON object, and the story it told."""
    (folder / "plan.toml").write_text(plan, encoding="utf-8")
    done = subprocess.run(
        [*RAMPGUARD, "run", "--bench", str(bench_file), "--plan", str(folder / "plan.toml")]
        + ["--into", str(folder / "captures"), "--permissives-confirmed", "--no-screen", "--json"],
        capture_output=True,
        text=True,
        timeout=timeout_s,
    )
    return done.returncode, json.loads(done.stdout), done.stderr


@dataclass
class ServedBench:
    """A running `simulate`."""

    process: subprocess.Popen[bytes]
    bench_file: Path
    log: Path

    def log_lines(self) -> list[dict[str, Any]]:
        """All whole lines of the log so far."""
        text = self.log.read_text(encoding="utf-8") if self.log.exists() else ""
        return [json.loads(line) for line in text.splitlines(keepends=True) if line.endswith("\n")]

    def off_after_s(self, moment_s: float, patience_s: float = 5.0) -> float | None:
        """Wall time from ``moment_s`` (monotonic) until the supply's log says off; None if it never did."""
        while True:
            lines = self.log_lines()
            offs = [line["t_s"] for line in lines if line["t_s"] >= moment_s and not line["output"]]
            if offs:
                return float(offs[0]) - moment_s
            if lines and lines[-1]["t_s"] > moment_s + patience_s:
                return None
            if time.monotonic() > moment_s + patience_s + 5.0:
                return None
            time.sleep(0.02)


@contextmanager
def served_bench(
    folder: Path, *more: str, unit: str = "healthy-amplifier", seed: int = 1, speed: float = 1.0
) -> Iterator[ServedBench]:
    """Serve a bench until the context ends; ``more`` are further options of `simulate`."""
    bench_file, log = folder / "bench.toml", folder / "supply.jsonl"
    process = subprocess.Popen(
        [*RAMPGUARD, "simulate", "--unit", unit, "--bench-file", str(bench_file), "--log", str(log)]
        + ["--seed", str(seed), "--speed", str(speed), *more],
        stdin=subprocess.PIPE,
    )
    try:
        wait_until(bench_file.exists, 30.0, lambda: process.poll() is not None)
        yield ServedBench(process, bench_file, log)
    finally:
        assert process.stdin is not None
        process.stdin.close()
        try:
            process.wait(10.0)
        except subprocess.TimeoutExpired:
            process.kill()
            process.wait()


def wait_until(condition: Any, timeout_s: float, given_up: Any = lambda: False) -> None:
    """Wait for a condition; raises TimeoutError."""
    deadline_s = time.monotonic() + timeout_s
    while not condition():
        if time.monotonic() > deadline_s or given_up():
            raise TimeoutError("what was waited for did not come about")
        time.sleep(0.01)


@dataclass
class LiveRun:
    """A `run` in progress."""

    process: subprocess.Popen[str]
    into: Path

    def capture(self) -> Path:
        """The run's capture folder."""
        [folder] = [path for path in self.into.iterdir() if path.is_dir()]
        return folder

    def pids(self) -> dict[str, int]:
        """Engine and watchdog, as the capture says while live."""
        pids = json.loads((self.capture() / "pids.json").read_text(encoding="utf-8"))
        return {name: pids[name] for name in ("engine", "watchdog")}

    def wait_live(self, bench: ServedBench, volts: float) -> None:
        """Until the supply is on with a set-point of at least ``volts``."""

        def live() -> bool:
            lines = bench.log_lines()
            return bool(lines) and lines[-1]["output"] and lines[-1]["set_voltage_v"] >= volts

        wait_until(live, 60.0, lambda: self.process.poll() is not None)

    def finish(self, timeout_s: float = 60.0) -> tuple[int, dict[str, Any], str]:
        """Exit code, the JSON object, and the story."""
        out, err = self.process.communicate(timeout=timeout_s)
        return self.process.returncode, json.loads(out), err


@contextmanager
def live_run(bench: ServedBench, into: Path, *options: str) -> Iterator[LiveRun]:
    """Start `run` on a served bench; whatever is left of it is killed at the end."""
    process = subprocess.Popen(
        [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--into", str(into)]
        + ["--permissives-confirmed", "--no-screen", "--json", *options],
        stdin=subprocess.DEVNULL,
        stdout=subprocess.PIPE,
        stderr=subprocess.PIPE,
        text=True,
        start_new_session=True,
    )
    run = LiveRun(process, into)
    try:
        yield run
    finally:
        if process.poll() is None:
            process.kill()
        process.communicate()


def strike(pid: int, how: signal.Signals) -> float:
    """Send a signal; returns the moment (monotonic)."""
    moment_s = time.monotonic()
    os.kill(pid, how)
    return moment_s


def gone(pid: int) -> bool:
    """Whether a process is gone (or a zombie, on Linux)."""
    try:
        os.kill(pid, 0)
    except ProcessLookupError:
        return True
    status = Path(f"/proc/{pid}/stat")
    return status.exists() and status.read_text().rsplit(")", 1)[1].split()[0] == "Z"
