"""Lets a browser look on: one page and what it shows, read only. It knows nothing of the engine, and takes nothing.

Loopback unless an address is given. Nothing is fetched from anywhere else. Whatever is sent to it is not read.
"""

from __future__ import annotations

import json
import threading
import time
from dataclasses import asdict
from http import HTTPStatus
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from importlib.resources import files
from types import TracebackType
from typing import Any, Final

from rampguard.quantities import LINE_CURRENT, REAL_POWER
from rampguard.screen.plot import drawn_through
from rampguard.screen.view import BINS, HEADROOM, View
from rampguard.screen.words import margins, next_words, part_words, standing, state_words

LOOPBACK: Final = "127.0.0.1"
MOST_DRAWN: Final = 400
"""So many points of a trace are sent at most."""
LAST_NOTICES: Final = 12
HEADERS: Final = {
    "Cache-Control": "no-store",
    "Content-Security-Policy": "default-src 'none'; style-src 'unsafe-inline'; script-src 'unsafe-inline';"
    " connect-src 'self'; base-uri 'none'; form-action 'none'; frame-ancestors 'none'",
    "X-Content-Type-Options": "nosniff",
    "Referrer-Policy": "no-referrer",
}


class LookOn:
    """A server for browsers that look on; a context. ``host`` and ``port`` are where it listens, 0 for any port.

    Raises OSError where it cannot listen.
    """

    def __init__(self, host: str = LOOPBACK, port: int = 0) -> None:
        self._view = View()
        self._lock = threading.Lock()
        self._server = _Server((host, port), _Handler)
        self._server.shown = self.shown
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True, name="look-on")

    @property
    def address(self) -> str:
        """Where a browser finds it."""
        host, port = self._server.server_address[:2]
        return f"http://{host!s}:{port}/"

    def hear(self, event: dict[str, Any]) -> None:
        """One event of the engine's."""
        with self._lock:
            if event.get("event") == "live" and self._view.seen.live:
                self._view = View()  # another run
            self._view.hear(event)

    def __enter__(self) -> LookOn:
        self._thread.start()
        return self

    def __exit__(
        self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None
    ) -> None:
        self._server.shutdown()
        self._server.server_close()

    def shown(self) -> dict[str, Any]:
        """What the page shows."""
        with self._lock:
            view, now_s = self._view, time.monotonic()
            how = standing(view, now_s)
            return {
                "format": 1,
                "state": state_words(view),
                "parts": [[name, here] for name, here in part_words(view)],
                "level": how.level,
                "standing": how.text,
                "next": next_words(view),
                "time_s": view.time_s,
                "readings": [asdict(margin) for margin in margins(view)],
                "notices": [f"{n.time_s:.1f} s  {n.kind}: {n.text}" for n in list(view.notices)[-LAST_NOTICES:]],
                "nameplate_v": view.nameplate_v,
                "plots": [_plot(view, signal.column) for signal in (LINE_CURRENT, REAL_POWER)],
            }


def _plot(view: View, column: str) -> dict[str, Any]:
    trace = view.traces.get(column)
    points = [] if trace is None else trace.points
    points = points[:: max(1, len(points) // MOST_DRAWN)] + points[-1:]
    width_v = HEADROOM * view.nameplate_v / BINS
    band = [
        [part * width_v, low, high] for part, (low, high) in sorted(drawn_through(view.bounds.get(column, {})).items())
    ]
    return {"column": column, "points": points, "band": band}


class _Server(ThreadingHTTPServer):
    daemon_threads = True
    shown: Any = None


class _Handler(BaseHTTPRequestHandler):
    """GET of the page and of what it shows; everything else is refused, unread."""

    server: _Server
    protocol_version = "HTTP/1.0"  # one answer a connection: what else it carries is never looked at

    def do_GET(self) -> None:
        if not self._asked_by_its_name():
            self._refuse(HTTPStatus.FORBIDDEN)
        elif self.path == "/":
            page = files("rampguard").joinpath("look_on.html").read_bytes()
            self._answer(page, "text/html; charset=utf-8")
        elif self.path == "/now":
            self._answer(json.dumps(self.server.shown(), allow_nan=False).encode(), "application/json")
        else:
            self._refuse(HTTPStatus.NOT_FOUND)

    def _asked_by_its_name(self) -> bool:
        """Bound to loopback, only a page of its own may ask: no other site's name that leads here."""
        host, port = self.server.server_address[:2]
        own = {f"{name}:{port}" for name in (LOOPBACK, "localhost")}
        return str(host) != LOOPBACK or self.headers.get("Host", "") in own

    def _answer(self, body: bytes, kind: str) -> None:
        self.send_response(HTTPStatus.OK)
        for name, value in {**HEADERS, "Content-Type": kind, "Content-Length": str(len(body))}.items():
            self.send_header(name, value)
        self.end_headers()
        self.wfile.write(body)

    def _refuse(self, status: HTTPStatus) -> None:
        self.send_response(status)
        if status is HTTPStatus.METHOD_NOT_ALLOWED:
            self.send_header("Allow", "GET")
        self.send_header("Content-Length", "0")
        self.end_headers()

    def _not_allowed(self) -> None:
        self._refuse(HTTPStatus.METHOD_NOT_ALLOWED)

    do_POST = do_PUT = do_PATCH = do_DELETE = do_HEAD = do_OPTIONS = do_CONNECT = do_TRACE = _not_allowed  # noqa: N815

    def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - the base's own name
        """The screen belongs to the run."""
