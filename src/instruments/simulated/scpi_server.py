"""A small SCPI-1999 / IEEE 488.2 server: several clients, an error queue, long and short forms, compound lines.

Each instrument is a table of commands. A connection that drops changes nothing.
"""

from __future__ import annotations

import contextlib
import re
import socket
import threading
from collections import deque
from collections.abc import Callable
from typing import Final

from instruments.simulated.mischief import Mischiefs

Handler = Callable[[str], str | None]
"""Takes what follows the command, returns the reply of a query or None."""

QUEUE_LENGTH: Final = 16
MOST_LINE: Final = 4096
NO_ERROR: Final = (0, "No error")
UNDEFINED_HEADER: Final = (-113, "Undefined header")
DATA_TYPE: Final = (-104, "Data type error")
OUT_OF_RANGE: Final = (-222, "Data out of range")
OVERFLOW: Final = (-350, "Queue overflow")


class ScpiError(Exception):
    """A command that cannot be done; it goes to the error queue."""

    def __init__(self, number: int, words: str) -> None:
        self.entry = (number, words)
        super().__init__(words)


def pattern(header: str) -> re.Pattern[str]:
    """What matches a header written as ``MEASure:VOLTage[:AC]?``: long or short forms, any case, a leading colon."""
    body = re.sub(r"([A-Z]+)([a-z]*)", lambda m: f"{m[1]}(?:{m[2].upper()})?" if m[2] else m[1], header.lstrip(":"))
    body = body.replace("[", "(?:").replace("]", ")?").replace("?(?:", "?(?:")
    if header.endswith("?"):
        body = body[:-1] + r"\?"
    body = body.replace("*", r"\*")
    return re.compile(f":?{body}", re.IGNORECASE)


class ScpiInstrument:
    """An instrument's commands and its error queue. ``lock`` guards whatever the commands touch."""

    def __init__(self, identity: str, lock: threading.RLock) -> None:
        self._lock = lock
        self._errors: deque[tuple[int, str]] = deque()
        self._commands: list[tuple[re.Pattern[str], Handler]] = []
        self.add("*IDN?", lambda _: identity)
        self.add("*CLS", lambda _: self._errors.clear())
        self.add("*OPC?", lambda _: "1")
        self.add("SYSTem:ERRor[:NEXT]?", lambda _: self._next_error())

    def add(self, header: str, handler: Handler) -> None:
        """Teach it a command."""
        self._commands.append((pattern(header), handler))

    def queue_error(self, number: int, words: str) -> None:
        """Put an entry into the error queue; a full queue keeps the oldest and says that it overflowed."""
        if len(self._errors) < QUEUE_LENGTH:
            self._errors.append((number, words))
        else:
            self._errors[-1] = OVERFLOW

    def flood(self) -> None:
        """Fill the error queue, as something else that talks to the instrument might."""
        for _ in range(QUEUE_LENGTH + 1):
            self.queue_error(*UNDEFINED_HEADER)

    def _next_error(self) -> str:
        number, words = self._errors.popleft() if self._errors else NO_ERROR
        return f'{number},"{words}"'

    def execute(self, line: str) -> str | None:
        """Do a line of commands; the replies of its queries joined by semicolons, None if it asked nothing."""
        replies, prefix = [], ""
        with self._lock:
            for part in filter(None, (piece.strip() for piece in line.split(";"))):
                header, _, arguments = part.partition(" ")
                handler = self._find(header) or (self._find(prefix + header) if prefix else None)
                if not header.startswith("*"):
                    prefix = header.lstrip(":").rsplit(":", 1)[0] + ":" if ":" in header.lstrip(":") else prefix
                try:
                    if handler is None:
                        raise ScpiError(*UNDEFINED_HEADER)
                    reply = handler(arguments.strip())
                except ScpiError as error:
                    self.queue_error(*error.entry)
                else:
                    if reply is not None:
                        replies.append(reply)
        return ";".join(replies) if replies else None

    def _find(self, header: str) -> Handler | None:
        return next((handler for known, handler in self._commands if known.fullmatch(header)), None)


def number(text: str, least: float, most: float) -> float:
    """A numeric argument within bounds. Raises ScpiError."""
    try:
        value = float(text)
    except ValueError:
        raise ScpiError(*DATA_TYPE) from None
    if not least <= value <= most:
        raise ScpiError(*OUT_OF_RANGE)
    return value


def boolean(text: str) -> bool:
    """A Boolean argument: ON, OFF, 1 or 0. Raises ScpiError."""
    try:
        return {"ON": True, "1": True, "OFF": False, "0": False}[text.upper()]
    except KeyError:
        raise ScpiError(*DATA_TYPE) from None


class ScpiServer:
    """Serves one instrument on a loopback port of the system's choice, a thread a client.

    ``one_client_only`` lets a second client connect and answers it nothing while the first is there, as some real
    instruments do. ``mischiefs`` are done to the lines that it is told.
    """

    def __init__(
        self, instrument: ScpiInstrument, *, one_client_only: bool = False, mischiefs: Mischiefs | None = None
    ) -> None:
        self._instrument = instrument
        self._one_client_only = one_client_only
        self._only = threading.Lock()
        self._mischiefs = mischiefs or Mischiefs()
        self._listener = socket.create_server(("127.0.0.1", 0))
        self._clients: set[socket.socket] = set()
        self._closing = False
        threading.Thread(target=self._accept, daemon=True, name="scpi-accept").start()

    @property
    def resource(self) -> str:
        """Its VISA resource string."""
        return f"TCPIP0::127.0.0.1::{self._listener.getsockname()[1]}::SOCKET"

    def close(self) -> None:
        """Stop serving and drop all clients."""
        self._closing = True
        # Shutting a listener down wakes a blocked accept; where the system will not, closing does.
        with contextlib.suppress(OSError):
            self._listener.shutdown(socket.SHUT_RDWR)
        self._listener.close()
        for client in list(self._clients):
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)

    def _accept(self) -> None:
        while not self._closing:
            try:
                client, _ = self._listener.accept()
            except OSError:
                return
            if self._mischiefs.refuses:
                client.close()
                continue
            client.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
            self._clients.add(client)
            threading.Thread(target=self._serve, args=(client,), daemon=True, name="scpi-client").start()

    def _serve(self, client: socket.socket) -> None:
        if self._one_client_only:
            self._only.acquire()
        try:
            with client, contextlib.suppress(OSError):
                self._talk(client)
        finally:
            self._clients.discard(client)
            if self._one_client_only:
                self._only.release()

    def _talk(self, client: socket.socket) -> None:
        waiting = b""
        while data := client.recv(4096):
            *lines, waiting = (waiting + data).split(b"\n")
            if len(waiting) > MOST_LINE:
                return
            for line in lines:
                text = line.decode("ascii", errors="replace").strip()
                reaction = self._mischiefs.react(text, self._instrument.execute, self._instrument.flood)
                if reaction.sends:
                    client.sendall(reaction.sends)
                if reaction.hangs_up:
                    return
