"""`Link`: one VISA session to one instrument, believed only as far as it can be.

The library below has traps, each with a test: a refused port opens; a write to nobody succeeds; a late reply answers
the next question; a peer that is gone looks like a slow one; a time-out is no deadline; exceptions come from many
families; two threads on one session get each other's replies. Hence:

* every call is made by an owner thread of the session's own, and its caller waits with a deadline of its own;
* a session is discarded after any time-out or bad reply, and reopened only after a good ``*IDN?``;
* every failure becomes one of `instruments.errors`;
* callers take turns.
"""

from __future__ import annotations

import contextlib
import os
import queue
import select
import socket
import threading
import time
from collections.abc import Callable
from typing import TYPE_CHECKING, Any, Final, Protocol, TypeVar

from instruments.blocks import read_block
from instruments.errors import BadReply, LinkError, LinkLost, LinkTimeout, WrongInstrument
from instruments.replies import MOST_CHARACTERS

if TYPE_CHECKING:
    from instruments.dialect import SerialSettings

OPEN_DEADLINE_S: Final = 1.0
"""Wall time in which a session must be open and have identified itself."""
UNASKED: Final = "(cannot be asked who it is)"
T = TypeVar("T")


class Session(Protocol):
    """What a link needs of a session. May raise anything and block for ever."""

    def write(self, text: str) -> None:
        """Send one line."""
        ...

    def read(self) -> str:
        """Receive one line, without its end."""
        ...

    def leftover(self) -> bool:
        """Whether something arrived that nobody asked for. Raises OSError if the connection is refused or closed."""
        ...

    def sever(self) -> None:
        """Break the connection from another thread, so that a blocked call ends. Best effort."""
        ...

    def close(self) -> None:
        """Close it."""
        ...


def load_backend() -> Any:
    """Load pyvisa and its pure-Python backend: a second on a busy machine, and no instrument's fault. Its manager."""
    import pyvisa  # late: not every command needs it

    return pyvisa.ResourceManager("@py")  # one a process; nobody closes it


class VisaSession:
    """A session of pyvisa with its pure-Python backend. Opens in its constructor, which may raise anything.

    ``serial`` is for a resource that is a serial line (``ASRL``).
    """

    def __init__(
        self,
        resource: str,
        timeout_s: float,
        read_terminator: str,
        write_terminator: str,
        serial: SerialSettings | None = None,
    ) -> None:
        manager = load_backend()
        milliseconds = max(1, int(timeout_s * 1000))
        self._resource: Any = manager.open_resource(
            resource,
            open_timeout=int(OPEN_DEADLINE_S * 1000),
            timeout=milliseconds,
            read_termination=read_terminator,
            write_termination=write_terminator,
        )
        if serial is not None and resource.upper().startswith("ASRL"):
            self._set_up(serial)
        # The backend's own session object; private there, so everything that touches it is best effort.
        self._inner = getattr(manager.visalib, "sessions", {}).get(self._resource.session)
        interface = getattr(self._inner, "interface", None)
        self._socket = interface if isinstance(interface, socket.socket) else None
        if self._socket is not None:
            with contextlib.suppress(OSError):
                # Without it a write followed by a query waits 40 ms for a delayed acknowledgement.
                self._socket.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)

    def _set_up(self, serial: SerialSettings) -> None:
        from pyvisa import constants

        self._resource.baud_rate = serial.baud_rate
        self._resource.data_bits = serial.data_bits
        self._resource.parity = constants.Parity[serial.parity]
        self._resource.stop_bits = constants.StopBits["one" if serial.stop_bits == 1 else "two"]

    def write(self, text: str) -> None:
        """Send one line."""
        self._resource.write(text)

    def read(self) -> str:
        """Receive one line, without its end."""
        return str(self._resource.read()).rstrip("\r")

    def read_bytes(self, count: int) -> bytes:
        """Receive exactly so many bytes, whatever they are: the end of a line is one of them."""
        from pyvisa import constants

        end = constants.ResourceAttribute.termchar_enabled
        self._resource.set_visa_attribute(end, constants.VI_FALSE)
        try:
            return bytes(self._resource.read_bytes(count))
        finally:
            self._resource.set_visa_attribute(end, constants.VI_TRUE)

    def leftover(self) -> bool:
        """Whether something arrived that nobody asked for. Raises OSError if the connection is refused or closed."""
        if getattr(self._inner, "_pending_buffer", b""):
            return True
        if self._socket is None:
            return False
        try:
            readable, _, _ = select.select([self._socket], [], [], 0)
        except (OSError, ValueError):
            return True
        return bool(readable) and self._something_waits(self._socket)

    @staticmethod
    def _something_waits(connection: socket.socket) -> bool:
        # A refused connection is readable too, and so is one that the other side has closed.
        if refused := connection.getsockopt(socket.SOL_SOCKET, socket.SO_ERROR):
            raise OSError(refused, os.strerror(refused))
        if not connection.recv(1, socket.MSG_PEEK):
            raise ConnectionResetError("the other side closed the connection")
        return True

    def sever(self) -> None:
        """Shut the socket down, so that a blocked call ends."""
        if self._socket is not None:
            with contextlib.suppress(OSError):
                self._socket.shutdown(socket.SHUT_RDWR)

    def close(self) -> None:
        """Close it."""
        self._resource.close()


