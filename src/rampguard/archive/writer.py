"""Writes a capture as it happens, by a thread of its own: the disk never holds up a decision.

`put_row`, `put_event` and `log` never block and never raise. What cannot be written is kept in memory and tried again;
the first failure stands in ``failure`` for the engine to act on.
"""

from __future__ import annotations

import csv
import io
import json
import os
import queue
import re
import threading
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any, Final

import tomli_w

from rampguard.archive.descriptor import CaptureHeader, describe, write_atomically, write_descriptor
from rampguard.archive.errors import CaptureError
from rampguard.archive.rows import EVENT_COLUMNS, CaptureEvent, Row, as_cells, columns, event_cells
from rampguard.archive.seal import SEAL_NAME, seal_text
from rampguard.quantities import Signal

__all__ = ["CaptureHeader", "CaptureWriter"]

FSYNC_EVERY_S: Final = 1.0
RETRY_EVERY_S: Final = 0.1
FINISH_WITHIN_S: Final = 5.0


@dataclass(frozen=True, slots=True)
class _Line:
    """One line for one file; ``urgent`` ones are on the disk before the next is written."""

    file: str
    text: str
    urgent: bool = False


class CaptureWriter:
    """One capture being written. Make it with `create`."""

    def __init__(self, folder: Path, header: CaptureHeader, created: str, streams: Mapping[str, IO[bytes]]) -> None:
        self.folder = folder
        self.failure = ""
        """What went wrong first in writing; empty while nothing has."""
        self._header = header
        self._created = created
        self._streams = streams
        self._state = ""
        self._lines: queue.SimpleQueue[_Line | None] = queue.SimpleQueue()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)
        self._thread.start()

    @classmethod
    def create(
        cls, into: Path, header: CaptureHeader, *, plan_toml: str, limits: Mapping[str, object], bench_toml: str
    ) -> CaptureWriter:
        """A new capture folder inside ``into``, never one that exists. Raises CaptureError."""
        now = datetime.now(UTC)
        try:
            into.mkdir(parents=True, exist_ok=True)
            folder = _new_folder(into, f"{now:%Y%m%dT%H%M%SZ}-{_slug(header.unit)}")
            write_atomically(folder / "plan.toml", plan_toml)
            write_atomically(folder / "limits.toml", tomli_w.dumps({"format": 1, "limits": dict(limits)}))
            write_atomically(folder / "bench.toml", bench_toml)
            created = now.isoformat(timespec="seconds").replace("+00:00", "Z")
            streams = {name: _open(folder / name) for name in ("readings.csv", "events.csv", "engine.log")}
            streams["readings.csv"].write(_csv(columns(header.signals)).encode())
            streams["events.csv"].write(_csv(EVENT_COLUMNS).encode())
            write_descriptor(folder, describe(header, folder.name.lower(), created, None))
        except OSError as error:
            raise CaptureError(
                f"{into}: no capture can be written there ({error.strerror}); choose another folder with --into"
            ) from error
        return cls(folder, header, created, streams)

    @property
    def signals(self) -> tuple[Signal, ...]:
        """The signals that have a column."""
        return self._header.signals

    def put_row(self, row: Row) -> None:
        """Record an observation and its decision."""
        urgent, self._state = row.state != self._state, row.state
        self._lines.put(_Line("readings.csv", _csv(as_cells(row, self.signals)), urgent))

    def put_event(self, time_s: float, kind: str, text: str) -> None:
        """Record something that happened; it goes into the log too."""
        event = CaptureEvent(time_s, _wall_time(), kind, text)
        self._lines.put(_Line("events.csv", _csv(event_cells(event))))
        self.log(f"{kind}: {text}")

    def log(self, text: str) -> None:
        """A line of engine.log."""
        self._lines.put(_Line("engine.log", f"{_wall_time()} {text}\n"))

    def put_pids(self, *, engine: int, watchdog: int) -> None:
        """Leave the process ids for as long as anything is live. Raises CaptureError."""
        try:
            write_atomically(
                self.folder / "pids.json",
                json.dumps({"format": 1, "engine": engine, "watchdog": watchdog}) + "\n",
            )
        except OSError as error:
            raise CaptureError(f"{self.folder}: cannot be written ({error.strerror})") from error

    def finish(self, result: dict[str, Any]) -> None:
        """Write what waits, the result and the seal. Never raises: what fails is left in ``failure``."""
        self._lines.put(None)
        self._thread.join(FINISH_WITHIN_S)
        if self._thread.is_alive():
            self._note(OSError("the disk did not take the record in time"))
            return
        try:
            for stream in self._streams.values():
                stream.close()
            write_descriptor(self.folder, describe(self._header, self.folder.name.lower(), self._created, result))
            (self.folder / "pids.json").unlink(missing_ok=True)
            write_atomically(self.folder / SEAL_NAME, seal_text(self.folder))
        except OSError as error:
            self._note(error)

    # -- the writing thread -------------------------------------------------------------------------------------

    def _run(self) -> None:
        synced_s, dirty = time.monotonic(), False
        while True:
            try:
                line = self._lines.get(timeout=FSYNC_EVERY_S)
            except queue.Empty:
                line = _Line("engine.log", "")
            if line is None:
                self._sync()
                return
            self._write(self._streams[line.file], line.text.encode())
            dirty = dirty or bool(line.text)
            if dirty and (line.urgent or time.monotonic() - synced_s >= FSYNC_EVERY_S):
                self._sync()
                synced_s, dirty = time.monotonic(), False

    def _write(self, stream: IO[bytes], data: bytes) -> None:
        """Write it all, going on where a failure interrupted it, until it is written or the time to finish is over."""
        deadline_s = time.monotonic() + FINISH_WITHIN_S
        while data and time.monotonic() < deadline_s:
            try:
                data = data[stream.write(data) :]
            except OSError as error:
                self._note(error)
                time.sleep(RETRY_EVERY_S)

    def _sync(self) -> None:
        for stream in self._streams.values():
            try:
                os.fsync(stream.fileno())
            except OSError as error:
                self._note(error)

    def _note(self, error: OSError) -> None:
        self.failure = self.failure or f"the capture cannot be written: {error.strerror or error}"


def _open(path: Path) -> IO[bytes]:
    """Unbuffered, so that a failed write leaves nothing behind that a second try would write twice."""
    return path.open("xb", buffering=0)


def _new_folder(into: Path, name: str) -> Path:
    for number in range(1, 10_000):
        folder = into / (name if number == 1 else f"{name}-{number}")
        try:
            folder.mkdir()
        except FileExistsError:
            continue
        return folder
    raise FileExistsError(17, "too many captures of the same second", str(into))


def _slug(text: str) -> str:
    return re.sub(r"[^a-z0-9]+", "-", text.lower()).strip("-") or "unit"


def _wall_time() -> str:
    return datetime.now(UTC).isoformat(timespec="milliseconds").replace("+00:00", "Z")


def _csv(cells: Sequence[str]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerow(cells)
    return text.getvalue()
