"""An instrument that sends its readings by itself, line after line: asked, it gives the newest whole line."""

from __future__ import annotations

import contextlib
from typing import TYPE_CHECKING, Any, Final

from instruments.visa import OPEN_DEADLINE_S

if TYPE_CHECKING:
    from instruments.dialect import SerialSettings

MOST_WAITING: Final = 65536
"""More than that between two line ends is no stream of readings."""


class StreamSession:
    """A serial line, as `instruments.visa.Session`. Opens in its constructor, which may raise anything.

    What had piled up before it was opened is thrown away: it may be of any age. A line that began before is, too.
    """

    def __init__(self, resource: str, timeout_s: float, terminator: str, serial: SerialSettings) -> None:
        from serial import PARITY_EVEN, PARITY_NONE, PARITY_ODD, Serial  # late, and only where it is used: an extra

        parity = {"none": PARITY_NONE, "even": PARITY_EVEN, "odd": PARITY_ODD}[serial.parity]
        self._port: Any = Serial(
            resource[len("ASRL") :].removesuffix("::INSTR"),
            baudrate=serial.baud_rate,
            bytesize=serial.data_bits,
            parity=parity,
            stopbits=serial.stop_bits,
            timeout=min(timeout_s, OPEN_DEADLINE_S),
        )
        self._end = terminator.encode()
        self._waiting = b""
        self._whole = False
        self._port.reset_input_buffer()

    def write(self, text: str) -> None:
        """Nothing is sent: it is asked for nothing."""

    def read(self) -> str:
        """The newest whole line; waits for one. Raises TimeoutError when none comes."""
        newest: bytes | None = None
        while newest is None:
            data = self._port.read(max(1, self._port.in_waiting))
            if not data:
                raise TimeoutError("nothing arrives")
            *lines, self._waiting = (self._waiting + data).split(self._end)
            if lines and not self._whole:
                self._whole, lines = True, lines[1:]  # the first is the rest of one that had begun before
            if lines:
                newest = lines[-1]
            if len(self._waiting) > MOST_WAITING:
                raise ValueError(f"{len(self._waiting)} bytes without a line's end")
        return newest.decode("ascii").strip("\r\n")

    def leftover(self) -> bool:
        """Whatever arrived is a reading."""
        return False

    def sever(self) -> None:
        """End a read that waits. Its owner may be closing the port at this moment."""
        cancel = getattr(self._port, "cancel_read", None)
        if cancel is not None:
            with contextlib.suppress(OSError, TypeError):
                cancel()

    def close(self) -> None:
        """Close it."""
        self._port.close()