class _Owner(threading.Thread):
    """The one thread that touches a session. A caller that gives up leaves it behind; it closes what it opened."""

    def __init__(self, open_session: Callable[[], Session]) -> None:
        super().__init__(daemon=True, name="link-owner")
        self._open_session = open_session
        self._jobs: queue.SimpleQueue[tuple[Callable[[Session], Any], queue.SimpleQueue[Any]] | None] = (
            queue.SimpleQueue()
        )
        self.session: Session | None = None

    def call(self, act: Callable[[Session], T], deadline_s: float) -> T:
        """Have it done. Raises queue.Empty at the deadline, or whatever it raised."""
        answer: queue.SimpleQueue[tuple[T | None, BaseException | None]] = queue.SimpleQueue()
        self._jobs.put((act, answer))
        value, error = answer.get(timeout=max(0.0, deadline_s))
        if error is not None:
            raise error
        return value  # type: ignore[return-value]

    def leave(self) -> None:
        """Let the thread end: after what it is doing, or as soon as severing frees it."""
        self._jobs.put(None)
        if self.session is not None:
            self.session.sever()

    def run(self) -> None:
        """Open when first asked, then do what is asked until left."""
        while (job := self._jobs.get()) is not None:
            act, answer = job
            try:
                if self.session is None:
                    self.session = self._open_session()
                answer.put((act(self.session), None))
            except Exception as error:  # noqa: BLE001 - whatever the library raises, the link maps
                answer.put((None, error))
        if self.session is not None:
            with contextlib.suppress(Exception):
                self.session.close()


