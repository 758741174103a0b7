"""Lines that a person types at the terminal while a run is on, read by a thread so that nothing waits for them."""

from __future__ import annotations

import contextlib
import queue
import re
import sys
import threading
from dataclasses import dataclass
from typing import TextIO

from rampguard.ramp.stepper import Pace

_TOUCHES = {"d": "let-go", "lid": "lid", "go on": "go-on"}
PACES = tuple(Pace)
_TURN = re.compile(r"[+-]\d+(?:[.,]\d+)?")


@dataclass(frozen=True, slots=True)
class Said:
    """What a typed line means: a command of the link, and what goes with it."""

    command: str
    details: dict[str, object]


def meaning(line: str, asked: str) -> Said | None:
    """What a line means, where ``asked`` is the instrument whose readings are being asked for, empty if none is.

    Whatever was asked, ``off`` is off, ``p`` says that power was pressed, ``t`` and a channel that its trimmer is taken
    hold of, ``d`` that it is let go of, ``lid`` that the lid was moved, ``go on`` that this phase is over, and ``n``
    and words are a note; ``pause``, ``resume``, ``step`` and ``back`` are for the
    ramp. Else it is the answer where one was asked for; a number with its sign turns the knob of a simulated variac;
    words are a note.
    None for an empty line.
    """
    text = line.strip()
    if text.lower() in ("off", "stop"):
        return Said("off", {"reason": "typed off"})
    if text.lower() == "p":
        return Said("power-pressed", {})
    if text.lower() in PACES:
        return Said("pace", {"what": text.lower()})
    touch = _TOUCHES.get(text.lower())
    if touch is not None:
        return Said("touch", {"what": touch})
    if text[:2].lower() == "t " and text[2:].strip():
        return Said("touch", {"what": "trimmer", "channel": text[2:].strip().lower()})
    if text[:2].lower() == "n " and text[2:].strip():
        return Said("note", {"text": text[2:].strip()})
    if asked and text:
        return Said("answer", {"instrument": asked, "text": text})
    if _TURN.fullmatch(text):
        return Said("turn", {"by_v": float(text.replace(",", "."))})
    return Said("note", {"text": text}) if text else None


class TypedLines:
    """Standard input, line by line; nothing more once it closes.

    One for the whole command: a second reader would take every other line.
    """

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str] = queue.SimpleQueue()
        self._started = self._closed = False

    def start(self) -> None:
        """Begin to read, if that has not begun."""
        if not self._started:
            self._started = True
            threading.Thread(target=self._read, daemon=True, name="typed-lines").start()

    def _read(self) -> None:
        with contextlib.suppress(OSError, ValueError):
            for line in sys.stdin:
                self._lines.put(line)
        self._closed = True

    def ask(self, question: str, out: TextIO) -> str:
        """Ask, and wait for the line that answers; empty where nobody is at a terminal, or it has closed."""
        if sys.stdin is None or not sys.stdin.isatty():
            return ""
        self.start()
        self.take()  # what was typed before the question does not answer it
        print(question, end=" ", file=out, flush=True)
        while not self._closed:
            with contextlib.suppress(queue.Empty):
                return self._lines.get(timeout=0.1).strip()
        return ""

    def take(self) -> list[str]:
        """What was typed since this was last asked."""
        lines = []
        with contextlib.suppress(queue.Empty):
            while True:
                lines.append(self._lines.get_nowait())
        return lines
