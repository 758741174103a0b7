"""datapackage.json: a Frictionless Data Package descriptor of a capture, with the run's own facts beside it.

https://datapackage.org/profiles/2.0/datapackage.json; property names of ours carry no meaning there and are allowed.
"""

from __future__ import annotations

import json
import os
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from rampguard.archive.rows import EVENT_COLUMNS, INPUT_COLUMNS, columns
from rampguard.quantities import Signal

DESCRIPTOR_NAME: Final = "datapackage.json"
RECORDING: Final = "recording"
"""The outcome of a capture that is being written, or whose writing was cut short."""


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureHeader:
    """What is known of a run before it begins."""

    unit: str
    load_class: str
    nameplate_w: float
    nameplate_v: float
    mains_v: float
    mains_frequency_hz: float
    bench_title: str
    clock: str
    """``wall``, ``lock-step`` or ``accelerated``: the latter two are simulated benches."""
    permissives_confirmed: str
    seed: int | None
    program_version: str
    signals: tuple[Signal, ...]


def describe(header: CaptureHeader, name: str, created: str, result: dict[str, Any] | None) -> dict[str, Any]:
    """The descriptor; ``result`` is None while recording."""
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
        "bench": header.bench_title,
        "clock": header.clock,
        "permissives_confirmed": header.permissives_confirmed,
        "seed": header.seed,
        "program_version": header.program_version,
        "result": result,
        "resources": [
            _table("readings", "readings.csv", [_field(column) for column in columns(header.signals)]),
            _table("events", "events.csv", [_field(column) for column in EVENT_COLUMNS]),
        ],
    }


def _table(name: str, path: str, fields: Sequence[dict[str, str]]) -> dict[str, Any]:
    return {
        "name": name,
        "type": "table",
        "path": path,
        "format": "csv",
        "mediatype": "text/csv",
        "encoding": "utf-8",
        "schema": {"fields": list(fields), "missingValues": [""]},
    }


def _field(column: str) -> dict[str, str]:
    if column in INPUT_COLUMNS or Signal.from_column(column) is not None:
        return {"name": column, "type": "number"}
    return {"name": column, "type": "string"}


def write_atomically(path: Path, text: str) -> None:
    """Write a file so that it is there whole or not at all. Raises OSError."""
    partial = path.with_name(path.name + ".part")
    with partial.open("w", encoding="utf-8", newline="\n") as stream:
        stream.write(text)
        stream.flush()
        os.fsync(stream.fileno())
    os.replace(partial, path)


def write_descriptor(folder: Path, descriptor: dict[str, Any]) -> None:
    """Write datapackage.json whole or not at all. Raises OSError."""
    write_atomically(folder / DESCRIPTOR_NAME, json.dumps(descriptor, indent=2, allow_nan=False) + "\n")
