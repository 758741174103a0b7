"""Writes a capture as it happens; the disk never holds up a decision (see `rampguard.archive.spool`).

`put_row`, `put_event`, `put_waveform` and `log` never block and never raise. The first failure stands in ``failure``
for the engine to act on. A capture whose writing ends before `finish` has sealed it reads as cut short.
"""

from __future__ import annotations

import contextlib
import csv
import io
import json
import os
import re
from collections.abc import Mapping, Sequence
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

import tomli_w

from rampguard.archive.descriptor import (
    DESCRIPTOR_NAME,
    EVENTS_NAME,
    LOG_NAME,
    READINGS_NAME,
    RECORDED_FILES,
    CaptureHeader,
    describe,
    descriptor_bytes,
    write_aside,
    write_atomically,
    write_descriptor,
)
from rampguard.archive.errors import CaptureError
from rampguard.archive.rows import EVENT_COLUMNS, CaptureEvent, Row, as_cells, columns, event_cells
from rampguard.archive.seal import SEAL_NAME, digest, seal_text
from rampguard.archive.spool import Line, Spool, Whole
from rampguard.archive.waveforms import WaveformFiles
from rampguard.quantities import Signal
from rampguard.waveform.errors import ComtradeError
from rampguard.waveform.keeper import Kept

__all__ = ["CaptureHeader", "CaptureWriter"]

FINISH_WITHIN_S: Final = 5.0
PIDS_NAME: Final = "pids.json"
_LONGEST_SLUG: Final = 60


class CaptureWriter:
    """One capture being written. Make it with `create`."""

    def __init__(self, folder: Path, header: CaptureHeader, created: str, streams: Mapping[str, IO[bytes]]) -> None:
        self.folder = folder
        self._header = header
        self._created = created
        self._state = ""
        self._homeless: set[Signal] = set()
        self._waveforms = WaveformFiles(folder)
        self._spool = Spool(streams)

    @classmethod
    def create(
        cls, into: Path, header: CaptureHeader, *, plan_toml: str, limits: Mapping[str, object], bench_toml: str | bytes
    ) -> CaptureWriter:
        """A new capture folder inside ``into``, never one that exists. ``bench_toml`` is kept byte for byte.

        Raises CaptureError; what it had made of the folder by then is removed.
        """
        now = datetime.now(UTC)
        created = _iso(now, "seconds")
        plain = {
            "plan.toml": plan_toml.encode(),
            "limits.toml": tomli_w.dumps({"format": 1, "limits": dict(limits)}).encode(),
            "bench.toml": bench_toml.encode() if isinstance(bench_toml, str) else bench_toml,
        }
        try:
            into.mkdir(parents=True, exist_ok=True)
            folder = _new_folder(into, f"{now:%Y%m%dT%H%M%SZ}-{_slug(header.unit)}")
        except OSError as error:
            raise CaptureError(_cannot_write(into, error)) from error
        with contextlib.ExitStack() as undo:
            undo.callback(_remove, folder)
            try:
                for name, data in plain.items():
                    write_atomically(folder / name, data)
                write_descriptor(folder, describe(header, folder.name.lower(), created))
                streams = {
                    name: undo.enter_context(_open(folder / name, first))
                    for name, first in (
                        (READINGS_NAME, _csv(columns(header.signals))),
                        (EVENTS_NAME, _csv(EVENT_COLUMNS)),
                        (LOG_NAME, b""),
                    )
                }
            except OSError as error:
                raise CaptureError(_cannot_write(into, error)) from error
            undo.pop_all()
        return cls(folder, header, created, streams)

    @property
    def failure(self) -> str:
        """What went wrong first in writing; empty while nothing has."""
        return self._spool.failure

    @property
    def unwritten(self) -> int:
        """Lines that were lost because the disk did not take them by the end; zero before `finish`."""
        return self._spool.unwritten

    @property
    def signals(self) -> tuple[Signal, ...]:
        """The signals that have a column."""
        return self._header.signals

    def put_row(self, row: Row) -> None:
        """Record an observation and its decision. A reading of a signal without a column is left out, with a note."""
        urgent, self._state = row.state != self._state, row.state
        self._spool.put(Line(READINGS_NAME, _csv(as_cells(row, self.signals)), urgent))
        homeless = {reading.signal for reading in row.readings}.difference(self.signals, self._homeless)
        for signal in homeless:
            self.log(f"{signal.column} has no column in {READINGS_NAME}; its readings are not recorded")
        self._homeless |= homeless

    def put_event(self, time_s: float, kind: str, text: str) -> None:
        """Record something that happened at bench time ``time_s``; it goes into the log too."""
        event = CaptureEvent(time_s, _wall_time(), kind, text)
        self._spool.put(Line(EVENTS_NAME, _csv(event_cells(event))))
        self.log(f"{kind}: {text}")

    def put_waveform(self, kept: Kept) -> None:
        """Keep the waveform around an event, whole or not at all. One that the disk has no time for is left out."""
        name = self._waveforms.reserve(_slug(kept.named_by.kind))
        if name is None:
            at = f"{kept.named_by.kind} at {kept.named_by.time_s:.3f} s"
            self.log(f"the waveform around {at} is left out: the disk has not taken those before it")
            return
        self._spool.put(Whole(lambda: self._write_waveform(name, kept)))

    def _write_waveform(self, name: str, kept: Kept) -> None:
        """In the writing thread; may be tried again. Raises OSError."""
        try:
            self._waveforms.write(name, kept)
        except ComtradeError as error:
            self.log(f"the waveform {name} is left out: {error}")
        else:
            write_descriptor(self.folder, self._described())
        self._waveforms.done()

    def _described(
        self, result: Mapping[str, Any] | None = None, files: Mapping[str, Mapping[str, Any]] | None = None
    ) -> dict[str, Any]:
        waveforms = self._waveforms.resources
        return describe(self._header, self.folder.name.lower(), self._created, result, files, waveforms)

    def log(self, text: str) -> None:
        """An entry of engine.log; further lines of it are set in."""
        entry = text.rstrip().replace("\n", "\n    ")
        self._spool.put(Line(LOG_NAME, f"{_wall_time()} {entry}\n".encode(errors="backslashreplace")))

    def put_pids(self, *, engine: int, watchdog: int | None) -> None:
        """Leave the process ids for as long as anything is live; no watchdog where a person is the cut-off.

        Raises CaptureError.
        """
        text = json.dumps({"format": 1, "engine": engine, "watchdog": watchdog}) + "\n"
        try:
            write_atomically(self.folder / PIDS_NAME, text.encode())
        except OSError as error:
            raise CaptureError(_cannot_write(self.folder, error)) from error

    def finish(self, result: Mapping[str, Any], within_s: float = FINISH_WITHIN_S) -> None:
        """Write what waits, the result and the seal. Never raises: what fails is left in ``failure``.

        ``result`` must hold ``outcome``; its ``capture``, a path that is true only here and now, is left out. Returns
        after ``within_s`` and a second at the latest. A record with lines missing is not sealed.
        """
        kept = {key: value for key, value in result.items() if key != "capture"}
        self._spool.close(lambda unwritten: self._seal(kept, unwritten), within_s)

    def _seal(self, result: dict[str, Any], unwritten: int) -> None:
        """The last act, in the writing thread; it may be tried again from its beginning.

        The seal is written beside its place before the descriptor says how the run ended, and moved there after: a
        record that says so and has neither was sealed, and its seal was taken away.
        """
        (self.folder / PIDS_NAME).unlink(missing_ok=True)
        if unwritten:
            result = result | {"unwritten_lines": unwritten}
        files = {name: _as_it_ended(self.folder / name) for name, _ in RECORDED_FILES}
        described = self._described(result, files)
        aside = None if unwritten else self._write_seal_aside(described)
        write_descriptor(self.folder, described)
        if aside is not None:
            os.replace(aside, self.folder / SEAL_NAME)

    def _write_seal_aside(self, described: dict[str, Any]) -> Path:
        text = seal_text(self.folder, {DESCRIPTOR_NAME: descriptor_bytes(described)})
        return write_aside(self.folder / SEAL_NAME, text.encode())


