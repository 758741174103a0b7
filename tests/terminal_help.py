"""A terminal of so many cells, with a program in it: what stands on it is read as a person would."""

from __future__ import annotations

import fcntl
import os
import pty
import signal
import struct
import subprocess
import termios
import threading
import time
from collections.abc import Callable, Mapping
from types import TracebackType

import pyte

KEYS = {"space": b" ", "escape": b"\x1b", "enter": b"\r", "ctrl+c": b"\x03", "right": b"\x1b[C", "up": b"\x1b[A"}


class Terminal:
    """A context: a program on a pseudo-terminal, its output taken by a terminal emulator (pyte)."""

    def __init__(
        self,
        command: list[str],
        width: int = 80,
        height: int = 24,
        env: Mapping[str, str] | None = None,
        *,
        controls: bool = True,
        emulated: bool = True,
    ) -> None:
        """``controls``: whether it is the program's controlling terminal, whose closing hangs the program up.

        ``emulated``: whether what is written is made into what stands on it.
        """
        self._emulated = emulated
        self._screen = pyte.Screen(width, height)
        self._stream = pyte.ByteStream(self._screen)
        self._lock = threading.Lock()
        self.written = b""
        self._ours, theirs = pty.openpty()
        self.resize(width, height)
        environment = {key: value for key, value in os.environ.items() if key not in ("NO_COLOR", "COLORTERM")}
        self.process = subprocess.Popen(
            command,
            stdin=theirs,
            stdout=theirs,
            stderr=theirs,
            env=environment | {"TERM": "xterm-256color"} | dict(env or {}),
            start_new_session=True,
            preexec_fn=lambda: fcntl.ioctl(0, termios.TIOCSCTTY, 0) if controls else None,
        )
        os.close(theirs)
        self._reader = threading.Thread(target=self._read, daemon=True)
        self._reader.start()

    def _read(self) -> None:
        while True:
            try:
                data = os.read(self._ours, 65536)
            except OSError:
                return
            if not data:
                return
            if self._emulated:
                with self._lock:
                    self.written += data
                    self._stream.feed(data)

    def resize(self, width: int, height: int) -> None:
        """The terminal's window is made another size."""
        with self._lock:
            self._screen.resize(height, width)
        fcntl.ioctl(self._ours, termios.TIOCSWINSZ, struct.pack("HHHH", height, width, 0, 0))

    def lines(self) -> list[str]:
        """What stands on it."""
        with self._lock:
            return list(self._screen.display)

    def text(self) -> str:
        """The same as one text."""
        return "\n".join(self.lines())

    def until(self, condition: str | Callable[[str], bool], timeout_s: float = 40.0) -> str:
        """Wait until something stands on it. Raises TimeoutError with what does instead."""
        deadline_s = time.monotonic() + timeout_s
        while time.monotonic() < deadline_s:
            text = self.text()
            if condition in text if isinstance(condition, str) else condition(text):
                return text
            time.sleep(0.02)
        raise TimeoutError(f"{condition!r} never stood on the screen:\n{self.text()}")

    def press(self, *keys: str) -> None:
        """Type: names of `KEYS`, or text."""
        for key in keys:
            os.write(self._ours, KEYS.get(key, key.encode()))

    def wait(self, timeout_s: float = 60.0) -> int:
        """The program's exit code."""
        return self.process.wait(timeout_s)

    def hang_up(self) -> None:
        """Close the terminal, as a closed window does."""
        os.close(self._ours)
        self._ours = -1

    def __enter__(self) -> Terminal:
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        if self.process.poll() is None:
            os.killpg(self.process.pid, signal.SIGKILL)
            self.process.wait()
        if self._ours >= 0:
            self.hang_up()
