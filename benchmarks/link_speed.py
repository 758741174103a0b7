"""A query loop through `Link`, and through a bare pyvisa session, as ratios to a bare socket loop on the same server.

``python benchmarks/link_speed.py``: paired blocks in turn, so that the machine's moods fall on all alike.
"""

from __future__ import annotations

import socket
import statistics
import threading
import time
from collections.abc import Callable
from typing import Any

from figures import write_result

from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.visa import Link, VisaSession

BLOCKS, QUERIES = 40, 500


def main() -> None:
    """Measure and keep the figures."""
    instrument = ScpiInstrument("SIMULATED,TEST,0,1", threading.RLock())
    instrument.add("VOLTage?", lambda _: "230.1")
    server = ScpiServer(instrument)
    port = int(server.resource.split("::")[2])
    bare = socket.create_connection(("127.0.0.1", port))
    bare.setsockopt(socket.IPPROTO_TCP, socket.TCP_NODELAY, 1)
    session = VisaSession(server.resource, 0.5, "\n", "\n")
    link = Link(server.resource, name="test")
    link.open()

    def by_socket() -> None:
        bare.sendall(b"VOLT?\n")
        while not bare.recv(4096).endswith(b"\n"):
            pass

    def by_session() -> None:
        session.write("VOLT?")
        session.read()

    ways: dict[str, Callable[[], Any]] = {
        "bare socket": by_socket,
        "pyvisa session": by_session,
        "Link": lambda: link.query("VOLT?"),
    }
    times: dict[str, list[float]] = {name: [] for name in ways}
    for _ in range(BLOCKS):
        for name, ask in ways.items():
            times[name] += [_timed(ask) for _ in range(QUERIES)]
    base_s = statistics.median(times["bare socket"])
    rows = []
    for name, taken in times.items():
        cuts = statistics.quantiles(taken, n=1000)
        rows.append(
            {
                "way": name,
                "ratio to bare socket (medians)": round(cuts[499] / base_s, 2),
                "p50 us": round(cuts[499] * 1e6),
                "p99 us": round(cuts[989] * 1e6),
                "queries": len(taken),
            }
        )
        print(rows[-1])
    write_result("link_speed", "A query through `Link` as a ratio to a bare socket loop", rows)
    session.close()
    link.close()
    bare.close()
    server.close()


def _timed(act: Callable[[], Any]) -> float:
    began_s = time.perf_counter()
    act()
    return time.perf_counter() - began_s


if __name__ == "__main__":
    main()
