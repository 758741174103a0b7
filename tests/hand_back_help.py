"""Jobs to hand back in tests: of the project's own two captures, and of a warm run made by the archive's writer."""

from __future__ import annotations

import shutil
from pathlib import Path
from typing import Any

from archive_help import BENCH, LIMITS, PASSED, header, reading
from rampguard.archive.rows import Row
from rampguard.archive.writer import CaptureWriter
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Bounds, Expectation, Quantity, Signal

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
SHEET = {
    "format": 1,
    "model": "two channels",
    "load_class": "linear-amplifier",
    "channels": ["left", "right"],
    "idle": {
        "resistor_ohm": 0.22,
        "resistors_between_test_points": 1,
        "target_a": 0.09,
        "tolerance_percent": 15.0,
        "first_setting_min": 4.0,
        "final_check_min": 6.0,
    },
    "rails": {"plus_v": 51.0, "minus_v": -51.0},
    "soak": {"minutes": 1.0},
}
LEFT = Signal(Quantity.EMITTER_RESISTOR, "left")
OFFSET = Signal(Quantity.DC_OFFSET, "left-terminals")
CHECKS: list[dict[str, Any]] = [
    {"what": "idle of left", "right": True, "text": "19.8 mV", "value": 0.0198},
    {"what": "idle of right", "right": None, "text": "no meter reads it", "value": None},
    {"what": "offset of left at its terminals", "right": True, "text": "12 mV", "value": 0.012},
]

JOB = """\
format = 1
number = "2026-014"
opened = 2026-03-02
complaint = "dead, blows its fuse"
as_found = "left output pair shorted"
cause = "a lead whose strands touched"

[unit]
title = "shelf amplifier, 2 x 60 W"
load_class = "linear-amplifier"
nameplate_w = 300.0
mains_v = 230.0
mains_frequency_hz = 50.0
channels = ["left", "right"]

[quoted]
hours = 4.0
price = 222.0
currency = "EUR"

[[part]]
designator = "Q701"
what = "output transistor"
replaced_with = "same type, new"
origin = "an authorised distributor"

[[work]]
date = 2026-03-04
what = "output stage rebuilt"
hours = 3.75

[[check]]
what = "earth continuity"
result = "passed"
value = 0.08
unit = "ohm"
limit = "0.2 ohm at most, by the local code"
date = 2026-03-05

[[check]]
what = "insulation"
result = "not made"

[[check]]
what = "touch current"
result = "not made"

[[caution]]
text = "keep the strands of a lead together"

"""
FOUND = '[[capture]]\nfolder = "captures/shorted-output"\nrole = "as-found"\n\n'
REPAIRED = '[[capture]]\nfolder = "captures/healthy-amplifier"\nrole = "after-repair"\n\n'
UNREADY = JOB + FOUND + REPAIRED.replace("after-repair", "other")
"""A job without a power-up after the repair."""


def make_job(folder: Path, text: str = JOB + FOUND + REPAIRED) -> Path:
    """A job of the two captures that the project keeps: shorted, then whole. Both were made on a simulated bench."""
    folder.mkdir(parents=True, exist_ok=True)
    for name in ("healthy-amplifier", "shorted-output"):
        shutil.copytree(CAPTURES / name, folder / "captures" / name, dirs_exist_ok=True)
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder


def warm_capture(into: Path, result: dict[str, Any] | None = None, events: tuple[tuple[str, str], ...] = ()) -> Path:
    """A run on a bench of its own: two steps, three readings warm, a soak of a minute in which power rises by 1 W."""
    signals = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER, LEFT, OFFSET)
    head = header("Test amplifier", signals, sheet=SHEET)
    writer = CaptureWriter.create(into, head, plan_toml="format = 1\n", limits=LIMITS, bench_toml=BENCH)
    for kind, text in events:
        writer.put_event(0.0, kind, text)
    for number, (volts, stage) in enumerate(_course()):
        writer.put_row(_row(10.0 * number, volts, stage, 30.0 + (number - 5) / 6 if stage == "soak" else 30.0))
    writer.finish({**PASSED, "checks": CHECKS, "full_line_min": 1.5} if result is None else result)
    assert not writer.failure
    return writer.folder


def _course() -> list[tuple[float, str]]:
    return [(115.0, "half"), (230.0, "full line"), *[(230.0, "warm-up")] * 3, *[(230.0, "soak")] * 7]


def _row(time_s: float, volts: float, stage: str, power_w: float) -> Row:
    values = {LINE_VOLTAGE: volts, LINE_CURRENT: volts / 1000.0, REAL_POWER: power_w, LEFT: 0.0198, OFFSET: 0.012}
    return Row(
        time_s,
        volts,
        tuple(reading(signal, value, time_s) for signal, value in values.items()),
        expectation=Expectation(current_a=Bounds(0.1, 0.4), power_w=None),
        stage=stage,
        state="live",
        decision="safe",
    )
