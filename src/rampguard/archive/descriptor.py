"""datapackage.json: a Frictionless Data Package descriptor of a capture, with the run's own facts beside it.

https://datapackage.org/profiles/2.0/datapackage.json; property names of ours carry no meaning there and are allowed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rampguard.archive.rows import EVENT_COLUMNS, columns
from rampguard.quantities import Quantity, Signal

DESCRIPTOR_NAME: Final = "datapackage.json"
RECORDING: Final = "recording"
"""The outcome of a capture that is being written, or whose writing was cut short."""
READINGS_NAME: Final = "readings.csv"
EVENTS_NAME: Final = "events.csv"
LOG_NAME: Final = "engine.log"
RECORDED_FILES: Final = (
    (READINGS_NAME, "every observation the guard was given, and what it decided"),
    (EVENTS_NAME, "what happened, with bench time and wall time"),
    ("plan.toml", "the ramp as it was planned"),
    ("limits.toml", "the guard's limits"),
    ("bench.toml", "the bench file as it was"),
    (LOG_NAME, "the engine's log"),
)
"""Each recorded file beside the descriptor, and what it holds."""

_MEDIA: Final = {"csv": "text/csv", "toml": "application/toml", "log": "text/plain"}
_NUMBERS: Final = {
    "time_s": "bench time since the run began, in seconds",
    "set_voltage_v": "line voltage the source was asked for, in volts rms",
    "expected_current_low_a": "lower edge of the expected band of line current, in amperes rms",
    "expected_current_high_a": "upper edge of the expected band of line current, in amperes rms",
    "expected_power_low_w": "lower edge of the expected band of real power, in watts",
    "expected_power_high_w": "upper edge of the expected band of real power, in watts",
    "event_j": "energy since an expected event, in joules",
    "event_budget_j": "energy that the event may cost, in joules",
    "band_fit": "log-likelihood per reading of the best sample of the load class; 0 at best",
    "band_excess": "accumulated excess over the band; 1 trips",
}
_TEXTS: Final = {
    "reading_faults": "readings that are no value: column:over-range, column:invalid or column:missing",
    "reading_bounds": "meters' accuracy at each reading: column:bound, in the column's unit",
    "expected_event": "an event that explains a jump in current",
    "band_not_evaluated": "why the band was not evaluated",
    "evidence": "cause:log-odds of each fault against a healthy unit, summed up, in nats",
    "stage": "stage of the plan",
    "state": "state of the interlock",
    "decision": "safe, warn or trip",
    "reason": "why the guard warned or tripped",
    "wall_time": "wall time, ISO 8601, UTC",
    "kind": "kind of event",
    "text": "what happened, in words",
}
_QUANTITIES: Final = {
    Quantity.LINE_VOLTAGE: "line voltage, in volts rms",
    Quantity.LINE_CURRENT: "line current, in amperes rms",
    Quantity.REAL_POWER: "real power, in watts",
    Quantity.DC_OFFSET: "DC offset at the output, in volts",
    Quantity.EMITTER_RESISTOR: "voltage across the emitter resistor, in volts",
    Quantity.RAIL: "rail voltage, in volts",
    Quantity.TEMPERATURE: "temperature, in degrees Celsius",
    Quantity.LINE_CURRENT_UP: "peak of line current while line voltage is positive, in amperes",
    Quantity.LINE_CURRENT_DOWN: "size of the peak of line current while line voltage is negative, in amperes",
    Quantity.LINE_CURRENT_DC: "mean of line current over a cycle, in amperes",
}


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHeader:
    """What is known of a run before it begins. Volts and watts as on the nameplate; mains in volts rms and hertz."""

    unit: str
    load_class: str
    nameplate_w: float
    nameplate_v: float
    mains_v: float
    mains_frequency_hz: float
    bench_title: str
    bench_kind: str
    """What brought line voltage up, and what cuts it."""
    clock: str
    """``wall``, ``lock-step`` or ``accelerated``: the latter two are simulated benches."""
    permissives_confirmed: str
    seed: int | None
    program_version: str
    signals: tuple[Signal, ...]
    narrowed: Mapping[str, tuple[float, float]] = field(default_factory=dict)
    """Ranges of load parameters that facts or a known-good capture narrowed."""
    series_lamp_w: float | None = None
    sheet: Mapping[str, Any] | None = None
    """The unit's sheet, by which the run went on at full line."""
    clip: str | None = None
    """The channel that the clips were moved to."""
    unplugged: tuple[str, ...] = ()
    """Sections of the unit that were unplugged."""
    direct_after: str | None = None
    """The capture of the ramp before a switch-on at full mains; None: this run is a ramp."""


