"""Binary blocks: as IEEE 488.2 has them, and over real sockets through a VISA session."""

from __future__ import annotations

import contextlib
import io
import socket
import threading
from collections.abc import Callable, Iterator
from contextlib import contextmanager

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pyvisa import util

from instruments.blocks import as_block, read_block
from instruments.errors import BadReply, LinkError, LinkLost, LinkTimeout
from instruments.visa import Link


@given(st.binary(max_size=3000))
def test_a_block_reads_back(data: bytes) -> None:
    stream = io.BytesIO(as_block(data) + b"\n")
    assert read_block(stream.read, 3000) == data
    assert stream.read() == b"\n"


@given(st.lists(st.integers(-32768, 32767), min_size=1, max_size=200))
def test_a_block_is_what_a_general_purpose_library_makes_of_it(samples: list[int]) -> None:
    """pyvisa's own `to_ieee_block` and `from_ieee_block`, which had no part in it."""
    data = np.array(samples, dtype="<i2").tobytes()
    theirs = util.to_ieee_block(samples, datatype="h")
    assert read_block(io.BytesIO(bytes(theirs)).read, len(data)) == data
    assert list(util.from_ieee_block(as_block(data), datatype="h")) == samples


@pytest.mark.parametrize(
    ("reply", "says"),
    [
        (b"1.5\n", "begins no block"),
        (b"#x", "begins no block"),
        (b"#0abc", "indefinite"),
        (b"#2x1", "no number"),
        (b"#3999" + bytes(999), "100 at most"),
    ],
)
def test_what_is_no_block_is_refused(reply: bytes, says: str) -> None:
    with pytest.raises(BadReply, match=says):
        read_block(io.BytesIO(reply).read, 100)


@contextmanager
def answering(answer: Callable[[str], bytes | None]) -> Iterator[str]:
    """A server that answers lines with bytes, and hangs up for None. Its resource."""
    listener = socket.create_server(("127.0.0.1", 0))

    def serve() -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            with contextlib.suppress(OSError), client, client.makefile("rb") as lines:
                for line in lines:
                    reply = answer(line.decode("ascii").strip())
                    if reply is None:
                        break
                    client.sendall(reply)

    threading.Thread(target=serve, daemon=True).start()
    try:
        yield f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"
    finally:
        listener.close()


def link_to(resource: str) -> Link:
    return Link(resource, name="digitiser", deadline_s=0.5)


NEWLINES = bytes(range(256)) * 40 + b"\n\n\n"


def test_a_block_full_of_line_ends_arrives_whole_and_the_next_question_gets_its_own_answer() -> None:
    replies = {"*IDN?": b"A,B,C,D\n", "WAV?": as_block(NEWLINES) + b"\n", "RATE?": b"6400\n"}
    with answering(replies.get) as resource:
        link = link_to(resource)
        for _ in range(3):
            assert link.query_block("WAV?", 20_000) == NEWLINES
            assert link.query("RATE?") == "6400"
        assert link.generation == 1
        link.close()


@pytest.mark.parametrize(
    ("reply", "error", "says"),
    [
        (as_block(NEWLINES)[:-5], LinkTimeout, "no answer"),
        (as_block(NEWLINES) + b"x\n", BadReply, "end of its line"),
        (b"no block\n", BadReply, "begins no block"),
        (as_block(NEWLINES + NEWLINES) + b"\n", BadReply, "at most"),
        (None, LinkError, "digitiser"),
    ],
)
def test_a_reply_that_cannot_be_believed_costs_the_session_and_no_more(
    reply: bytes | None, error: type[LinkError], says: str
) -> None:
    told = {"first": True}

    def answer(line: str) -> bytes | None:
        if line == "*IDN?":
            return b"A,B,C,D\n"
        first, told["first"] = told["first"], False
        return reply if first else as_block(b"good") + b"\n"

    with answering(answer) as resource:
        link = link_to(resource)
        with pytest.raises(error, match=says):
            link.query_block("WAV?", len(NEWLINES))
        assert link.query_block("WAV?", 100) == b"good"
        assert link.generation == 2
        link.close()


def test_nobody_there() -> None:
    with socket.create_server(("127.0.0.1", 0)) as taken:
        port = taken.getsockname()[1]
    with pytest.raises(LinkLost):
        link_to(f"TCPIP0::127.0.0.1::{port}::SOCKET").query_block("WAV?", 10)
