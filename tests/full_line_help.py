"""Runs that go on at full line by a sheet, on a bench in lock-step: minutes of bench time in seconds."""

from __future__ import annotations

import io
from pathlib import Path
from typing import Any

from rampguard.demo import OnTheBench, SimulatedBench
from rampguard.engine.link import RunOrder
from rampguard.onlooker import Onlooker

SHEET = """
format = 1
model = "simulated, for a test"
load_class = "{load_class}"
channels = [{channels}]

[idle]
resistor_ohm = 0.22
resistors_between_test_points = 1
target_a = {target_a}
tolerance_percent = 20.0
first_setting_min = 1.2
final_check_min = {final_check_min}
longest_min = 6.0

[rails]
plus_v = 51.0
minus_v = -51.0
tolerance_percent = 15.0

[soak]
minutes = {soak_min}
"""


def sheet(
    folder: Path,
    channels: tuple[str, ...] = ("left", "right"),
    load_class: str = "linear-amplifier",
    *,
    target_a: float = 0.09,
    final_check_min: float = 3.0,
    soak_min: float = 0.3,
) -> Path:
    """A sheet of its own, in a hurry."""
    path = folder / "sheet.toml"
    named = ", ".join(f'"{name}"' for name in channels)
    path.write_text(
        SHEET.format(
            load_class=load_class,
            channels=named,
            target_a=target_a,
            final_check_min=final_check_min,
            soak_min=soak_min,
        ),
        encoding="utf-8",
    )
    return path


def follow(on_the_bench: OnTheBench, folder: Path, *orders: dict[str, Any]) -> list[tuple[int, dict[str, Any], str]]:
    """One run after the other on one bench: of each its exit code, its result, and the story it told."""
    found = []
    with SimulatedBench(on_the_bench) as bench_file:
        for order in orders:
            told = io.StringIO()
            onlooker = Onlooker(told)
            code = onlooker.follow(
                RunOrder(
                    bench=str(bench_file),
                    into=str(folder / "captures"),
                    permissives_confirmed="simulated bench",
                    **order,
                )
            )
            found.append((code, onlooker.seen.summary or {"refused": onlooker.seen.refused}, told.getvalue()))
    return found
