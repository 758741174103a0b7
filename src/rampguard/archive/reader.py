"""Reads a capture folder: one that is finished, one that was cut short, and tells a seal that does not hold."""

from __future__ import annotations

import csv
import io
import json
import tomllib
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path
from typing import Any, BinaryIO

from rampguard.archive.descriptor import DESCRIPTOR_NAME, EVENTS_NAME, READINGS_NAME, RECORDING
from rampguard.archive.errors import CaptureError
from rampguard.archive.rows import EVENT_COLUMNS, CaptureEvent, Row
from rampguard.archive.seal import verify_seal
from rampguard.archive.table import TableReader
from rampguard.archive.waveforms import WaveformFile, waveforms_of
from rampguard.quantities import LINE_WINDOW_S


class Completeness(StrEnum):
    """How far a capture can be believed."""

    FINISHED = "finished"  # sealed, and the seal holds
    CUT_SHORT = "cut-short"  # its writing ended before it was sealed, or goes on
    TAMPERED = "tampered"  # sealed, and the seal does not hold


@dataclass(frozen=True, slots=True)
class Capture:
    """A capture folder as read. ``problems`` says what its seal does not hold for, a line each."""

    folder: Path
    descriptor: dict[str, Any]
    limits: dict[str, Any]
    completeness: Completeness
    problems: tuple[str, ...]

    @property
    def line_window_s(self) -> float:
        """What one reading of the line averages, s: a cycle where a digitiser was the line's meter."""
        told = self.limits.get("line_window_s")
        return float(told) if isinstance(told, int | float) else LINE_WINDOW_S

    @property
    def result(self) -> dict[str, Any] | None:
        """The run's result; None for one that was cut short."""
        result: dict[str, Any] | None = self.descriptor.get("result")
        return result

    def rows(self) -> Iterator[Row]:
        """The rows, in order, each read when it is asked for. A torn last line is left out.

        Raises CaptureError, TableError.
        """
        path = self.folder / READINGS_NAME
        try:
            with whole_lines(path) as lines:
                yield from TableReader(lines, name=str(path))
        except OSError as error:
            raise CaptureError(f"{path}: cannot be read ({error.strerror})") from None

    def events(self) -> list[CaptureEvent]:
        """The events, in order. A torn last line is left out. Raises CaptureError."""
        path = self.folder / EVENTS_NAME
        lines = csv.reader(io.StringIO(_whole_lines(path)), strict=True)
        try:
            if tuple(next(lines, ())) != EVENT_COLUMNS:
                raise CaptureError(f"{path}: its columns are not those of events")
            return [_event(cells) for cells in lines]
        except (csv.Error, ValueError) as error:
            raise CaptureError(f"{path}, line {lines.line_num}: is no event ({error})") from None

    def waveforms(self) -> list[WaveformFile]:
        """The waveforms that were kept around events, by number; half-written ones say so. Raises CaptureError."""
        return waveforms_of(self.folder, self.descriptor)


def _event(cells: list[str]) -> CaptureEvent:
    time_s, wall_time, kind, text = cells
    return CaptureEvent(float(time_s), wall_time, kind, text)


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
    if not isinstance(descriptor.get("result"), dict | None):
        raise CaptureError(f"{path}: its result is not an object; the file was changed")
    return descriptor


def read_capture(folder: Path) -> Capture:
    """Open a capture folder and check its seal. Raises CaptureError."""
    descriptor = read_descriptor(folder)
    path = folder / "limits.toml"
    try:
        limits = tomllib.loads(path.read_text(encoding="utf-8")).get("limits")
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read ({error.strerror})") from None
    except ValueError as error:
        raise CaptureError(f"{path}: is not TOML ({error})") from None
    if not isinstance(limits, dict):
        raise CaptureError(f"{path}: has no table [limits]")
    try:
        problems = verify_seal(folder)
    except OSError as error:
        raise CaptureError(f"{folder}: the seal cannot be checked ({error.strerror})") from None
    if problems is None:
        completeness = Completeness.CUT_SHORT
    else:
        completeness = Completeness.TAMPERED if problems else Completeness.FINISHED
    if completeness is Completeness.FINISHED and descriptor.get("outcome") == RECORDING:
        completeness = Completeness.CUT_SHORT
    return Capture(folder, descriptor, limits, completeness, tuple(problems or ()))


class WholeLines:
    """A file of text in UTF-8, a line at a time; what follows the last line end was being written, and is left out."""

    def __init__(self, stream: BinaryIO) -> None:
        self._stream = stream

    def readline(self) -> str:
        """The next whole line; empty at the end. Raises UnicodeDecodeError."""
        line = self._stream.readline()
        return line.decode("utf-8") if line.endswith(b"\n") else ""


@contextmanager
def whole_lines(path: Path) -> Iterator[WholeLines]:
    """Open a file of a capture for its whole lines. Raises OSError."""
    with path.open("rb") as stream:
        yield WholeLines(stream)


def _whole_lines(path: Path) -> str:
    """The text of a file up to its last line end: what follows it was being written when the writer died."""
    try:
        data = path.read_bytes()
        return data[: data.rfind(b"\n") + 1].decode("utf-8")
    except OSError as error:
        raise CaptureError(f"{path}: cannot be read ({error.strerror})") from None
    except UnicodeDecodeError as error:
        raise CaptureError(f"{path}: is not text in UTF-8 ({error}); the file was damaged") from None