def _as_it_ended(path: Path) -> dict[str, Any]:
    """A file's size, number of lines and hash. Raises OSError."""
    with path.open("rb") as stream:
        lines = sum(block.count(b"\n") for block in iter(lambda: stream.read(1 << 20), b""))
    return {"bytes": path.stat().st_size, "lines": lines, "hash": f"sha256:{digest(path)}"}


def _open(path: Path, first: bytes) -> IO[bytes]:
    """Unbuffered, so that a failed write leaves nothing behind that a second try would write twice."""
    stream = path.open("xb", buffering=0)
    try:
        stream.write(first)
    except OSError:
        stream.close()
        raise
    return stream


def _new_folder(into: Path, name: str) -> Path:
    for number in range(1, 10_000):
        folder = into / (name if number == 1 else f"{name}-{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise FileExistsError(17, "too many captures of the same second", str(into))


def _remove(folder: Path) -> None:
    """Remove a folder that has just been made; as far as that can be done."""
    with contextlib.suppress(OSError):
        for path in folder.iterdir():
            path.unlink()
        folder.rmdir()


def _cannot_write(where: Path, error: OSError) -> str:
    return f"{where}: no capture can be written there ({error.strerror or error}); choose another folder with --into"


def _slug(text: str) -> str:
    """Lower-case letters, digits and hyphens: a name that every file system takes."""
    return re.sub(r"[^a-z0-9]+", "-", text.lower())[:_LONGEST_SLUG].strip("-") or "unit"


def _wall_time() -> str:
    return _iso(datetime.now(UTC), "milliseconds")


def _iso(moment: datetime, precision: str) -> str:
    return moment.isoformat(timespec=precision).replace("+00:00", "Z")


def _csv(cells: Sequence[str]) -> bytes:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue().encode()
