"""The screen, drawing what an engine elsewhere says through a named pipe: for benchmarks of what that costs the engine.

``python benchmarks/screen_beside.py FIFO FRAMES``: FRAMES is told, once a second, how many frames were drawn so far,
seconds of processor time, and the resident memory in MB.
"""

from __future__ import annotations

import itertools
import json
import os
import queue
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

from rampguard.engine.lines import LineReader
from rampguard.engine.link import RunOrder
from rampguard.screen import app
from rampguard.screen.giving_way import give_way
from rampguard.screen.ui import Ui

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "tests"))

TOLD_EVERY_S = 1.0
RESIZED_EVERY_S = 0.02


class Elsewhere:
    """An engine that only speaks, by a named pipe; what it is told goes nowhere."""

    def __init__(self, order: RunOrder) -> None:
        self.events: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        # Opened for both, so that it does not end where one run's writer does.
        LineReader(os.open(order.bench, os.O_RDWR), self.events).start()

    def command(self, name: str, **details: Any) -> None:
        """Nobody listens."""

    def wait(self, timeout_s: float) -> int:
        """It has no exit code."""
        return 0

    def end(self) -> None:
        """It is not ours to end."""

    close = end


class Counted(app.Screen):
    """The screen, counting its frames; every run begins it anew."""

    def __init__(self, order: Any, ui: Ui, frames: Path) -> None:
        super().__init__(order, ui, gives_way=give_way)
        self._frames, self._drawn, self._told_s = frames, 0, 0.0

    def _tick(self) -> None:
        if self.view.summary is not None:
            self.view = type(self.view)()
        super()._tick()
        self._drawn += 1
        if time.monotonic() - self._told_s > TOLD_EVERY_S:
            self._told_s = time.monotonic()
            told = {"frames": self._drawn, "cpu_s": time.process_time(), "rss_mb": rss_mb(), "at_s": self._told_s}
            with self._frames.open("a", encoding="utf-8") as lines:
                lines.write(json.dumps(told) + "\n")


def rss_mb(pid: str = "self") -> float:
    """Resident memory (proc(5), statm), MB."""
    pages = int(Path(f"/proc/{pid}/statm").read_text(encoding="ascii").split()[1])
    return pages * os.sysconf("SC_PAGE_SIZE") / 1e6


@contextmanager
def screen_beside(
    folder: Path, width: int = 120, height: int = 40, *, resized: bool = False
) -> Iterator[tuple[Path, Path]]:
    """A screen in a terminal of its own, held by a process of its own: the pipe it hears by, and what it tells."""
    fifo, frames = folder / "events", folder / "frames.jsonl"
    os.mkfifo(fifo)
    command = [sys.executable, __file__, str(fifo), str(frames), str(width), str(height), str(int(resized))]
    holder = subprocess.Popen(command, stdin=subprocess.PIPE)
    try:
        deadline_s = time.monotonic() + 30.0
        while not frames.exists():
            if time.monotonic() > deadline_s or holder.poll() is not None:
                raise TimeoutError("the screen did not begin")
            time.sleep(0.02)
        yield fifo, frames
    finally:
        holder.communicate(b"", timeout=20.0)


def hold(fifo: str, frames: str, width: int, height: int, *, resized: bool) -> None:
    """Hold the terminal until standard input closes; what the screen writes is read, and nothing made of it."""
    from terminal_help import Terminal

    command = [sys.executable, __file__, fifo, frames]
    sizes = itertools.cycle(((80, 24), (120, 40), (100, 30), (160, 50)))
    ended = threading.Event()
    threading.Thread(target=lambda: (sys.stdin.read(), ended.set()), daemon=True).start()
    with Terminal(command, width, height, emulated=False) as terminal:
        while not ended.wait(RESIZED_EVERY_S if resized else 1.0):
            if resized:
                terminal.resize(*next(sizes))


def main() -> None:
    """Draw until ended."""
    fifo, frames, *how = sys.argv[1:]
    if how:
        hold(fifo, frames, int(how[0]), int(how[1]), resized=how[2] == "1")
        return
    app.EngineProcess = Elsewhere  # type: ignore[assignment,misc]
    Counted(lambda confirmed: RunOrder(bench=fifo, into=""), Ui(), Path(frames)).run()


if __name__ == "__main__":
    main()