class Link:
    """One instrument at one address. Callers take turns; each call ends by its deadline, one way or another.

    ``name`` is the instrument's in the bench file, for messages. ``identity`` is text that its ``*IDN?`` reply must
    hold; empty accepts any reply. ``identity_query`` is what it is asked instead, empty where it cannot be asked.
    ``open_session`` makes its sessions, where they are none of VISA's.
    """

    def __init__(
        self,
        resource: str,
        *,
        name: str,
        deadline_s: float = 0.5,
        identity: str = "",
        identity_query: str = "*IDN?",
        read_terminator: str = "\n",
        write_terminator: str = "\n",
        open_session: Callable[[], Session] | None = None,
    ) -> None:
        self.name = name
        self.resource = resource
        self.identified_as = ""
        """The last good ``*IDN?`` reply."""
        self.generation = 0
        """How often a session was opened; a rise means that there was a gap."""
        self._deadline_s = deadline_s
        self._identity = identity
        self._identity_query = identity_query
        self._read_terminator = read_terminator
        self._open_session = open_session or (
            lambda: VisaSession(resource, deadline_s, read_terminator, write_terminator)
        )
        self._owner: _Owner | None = None
        self._turn = threading.Lock()

    def open(self) -> None:
        """Open and identify, if it is not open. Raises LinkError."""
        with self._taking_turns(OPEN_DEADLINE_S):
            self._opened()

    def query(self, text: str, deadline_s: float | None = None) -> str:
        """Ask, and return the reply. Raises LinkError, after which the session is gone and the next call reopens."""
        limit_s = self._deadline_s if deadline_s is None else deadline_s
        with self._taking_turns(limit_s):
            return self._ask(self._opened(), text, limit_s)

    def query_block(self, text: str, most_bytes: int, deadline_s: float | None = None) -> bytes:
        """Ask, and return the block that is the reply, and nothing after it but the end of the line.

        Raises LinkError, after which the session is gone and the next call reopens.
        """
        limit_s = self._deadline_s if deadline_s is None else deadline_s

        def ask(session: Session) -> bytes:
            if not isinstance(session, VisaSession):
                raise BadReply("this transport carries lines of text alone, no blocks")
            if session.leftover():
                raise BadReply("something arrived that nobody had asked for")
            session.write(text)
            block = read_block(session.read_bytes, most_bytes)
            if session.read_bytes(len(self._read_terminator)) != self._read_terminator.encode("ascii"):
                raise BadReply("a block was not followed by the end of its line")
            return block

        with self._taking_turns(limit_s):
            return self._call(self._opened(), ask, limit_s, text)

    def write(self, text: str) -> None:
        """Send, without a reply. Raises LinkError. That it did not raise proves nothing: ask afterwards."""
        with self._taking_turns(self._deadline_s):
            owner = self._opened()
            self._call(owner, lambda session: session.write(text), self._deadline_s, text)

    def close(self) -> None:
        """Close the session, if there is one. Switches nothing."""
        with self._taking_turns(OPEN_DEADLINE_S):
            self._discard()

    # ---------------------------------------------------------------------------------------------------------

    @contextlib.contextmanager
    def _taking_turns(self, patience_s: float) -> Any:
        # A caller that waits for another's call waits for its deadline, plus its own.
        if not self._turn.acquire(timeout=patience_s + OPEN_DEADLINE_S):
            raise LinkTimeout(f"{self.name} ({self.resource}): busy with another caller for too long")
        try:
            yield
        finally:
            self._turn.release()

    def _opened(self) -> _Owner:
        if self._owner is not None:
            return self._owner
        self._owner = owner = _Owner(self._open_session)
        owner.start()
        began_s = time.monotonic()
        reply = self._ask(owner, self._identity_query, OPEN_DEADLINE_S) if self._identity_query else UNASKED
        if not self._identity_query:
            self._call(owner, lambda session: None, OPEN_DEADLINE_S, "opening")
        if not reply.strip() or self._identity not in reply:
            self._discard()
            raise WrongInstrument(
                f"{self.name} ({self.resource}): identifies itself as {reply[:72]!r}, not as {self._identity!r};"
                " check the address, or identity in the bench file"
            )
        self.generation += 1
        self.identified_as = reply
        self.opened_in_s = time.monotonic() - began_s
        return owner

    def _ask(self, owner: _Owner, text: str, deadline_s: float) -> str:
        def ask(session: Session) -> str:
            if session.leftover():
                raise BadReply("something arrived that nobody had asked for")
            session.write(text)
            return session.read()

        reply = self._call(owner, ask, deadline_s, text)
        if len(reply) > MOST_CHARACTERS or not reply.isascii() or not reply.isprintable():
            self._discard()
            raise BadReply(f"{self.name} ({self.resource}): {text!r} was answered with garbage: {reply[:60]!r}")
        return reply

    def _call(self, owner: _Owner, act: Callable[[Session], T], deadline_s: float, text: str) -> T:
        try:
            return owner.call(act, deadline_s)
        except queue.Empty:
            self._discard()
            raise LinkTimeout(self._words(text, f"no answer within {deadline_s:g} s")) from None
        except Exception as error:
            self._discard()
            raise self._mapped(error, text) from error

    def _mapped(self, error: Exception, text: str) -> LinkError:
        """Whatever the library raised, as one of ours."""
        name = type(error).__name__
        if isinstance(error, LinkError):
            return type(error)(self._words(text, str(error)))
        if isinstance(error, UnicodeError):
            return BadReply(self._words(text, "was answered with bytes that are no text"))
        if "TMO" in str(error) or isinstance(error, TimeoutError):
            return LinkTimeout(self._words(text, f"no answer ({name})"))
        said = getattr(error, "strerror", None) or str(error)
        return LinkLost(self._words(text, f"{name}: {said}"))

    def _words(self, text: str, what: str) -> str:
        return (
            f"{self.name} ({self.resource}): {text!r}: {what}."
            " Is it switched on, is the address right, does another program hold it?"
        )

    def _discard(self) -> None:
        owner, self._owner = self._owner, None
        if owner is not None:
            owner.leave()
