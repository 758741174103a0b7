"""The ways in which a VISA session lies, each against a server that behaves that way: `Link` believes none of them."""

from __future__ import annotations

import socket
import statistics
import threading
import time
from collections.abc import Callable
from dataclasses import dataclass, field

import pytest

from instruments.errors import BadReply, LinkError, LinkLost, LinkTimeout, WrongInstrument
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.visa import OPEN_DEADLINE_S, Link, VisaSession
from misbehaving import IDENTITY, answers, babbling, deaf, hangs_up, late, lines, resource, server

DEADLINE_S = 0.3
SLACK_S = 0.5
"""What a loaded machine may add to a promised deadline."""


def _link(address: str, **options: object) -> Link:
    return Link(address, name="meter", deadline_s=DEADLINE_S, **options)  # type: ignore[arg-type]


def _within(deadline_s: float, act: Callable[[], object], error: type[LinkError] = LinkError) -> LinkError:
    began_s = time.monotonic()
    with pytest.raises(error) as raised:
        act()
    assert time.monotonic() - began_s < deadline_s + SLACK_S
    return raised.value


def test_1_a_refused_port_opens_in_the_library_but_not_in_a_link() -> None:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        address = resource(listener)
    VisaSession(address, DEADLINE_S, "\n", "\n").close()  # the trap: no error
    link = _link(address)
    said = _within(OPEN_DEADLINE_S, link.open)
    assert address in str(said)
    assert link.generation == 0


def test_2_a_write_to_an_instrument_that_serves_another_client_is_not_believed() -> None:
    switch = ScpiInstrument("SIMULATED,RELAY,0,1", threading.RLock())
    heard: list[str] = []
    switch.add("OUTPut", lambda text: heard.append(text))
    served = ScpiServer(switch, one_client_only=True)
    first = _link(served.resource)
    first.open()
    second = VisaSession(served.resource, DEADLINE_S, "\n", "\n")
    second.write("OUTP OFF")  # the trap: it "succeeds"
    time.sleep(0.1)
    assert heard == []
    other = _link(served.resource)
    _within(OPEN_DEADLINE_S, lambda: other.write("OUTP OFF"))  # a link says so before it writes
    assert heard == []
    second.close()
    first.close()
    served.close()


def test_3_a_late_reply_never_answers_the_next_question() -> None:
    with server(late(DEADLINE_S * 2)) as address:
        link = _link(address)
        assert link.query("FAST?") == "PROMPT"
        _within(DEADLINE_S, lambda: link.query("SLOW?"), LinkTimeout)
        time.sleep(DEADLINE_S * 2)  # the late reply has arrived by now
        assert link.query("FAST?") == "PROMPT"
        assert link.generation == 2  # by a session opened anew


def test_3b_what_arrives_unasked_is_not_taken_for_an_answer() -> None:
    with server(answers(ONE=b"1\n2\n", TWO=b"good\n")) as address:
        link = _link(address)
        assert link.query("ONE?") == "1"
        time.sleep(0.05)
        _within(DEADLINE_S, lambda: link.query("TWO?"), BadReply)
        assert link.query("TWO?") == "good"


def test_4_a_peer_that_is_gone_is_a_lost_link_and_can_come_back() -> None:
    with server(hangs_up) as address:
        link = _link(address)
        link.open()
        _within(DEADLINE_S, lambda: link.query("VOLT?"))
        link.open()
        assert link.generation == 2


def test_5_a_babbling_peer_is_left_at_the_deadline() -> None:
    with server(babbling) as address:
        link = _link(address)
        link.open()
        _within(DEADLINE_S, lambda: link.query("VOLT?"), LinkTimeout)
        assert link.generation == 1


def test_5b_a_write_to_a_deaf_peer_ends_at_the_deadline() -> None:
    with server(deaf) as address:
        link = _link(address)
        link.open()
        _within(DEADLINE_S, lambda: link.write("X" * 20_000_000), LinkTimeout)


def test_6_a_write_followed_by_a_query_does_not_wait_for_a_delayed_acknowledgement() -> None:
    """The session's socket has TCP_NODELAY set; how much that saves is a benchmark's business."""
    with server(answers(VOLT=b"1\n")) as address:
        session = VisaSession(address, DEADLINE_S, "\n", "\n")
        assert session._socket is not None
        assert session._socket.getsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY) != 0
        session.close()


@dataclass
class _Throws:
    """A session whose every call raises what it was given."""

    error: BaseException
    asked: list[str] = field(default_factory=list)

    def write(self, text: str) -> None:
        self.asked.append(text)
        if text != "*IDN?":
            raise self.error

    def read(self) -> str:
        return "SIMULATED,TEST,0,1"

    def leftover(self) -> bool:
        return False

    def sever(self) -> None: ...

    def close(self) -> None:
        raise self.error


