"""The engine's hold on its watchdog: start it, feed it, hear its answers, let it go."""

from __future__ import annotations

import contextlib
import queue
import subprocess
import sys
import time
from pathlib import Path
from typing import Any, Final, Protocol

from rampguard.engine.lines import BadLine, LineReader, LineWriter, decode, encode
from rampguard.engine.link import own_session
from rampguard.engine.watchdog import FEED_EVERY_S, FEED_LIMIT_S

START_DEADLINE_S: Final = 15.0
"""Wall time the watchdog may take to start, connect and prove its path."""


class Watch(Protocol):
    """What the engine needs of whoever guards it."""

    @property
    def pid(self) -> int | None:
        """The watchdog's process id, if there is a process."""
        ...

    @property
    def is_ready(self) -> bool:
        """Whether it has proven its path."""
        ...

    def feed(self) -> None:
        """Feed it if it is time. Cheap; called at every turn of the loop."""
        ...

    def trouble(self) -> str:
        """Why it cannot be relied on; empty while it can."""
        ...

    def release(self, timeout_s: float = 2.0) -> None:
        """Let it go, off being proven."""
        ...

    def take_over(self) -> None:
        """Off was commanded and is not proven: have it cut on its own path too, and go on."""
        ...


class NoWatchdog:
    """A person is the cut-off: there is nothing that a watchdog could cut."""

    pid = None
    is_ready = True

    def feed(self) -> None:
        """Nobody to feed."""

    def trouble(self) -> str:
        """None."""
        return ""

    def release(self, timeout_s: float = 2.0) -> None:
        """Nobody to release."""

    def take_over(self) -> None:
        """Nobody to take over."""


def _watchdog_process() -> subprocess.Popen[bytes]:
    return subprocess.Popen(
        [sys.executable, "-m", "rampguard.engine.watchdog_process"],
        stdin=subprocess.PIPE,
        stdout=subprocess.PIPE,
        **own_session(),
    )


def prove_exclusive(bench: Path) -> str:
    """Have a watchdog process prove the ways off that serve one client only, before the engine opens them.

    Returns why they cannot be relied on; empty if they can.
    """
    process = _watchdog_process()
    try:
        said, _ = process.communicate(encode({"bench": str(bench)}), timeout=START_DEADLINE_S)
        answer = decode(said.splitlines()[0]) if said else {}
    except subprocess.TimeoutExpired:
        process.kill()
        process.communicate()
        return "the watchdog did not prove its path to the cut-off in time"
    except BadLine as error:
        return f"the watchdog did not prove its path to the cut-off: {error}"
    return "" if "ready" in answer else str(answer.get("refused", "the watchdog process is gone"))


class Guardian:
    """One watchdog process. Fed from the engine's loop itself, never from a spare thread."""

    def __init__(self, bench: Path, folder: Path, engine_pid: int) -> None:
        self._inbox: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        self._process = _watchdog_process()
        assert self._process.stdin is not None  # noqa: S101 - both are pipes
        assert self._process.stdout is not None  # noqa: S101
        LineReader(self._process.stdout.fileno(), self._inbox).start()
        self._feed = LineWriter(self._process.stdin)
        self._feed.start()
        self._feed.put({"bench": str(bench), "folder": str(folder), "engine_pid": engine_pid})
        self._started_s = time.monotonic()
        self._number = 0
        self._fed_s = float("-inf")
        self._answered_s: float | None = None
        self._gone = False
        self.ready: tuple[str, ...] = ()
        """The ways off whose path it has proven; empty until it has."""
        self.refused = ""
        """Why it will not guard; empty if it did not refuse."""
        self.released = False

    @property
    def pid(self) -> int:
        """The watchdog's process id."""
        return self._process.pid

    @property
    def is_ready(self) -> bool:
        """Whether it has proven its path."""
        return bool(self.ready)

    def feed(self) -> None:
        """Feed it if it is time. Cheap; called at every turn of the loop. Before it is ready, only listens."""
        self._listen()
        now_s = time.monotonic()
        if self.ready and now_s - self._fed_s >= FEED_EVERY_S * 0.6:
            self._number += 1
            self._fed_s = now_s
            self._feed.put({"feed": self._number})

    def _listen(self) -> None:
        with contextlib.suppress(queue.Empty):
            while True:
                self._hear(self._inbox.get_nowait())

    def _hear(self, message: dict[str, Any] | None) -> None:
        if message is None:
            self._gone = True
        elif "ready" in message:
            self.ready = tuple(message["ready"])
            self._answered_s = time.monotonic()
        elif "refused" in message:
            self.refused = str(message["refused"])
        elif "released" in message:
            self.released = True
        else:
            self._answered_s = time.monotonic()

    def trouble(self) -> str:
        """Why it cannot be relied on; empty while it can."""
        self._listen()
        if self.released:
            return ""
        if self._gone:
            return self.refused or "the watchdog process is gone"
        now_s = time.monotonic()
        if self._answered_s is None:
            late = now_s - self._started_s > START_DEADLINE_S
            return "the watchdog did not prove its path to the cut-off in time" if late else ""
        silent_s = now_s - self._answered_s
        return f"the watchdog was silent for {silent_s:.2f} s" if silent_s > FEED_LIMIT_S else ""

    def release(self, timeout_s: float = 2.0) -> None:
        """Let it go, off being proven. One that does not answer is ended: nothing is live any more."""
        self._feed.put({"release": True})
        deadline_s = time.monotonic() + timeout_s
        while not self.released and not self._gone and time.monotonic() < deadline_s:
            time.sleep(0.005)
            self._listen()
        with contextlib.suppress(subprocess.TimeoutExpired):
            self._process.wait(0.5)
        if self._process.poll() is None:
            self._process.kill()
            self._process.wait(2.0)
        self._feed.close()

    def take_over(self) -> None:
        """Off was commanded and is not proven: have it cut on its own path too, and go on, whatever becomes of this."""
        self._feed.put({"take_over": True})
        self._feed.close()
