"""Reads a capture folder: one that is finished, one that was cut short, and tells a seal that does not hold."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from collections.abc import Iterator
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any

from rampguard.archive.descriptor import DESCRIPTOR_NAME, RECORDING
from rampguard.archive.errors import CaptureError
from rampguard.archive.rows import EVENT_COLUMNS, CaptureEvent, Row
from rampguard.archive.seal import broken_seals
from rampguard.archive.table import TableReader


class Completeness(StrEnum):
    """How far a capture can be believed."""

    FINISHED = "finished"  # sealed, and the seal holds
    CUT_SHORT = "cut-short"  # its writing ended before it was sealed
    TAMPERED = "tampered"  # sealed, and the seal does not hold


@dataclass(frozen=True, slots=True)
class Capture:
    """A capture folder as read. ``problems`` says what its seal does not hold for."""

    folder: Path
    descriptor: dict[str, Any]
    limits: dict[str, Any]
    completeness: Completeness
    problems: tuple[str, ...]

    @property
    def result(self) -> dict[str, Any] | None:
        """The run's result; None for one that was cut short."""
        result: dict[str, Any] | None = self.descriptor.get("result")
        return result

    def rows(self) -> Iterator[Row]:
        """The rows, in order. A torn last line of a capture that was cut short is left out."""
        text = _whole_lines(self.folder / "readings.csv")
        yield from TableReader(io.StringIO(text), name=str(self.folder / "readings.csv"))

    def events(self) -> list[CaptureEvent]:
        """The events, in order."""
        lines = csv.DictReader(io.StringIO(_whole_lines(self.folder / "events.csv")))
        if tuple(lines.fieldnames or ()) != EVENT_COLUMNS:
            raise CaptureError(f"{self.folder / 'events.csv'}: its columns are not those of events")
        return [CaptureEvent(float(e["time_s"]), e["wall_time"], e["kind"], e["text"]) for e in lines]


def read_descriptor(folder: Path) -> dict[str, Any]:
    """The descriptor of a capture. Raises CaptureError where there is none or it is not ours."""
    path = folder / DESCRIPTOR_NAME
    try:
        descriptor = json.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read ({error.strerror}); is {folder} a capture folder?") from None
    except ValueError as error:
        raise CaptureError(f"{path}: is not JSON ({error})") from None
    if not isinstance(descriptor, dict) or descriptor.get("format") != 1:
        raise CaptureError(f"{path}: is not a capture of format 1; a newer program may have written it")
    return descriptor


def read_capture(folder: Path) -> Capture:
    """Open a capture folder. Raises CaptureError."""
    descriptor = read_descriptor(folder)
    try:
        limits = tomllib.loads((folder / "limits.toml").read_text(encoding="utf-8"))["limits"]
        problems = broken_seals(folder)
    except (OSError, KeyError, tomllib.TOMLDecodeError) as error:
        raise CaptureError(f"{folder}: limits.toml or the seal cannot be read ({error})") from None
    if problems is None or descriptor.get("outcome") == RECORDING:
        completeness = Completeness.CUT_SHORT
    else:
        completeness = Completeness.TAMPERED if problems else Completeness.FINISHED
    return Capture(folder, descriptor, limits, completeness, tuple(problems or ()))


def _whole_lines(path: Path) -> str:
    """The text of a file up to its last line end: what follows it was being written when the writer died."""
    try:
        data = path.read_bytes()
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read ({error.strerror})") from None
    return data[: data.rfind(b"\n") + 1].decode("utf-8")