@pytest.mark.parametrize(
    ("error", "becomes"),
    [
        (BrokenPipeError("broken"), LinkLost),
        (ConnectionResetError("reset"), LinkLost),
        (ConnectionRefusedError("refused"), LinkLost),
        (UnicodeDecodeError("ascii", b"\xff", 0, 1, "bad"), BadReply),
        (ValueError("no backend"), LinkLost),
        (TypeError("closed during read"), LinkLost),
        (NotImplementedError("no trigger"), LinkLost),
        (Exception("could not connect"), LinkLost),
        (OSError("a serial port's own exception is an OSError"), LinkLost),
        (TimeoutError("late"), LinkTimeout),
        (RuntimeError("VI_ERROR_TMO (-1073807339): Timeout expired"), LinkTimeout),
    ],
)
def test_7_whatever_the_library_raises_becomes_one_of_ours(error: Exception, becomes: type[LinkError]) -> None:
    sessions: list[_Throws] = []

    def open_session() -> _Throws:
        sessions.append(_Throws(error))
        return sessions[-1]

    link = Link("TEST", name="meter", open_session=open_session)
    for _ in range(2):
        with pytest.raises(becomes, match="meter"):
            link.query("VOLT?")
    assert len(sessions) == 2  # discarded after each failure


def test_7b_garbage_bytes_are_a_bad_reply() -> None:
    with server(answers(VOLT=b"\xff\xfe\x00\n")) as address:
        link = _link(address)
        _within(DEADLINE_S, lambda: link.query("VOLT?"), BadReply)


def test_8_closing_one_link_leaves_the_others_open() -> None:
    with server(answers(VOLT=b"1\n")) as address:
        one, two = _link(address), _link(address)
        one.open()
        two.open()
        one.close()
        assert two.query("VOLT?") == "1"
        assert two.generation == 1


def test_9_two_threads_on_one_link_each_get_their_own_replies() -> None:
    def echo(client: socket.socket) -> None:
        for line in lines(client):
            client.sendall(IDENTITY if line == b"*IDN?" else line.rstrip(b"?") + b"\n")

    wrong: list[str] = []
    with server(echo) as address:
        link = Link(address, name="meter", deadline_s=5.0)
        link.open()

        def ask(letter: str) -> None:
            for number in range(300):
                reply = link.query(f"{letter}{number}?")
                if reply != f"{letter}{number}":
                    wrong.append(reply)

        threads = [threading.Thread(target=ask, args=(letter,)) for letter in "AB"]
        for thread in threads:
            thread.start()
        for thread in threads:
            thread.join()
        assert wrong == []
        assert link.generation == 1


class TestIdentity:
    def test_another_instrument_is_refused_and_named(self) -> None:
        with server(answers()) as address, pytest.raises(WrongInstrument, match="SIMULATED,TEST"):
            _link(address, identity="POWER-METER").open()

    def test_it_must_be_itself_again_after_a_gap(self) -> None:
        replies = iter([b"GOOD,1,0,1\n", b"OTHER,1,0,1\n"])

        def talk(client: socket.socket) -> None:
            for line in lines(client):
                if line != b"*IDN?":
                    return
                client.sendall(next(replies))

        with server(talk) as address:
            link = _link(address, identity="GOOD")
            link.open()
            _within(DEADLINE_S, lambda: link.query("VOLT?"))
            _within(OPEN_DEADLINE_S, lambda: link.query("VOLT?"), WrongInstrument)


class TestLines:
    def test_half_a_line_is_no_reply(self) -> None:
        with server(answers(VOLT=b"12.")) as address:
            link = _link(address)
            _within(DEADLINE_S, lambda: link.query("VOLT?"), LinkTimeout)

    def test_a_carriage_return_before_the_line_end_is_not_part_of_the_reply(self) -> None:
        with server(answers(VOLT=b"12.5\r\n")) as address:
            assert _link(address).query("VOLT?") == "12.5"

    def test_an_endless_line_is_no_reply(self) -> None:
        with server(answers(VOLT=b"1" * 100_000 + b"\n")) as address:
            link = _link(address)
            _within(DEADLINE_S, lambda: link.query("VOLT?"))


def test_a_link_is_usable_while_another_hangs() -> None:
    with server(late(2.0)) as slow, server(answers(VOLT=b"1\n")) as fast:
        hung, good = Link(slow, name="slow", deadline_s=2.5), _link(fast)
        hung.open()
        good.open()
        waiting = threading.Thread(target=lambda: hung.query("SLOW?"))
        waiting.start()
        times = []
        for _ in range(20):
            began_s = time.monotonic()
            assert good.query("VOLT?") == "1"
            times.append(time.monotonic() - began_s)
        assert waiting.is_alive()
        assert statistics.median(times) < DEADLINE_S
        waiting.join()
