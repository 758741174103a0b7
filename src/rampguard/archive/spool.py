"""Writes lines to files by a thread of its own: whoever puts a line never waits for a disk, and never sees it fail.

A line that cannot be written is tried again, and those behind it wait in memory, until it is written or the spool is
told to close and its time is over. The first failure stands in ``failure``; what was lost is counted in ``unwritten``.
"""

from __future__ import annotations

import os
import queue
import threading
import time
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import IO, Final

FSYNC_EVERY_S: Final = 1.0
"""At most so much of the record is lost when the machine itself goes down."""
RETRY_EVERY_S: Final = 0.1
GRACE_S: Final = 1.0
"""Once the time to close is over, the thread gets so long to leave the line it is at."""

LastAct = Callable[[int], None]
"""What is done once every file is closed; it is given the number of lines that could not be written."""


@dataclass(frozen=True, slots=True)
class Line:
    """One line for one file; after an ``urgent`` one the files are made to reach the disk."""

    file: str
    data: bytes
    urgent: bool = False


@dataclass(frozen=True, slots=True)
class Whole:
    """Files that are written at once, after every line that waits; ``write`` may be tried again from its beginning."""

    write: Callable[[], None]


class Spool:
    """The writing thread and its queue.

    ``streams`` must be unbuffered, so that a failed write leaves nothing behind that a second try would write twice.
    """

    def __init__(self, streams: Mapping[str, IO[bytes]]) -> None:
        self.failure = ""
        """What went wrong first; empty while nothing has."""
        self.unwritten = 0
        """Lines, and whole files, that were given up; zero until the spool is closed."""
        self._streams = streams
        self._lines: queue.SimpleQueue[Line | Whole | LastAct] = queue.SimpleQueue()
        self._wholes: deque[Whole] = deque()
        """Files that wait until no line does."""
        self._closing = False
        self._given_up = threading.Event()
        self._thread = threading.Thread(target=self._run, name="capture", daemon=True)
        self._thread.start()

    def put(self, line: Line | Whole) -> None:
        """Have a line written, or whole files. Never blocks, never raises; after `close` the line is dropped."""
        if not self._closing:
            self._lines.put(line)

    def close(self, last: LastAct, within_s: float) -> None:
        """Write what waits, close the files, do ``last``. Returns after ``within_s`` and a second, done or not."""
        if self._closing:
            return
        self._closing = True
        self._lines.put(last)
        self._thread.join(within_s)
        if self._thread.is_alive():
            self._given_up.set()
            self._thread.join(GRACE_S)
        if self._thread.is_alive() or self.unwritten:
            self._note("the disk did not take it in time")

    def _run(self) -> None:
        synced_s, dirty = time.monotonic(), False
        while True:
            line = self._next()
            if isinstance(line, Line):
                self._write(line)
                dirty = True
            elif isinstance(line, Whole):
                self._wholes.append(line)
            elif line is not None:
                self._end(line)
                return
            if self._lines.empty():
                self._write_wholes()
            urgent = isinstance(line, Line) and line.urgent
            if dirty and (urgent or time.monotonic() - synced_s >= FSYNC_EVERY_S):
                self._sync()
                synced_s, dirty = time.monotonic(), False

    def _next(self) -> Line | Whole | LastAct | None:
        try:
            return self._lines.get(timeout=FSYNC_EVERY_S)
        except queue.Empty:
            return None

    def _write(self, line: Line) -> None:
        """Write all of it, going on where a failure interrupted it."""
        stream, data = self._streams[line.file], line.data
        while data and not self._given_up.is_set():
            try:
                data = data[stream.write(data) :]
            except OSError as error:
                self._note(error.strerror or str(error))
                self._given_up.wait(RETRY_EVERY_S)
        self.unwritten += bool(data)

    def _write_wholes(self) -> None:
        """As many of them as can be written; the others wait."""
        while self._wholes and self._attempt(self._wholes[0].write):
            self._wholes.popleft()

    def _sync(self) -> None:
        for stream in self._streams.values():
            try:
                os.fsync(stream.fileno())
                removed = os.fstat(stream.fileno()).st_nlink == 0
            except OSError as error:
                self._note(error.strerror or str(error))
            else:
                if removed:  # writing to it goes on without an error, and to nowhere
                    self._note("its files were removed")

    def _end(self, last: LastAct) -> None:
        self._sync()
        for stream in self._streams.values():
            try:
                stream.close()
            except OSError as error:
                self._note(error.strerror or str(error))
        self._write_wholes()
        while self._wholes and not self._given_up.wait(RETRY_EVERY_S):
            self._write_wholes()
        self.unwritten += len(self._wholes)
        while not self._attempt(lambda: last(self.unwritten)) and not self._given_up.wait(RETRY_EVERY_S):
            pass

    def _attempt(self, act: Callable[[], None]) -> bool:
        """Whether it was done, or need not be tried again."""
        try:
            act()
        except OSError as error:
            self._note(error.strerror or str(error))
            return False
        except (TypeError, ValueError) as error:  # a result that JSON cannot hold; trying again cannot help
            self._note(str(error))
        return True

    def _note(self, problem: str) -> None:
        self.failure = self.failure or f"the capture cannot be written: {problem}"
