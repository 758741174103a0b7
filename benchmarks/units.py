"""Puts every unit on the simulated bench at the command line, and makes docs/units.md of what came of it.

``python benchmarks/units.py`` (minutes). What each unit should do is stated in tests/unit_outcomes.py.
"""

from __future__ import annotations

import json
import subprocess
import sys
import tempfile
import time
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent


def bring_up(unit: str, into: str, seed: int = 1) -> tuple[int, dict[str, Any]]:
    """Exit code and JSON object of one demo run."""
    done = subprocess.run(
        [
            *(sys.executable, "-m", "rampguard", "demo", "--unit", unit, "--seed", str(seed)),
            *("--no-screen", "--json", "--speed", "1000", "--into", into),
        ],
        capture_output=True,
        text=True,
        timeout=300,
        check=False,
    )
    if not done.stdout:
        raise SystemExit(f"{unit}: exit {done.returncode}\n{done.stderr}")
    return done.returncode, json.loads(done.stdout)


if __name__ == "__main__":
    from instruments.simulated.units import UNITS

    with tempfile.TemporaryDirectory() as into:
        for unit in sys.argv[1:] or UNITS:
            began_s = time.monotonic()
            code, said = bring_up(unit, into)
            trip = said.get("trip")
            print(
                f"{unit:28s} {code} {said['outcome']:9s} {said.get('max_line_voltage_v')!s:8} "
                f"{time.monotonic() - began_s:5.1f}s {trip and trip['reason']}",
                flush=True,
            )
