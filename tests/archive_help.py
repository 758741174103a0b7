"""Captures to test with: made by the writer itself, small, and the same every time."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from rampguard.archive.rows import Row
from rampguard.archive.writer import CaptureHeader, CaptureWriter
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal, Validity

LEFT_OFFSET = Signal(Quantity.DC_OFFSET, "left")
LEFT_EMITTER = Signal(Quantity.EMITTER_RESISTOR, "left")
RIGHT_EMITTER = Signal(Quantity.EMITTER_RESISTOR, "right")
PLUS_RAIL = Signal(Quantity.RAIL, "plus")
SIGNALS = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER, LEFT_EMITTER, LEFT_OFFSET)
LIMITS: dict[str, object] = {"line_voltage_v": 253.0, "line_current_a": 0.8, "dc_offset_v": 1.0, "real_power_w": 150.0}
BENCH = b'format = 1\r\ntitle = "kept byte for byte, \xc3\xa4"\r\n'
PASSED: dict[str, Any] = {
    "outcome": "passed",
    "trip": None,
    "off": {"proven": True, "by": ["contactor reads back off"], "problems": []},
    "max_line_voltage_v": 230.0,
    "seed": 1,
    "capture": "somewhere/else",
}


def header(unit: str = "Test amplifier", signals: Sequence[Signal] = SIGNALS, **changes: Any) -> CaptureHeader:
    facts: dict[str, Any] = {
        "unit": unit,
        "load_class": "linear-amplifier",
        "nameplate_w": 300.0,
        "nameplate_v": 230.0,
        "mains_v": 230.0,
        "mains_frequency_hz": 50.0,
        "bench_title": "Bench",
        "bench_kind": "programmable source",
        "clock": "wall",
        "permissives_confirmed": "by flag",
        "seed": 1,
        "program_version": "0.1.0",
        "signals": tuple(signals),
    }
    return CaptureHeader(**facts | changes)


def create(into: Path, unit: str = "Test amplifier", signals: Sequence[Signal] = SIGNALS) -> CaptureWriter:
    return CaptureWriter.create(into, header(unit, signals), plan_toml="format = 1\n", limits=LIMITS, bench_toml=BENCH)


def reading(signal: Signal, value: float | None, time_s: float, validity: Validity = Validity.VALID) -> Reading:
    return Reading(signal, value, time_s, time_s, validity)


def row(number: int, signals: Sequence[Signal] = SIGNALS, **changes: Any) -> Row:
    """A row of a ramp: a tenth of a second and 2.3 V further on each time."""
    time_s, volts = number / 10, 2.3 * number
    values = {
        LINE_VOLTAGE: volts,
        LINE_CURRENT: 0.001 * volts,
        REAL_POWER: 0.0006 * volts**2,
        LEFT_EMITTER: 0.00005 * volts,
        RIGHT_EMITTER: 0.00006 * volts,
        LEFT_OFFSET: -0.0001 * volts,
        PLUS_RAIL: 0.2 * volts,
    }
    facts: dict[str, Any] = {
        "time_s": time_s,
        "set_voltage_v": volts,
        "readings": tuple(reading(signal, values[signal], time_s) for signal in signals),
        "stage": f"{10 * (number // 10 + 1)}% of line",
        "state": "live",
        "decision": "safe",
    }
    return Row(**facts | changes)


def captured(
    into: Path,
    rows: Sequence[Row],
    result: dict[str, Any] | None = None,
    *,
    signals: Sequence[Signal] = SIGNALS,
    unit: str = "Test amplifier",
    also: Callable[[CaptureWriter], None] = lambda writer: None,
) -> Path:
    """A finished capture of these rows."""
    writer = create(into, unit, signals)
    writer.put_event(0.0, "energise", "permissives confirmed by flag")
    for one in rows:
        writer.put_row(one)
    also(writer)
    writer.finish(PASSED if result is None else result)
    assert not writer.failure
    return writer.folder


def cut_short(folder: Path) -> Path:
    """What a finished capture would be, had its writer been killed just before it ended: no seal, no result."""
    import json

    (folder / "seal.sha256").unlink()
    path = folder / "datapackage.json"
    descriptor = json.loads(path.read_text(encoding="utf-8")) | {"outcome": "recording", "result": None}
    for resource in descriptor["resources"]:
        resource.pop("hash")
        resource.pop("bytes")
    path.write_text(json.dumps(descriptor), encoding="utf-8")
    return folder