def describe(
    header: CaptureHeader,
    name: str,
    created: str,
    result: Mapping[str, Any] | None = None,
    files: Mapping[str, Mapping[str, Any]] | None = None,
) -> dict[str, Any]:
    """The descriptor. ``result`` is None while recording; ``files`` adds properties to a file's resource."""
    return {
        "$schema": "https://datapackage.org/profiles/2.0/datapackage.json",
        "name": name,
        "title": f"Power-up of {header.unit}",
        "created": created,
        "format": 1,
        "outcome": RECORDING if result is None else result["outcome"],
        "unit": header.unit,
        "load_class": header.load_class,
        "nameplate_w": header.nameplate_w,
        "nameplate_v": header.nameplate_v,
        "mains_v": header.mains_v,
        "mains_frequency_hz": header.mains_frequency_hz,
        "narrowed": {name: list(span) for name, span in header.narrowed.items()},
        "series_lamp_w": header.series_lamp_w,
        "sheet": None if header.sheet is None else dict(header.sheet),
        "clip": header.clip,
        "unplugged": list(header.unplugged),
        "direct_after": header.direct_after,
        "bench": header.bench_title,
        "bench_kind": header.bench_kind,
        "clock": header.clock,
        "permissives_confirmed": header.permissives_confirmed,
        "seed": header.seed,
        "program_version": header.program_version,
        "result": None if result is None else dict(result),
        "resources": [
            _resource(file, text, header.signals) | dict((files or {}).get(file, {})) for file, text in RECORDED_FILES
        ],
    }


def _resource(file: str, description: str, signals: Sequence[Signal]) -> dict[str, Any]:
    stem, _, ending = file.partition(".")
    resource: dict[str, Any] = {
        "name": stem,
        "path": file,
        "description": description,
        "format": ending,
        "mediatype": _MEDIA[ending],
        "encoding": "utf-8",
    }
    if ending == "csv":
        names = columns(signals) if file == READINGS_NAME else EVENT_COLUMNS
        resource |= {
            "type": "table",
            "dialect": {"delimiter": ",", "lineTerminator": "\n"},
            "schema": {"fields": [_field(column) for column in names], "missingValues": [""]},
        }
    return resource


def _field(column: str) -> dict[str, str]:
    signal = Signal.from_column(column)
    if signal is not None:
        channel = f", channel {signal.channel}" if signal.channel else ""
        return {"name": column, "type": "number", "description": f"{_QUANTITIES[signal.quantity]}{channel}"}
    if column in _NUMBERS:
        return {"name": column, "type": "number", "description": _NUMBERS[column]}
    return {"name": column, "type": "string", "description": _TEXTS[column]}


def write_atomically(path: Path, data: bytes) -> None:
    """Write a file so that it is there whole or not at all. Raises OSError."""
    partial = path.with_name(path.name + ".part")
    with partial.open("wb") as stream:
        stream.write(data)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(partial, path)


def write_descriptor(folder: Path, descriptor: Mapping[str, Any]) -> None:
    """Write datapackage.json whole or not at all. Raises OSError, ValueError for numbers JSON has not."""
    text = json.dumps(descriptor, indent=2, allow_nan=False) + "\n"
    write_atomically(folder / DESCRIPTOR_NAME, text.encode())
