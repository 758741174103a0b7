"""A small version of benchmarks/trip_latency.py: a reading past its ceiling leads to off on the wire."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

SCRIPT = Path(__file__).resolve().parent.parent / "benchmarks" / "trip_latency.py"


def test_off_arrives_after_the_reading_idle_and_loaded() -> None:
    done = subprocess.run([sys.executable, str(SCRIPT), "--count", "2"], capture_output=True, text=True, timeout=100)
    assert done.returncode == 0, done.stderr
    idle, busy = (eval(line) for line in done.stdout.splitlines())  # noqa: S307 - rows that our own script prints
    assert (idle["load"], busy["load"]) == ("idle", "both cores busy")
    for row in (idle, busy):
        assert row["trips"] == 2
        assert 0.0 < row["p50 ms"] <= row["p99.9 ms"]
