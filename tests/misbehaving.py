"""Instrument servers that misbehave on purpose, each in one of the ways that real ones and their networks do."""

from __future__ import annotations

import contextlib
import socket
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

Talk = Callable[[socket.socket], None]
IDENTITY = b"SIMULATED,TEST,0,1\n"


@contextmanager
def server(talk: Talk, *, backlog: int = 8) -> Iterator[str]:
    """Serve ``talk`` to each client on loopback; yields the VISA resource string."""
    listener = socket.create_server(("127.0.0.1", 0), backlog=backlog)
    clients: list[socket.socket] = []

    def accept() -> None:
        while True:
            try:
                client, _ = listener.accept()
            except OSError:
                return
            clients.append(client)
            threading.Thread(target=quietly, args=(client,), daemon=True).start()

    def quietly(client: socket.socket) -> None:
        with contextlib.suppress(OSError), client:
            talk(client)

    threading.Thread(target=accept, daemon=True).start()
    try:
        yield resource(listener)
    finally:
        with contextlib.suppress(OSError):
            listener.shutdown(socket.SHUT_RDWR)
        listener.close()
        for client in clients:
            with contextlib.suppress(OSError):
                client.shutdown(socket.SHUT_RDWR)


def resource(listener: socket.socket) -> str:
    return f"TCPIP0::127.0.0.1::{listener.getsockname()[1]}::SOCKET"


def lines(client: socket.socket) -> Iterator[bytes]:
    """The lines a client sends."""
    waiting = b""
    while data := client.recv(4096):
        *whole, waiting = (waiting + data).split(b"\n")
        yield from whole


def answers(**replies: bytes) -> Talk:
    """Answers ``*IDN?`` well, other questions (their letters and digits as keyword) as given, the rest not at all."""

    def talk(client: socket.socket) -> None:
        for line in lines(client):
            key = "".join(chr(c) for c in line if chr(c).isalnum())
            reply = IDENTITY if line == b"*IDN?" else replies.get(key)
            if reply is not None:
                client.sendall(reply)

    return talk


def late(delay_s: float) -> Talk:
    """Answers SLOW? late, by the same connection, and everything else at once."""

    def talk(client: socket.socket) -> None:
        for line in lines(client):
            if line == b"SLOW?":
                time.sleep(delay_s)
                client.sendall(b"LATE\n")
            else:
                client.sendall(IDENTITY if line == b"*IDN?" else b"PROMPT\n")

    return talk


def babbling(client: socket.socket) -> None:
    """Answers ``*IDN?``, then to any other question sends bytes without end."""
    for line in lines(client):
        if line == b"*IDN?":
            client.sendall(IDENTITY)
        else:
            while True:
                client.sendall(b"x" * 64)
                time.sleep(0.01)


def deaf(client: socket.socket) -> None:
    """Answers ``*IDN?`` and then never reads again."""
    for _ in lines(client):
        client.sendall(IDENTITY)
        threading.Event().wait(30.0)


def hangs_up(client: socket.socket) -> None:
    """Answers ``*IDN?`` and closes the connection at the next question."""
    for line in lines(client):
        if line != b"*IDN?":
            return
        client.sendall(IDENTITY)
