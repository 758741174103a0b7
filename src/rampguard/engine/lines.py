"""Lines of JSON over pipes, by threads, so that neither a slow reader nor a silent writer can hold up a loop.

``select`` does not work on pipes everywhere; a thread a pipe does.
"""

from __future__ import annotations

import contextlib
import json
import os
import queue
import threading
from typing import IO, Any, Final

FORMAT: Final = 1
MOST_WAITING: Final = 2000
"""Lines that may wait for a reader that has stopped reading; beyond it the oldest are dropped."""


class BadLine(ValueError):  # noqa: N818 - a state of the input, read as one
    """A line that is not a message of ours."""


def encode(message: dict[str, Any]) -> bytes:
    """One message as one line, its format stated."""
    return json.dumps({"format": FORMAT, **message}, allow_nan=False).encode() + b"\n"


def decode(line: bytes) -> dict[str, Any]:
    """The message in a line. Raises BadLine."""
    try:
        message = json.loads(line)
    except ValueError as error:
        raise BadLine(f"not JSON: {line[:80]!r}") from error
    if not isinstance(message, dict) or message.get("format") != FORMAT:
        raise BadLine(f"not a message of format {FORMAT}: {line[:80]!r}")
    return message


class LineReader(threading.Thread):
    """Puts every message that arrives on ``inbox``, and None once, when the other end is gone or talks garbage.

    Takes a file descriptor: a buffered stream in which a thread waits cannot be let go of when the interpreter ends.
    """

    def __init__(self, descriptor: int, inbox: queue.SimpleQueue[dict[str, Any] | None]) -> None:
        super().__init__(daemon=True, name="line-reader")
        self._descriptor = descriptor
        self._inbox = inbox

    def run(self) -> None:
        """Read until the end."""
        with contextlib.suppress(OSError, BadLine):
            waiting = b""
            while data := os.read(self._descriptor, 65536):
                *lines, waiting = (waiting + data).split(b"\n")
                for line in lines:
                    self._inbox.put(decode(line))
        self._inbox.put(None)


class LineWriter(threading.Thread):
    """Writes messages in order. `put` never blocks; ``broken`` is set once the other end is gone."""

    def __init__(self, stream: IO[bytes]) -> None:
        super().__init__(daemon=True, name="line-writer")
        self._stream = stream
        self._outbox: queue.Queue[bytes | None] = queue.Queue()
        self.broken = threading.Event()
        self.dropped = 0

    def put(self, message: dict[str, Any]) -> None:
        """Queue a message."""
        if self._outbox.qsize() >= MOST_WAITING:
            with contextlib.suppress(queue.Empty):
                self._outbox.get_nowait()
                self.dropped += 1
        self._outbox.put(encode(message))

    def close(self, timeout_s: float = 0.5) -> None:
        """Write what waits, for so long at most."""
        self._outbox.put(None)
        self.join(timeout_s)

    def run(self) -> None:
        """Write until closed or broken."""
        while (line := self._outbox.get()) is not None:
            try:
                self._stream.write(line)
                self._stream.flush()
            except (OSError, ValueError):
                self.broken.set()
                return
