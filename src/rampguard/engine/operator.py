"""The engine's side of the onlooker: commands in, events out, and whether anyone is still looking."""

from __future__ import annotations

import contextlib
import queue
import threading
import time
from typing import Any, Final

from instruments.keyed import NobodyAnswers
from rampguard.engine.lines import LineWriter
from rampguard.engine.link import SCREEN_LEASE_S
from rampguard.engine.messages import Answer, NoSuchMessage, Note, Paced, PowerPressed, Touched, Turn, command_in

LISTEN_S: Final = 0.05


class Operator:
    """What the operator asked for, and whether their screen still lives."""

    def __init__(self, inbox: queue.SimpleQueue[dict[str, Any] | None], events: LineWriter) -> None:
        self._inbox = inbox
        self._events = events
        self._heard_s = time.monotonic()
        self._gone = False
        self.off_reason = ""
        """Why the operator wants it off; empty while they do not."""
        self._power_pressed = False
        self._notes: list[str] = []
        self._turned_v = 0.0
        self._touches: list[Touched] = []
        self._paces: list[Paced] = []
        self._answers: dict[str, queue.SimpleQueue[str]] = {}

    def tell(self, event: str, **details: Any) -> None:
        """Send an event; never blocks."""
        self._events.put({"event": event, **details})

    def ask_off(self, reason: str) -> None:
        """Off is wanted, by command or by signal; the first reason is kept."""
        self.off_reason = self.off_reason or reason

    def poll(self) -> None:
        """Take in what has arrived; cheap, called at every turn of the loop."""
        with contextlib.suppress(queue.Empty):
            while True:
                message = self._inbox.get_nowait()
                if message is None:
                    self._gone = True
                    return
                self._heard_s = time.monotonic()
                self._obey(message)

    def _obey(self, message: dict[str, Any]) -> None:
        if message.get("command") == "off":  # whatever else is wrong with it
            self.ask_off(str(message.get("reason") or "the operator asked for off"))
        try:
            command = command_in(message)
        except NoSuchMessage as error:
            self.tell("notice", kind="link", text=f"a command was not understood, and nothing was done: {error}")
            return
        if isinstance(command, PowerPressed):
            self._power_pressed = True
        elif isinstance(command, Note):
            self._notes.append(command.text)
        elif isinstance(command, Answer):
            self.answers(command.instrument).put(command.text)
        elif isinstance(command, Turn):
            self._turned_v += command.by_v
        elif isinstance(command, Touched):
            self._touches.append(command)
        elif isinstance(command, Paced):
            self._paces.append(command)

    def answers(self, instrument: str) -> queue.SimpleQueue[str]:
        """Where what is typed for an instrument arrives."""
        return self._answers.setdefault(instrument, queue.SimpleQueue())

    def take_notes(self) -> list[str]:
        """What the operator noted since this was last asked."""
        notes, self._notes = self._notes, []
        return notes

    def take_touches(self) -> list[Touched]:
        """What the operator said of trimmers, lid and phase since this was last asked."""
        touches, self._touches = self._touches, []
        return touches

    def take_paces(self) -> list[Paced]:
        """Whether the ramp was to pause, to go on, by a step or back, since this was last asked."""
        paces, self._paces = self._paces, []
        return paces

    def take_turned_v(self) -> float:
        """By how much the knob of a simulated variac was to be turned since this was last asked, volts."""
        turned_v, self._turned_v = self._turned_v, 0.0
        return turned_v

    def take_power_pressed(self) -> bool:
        """Whether power was said to be pressed since this was last asked."""
        pressed, self._power_pressed = self._power_pressed, False
        return pressed

    def lost(self) -> str:
        """Why the operator's screen counts as lost; empty while it does not."""
        if self._gone or self._events.broken.is_set():
            return "the operator's screen is gone"
        silent_s = time.monotonic() - self._heard_s
        return f"the operator's screen was silent for {silent_s:.2f} s" if silent_s > SCREEN_LEASE_S else ""

    @property
    def gone(self) -> bool:
        """Whether the other end of the pipe is closed."""
        return self._gone


class Asking:
    """Asks the operator for what instruments without any interface show. One thread an instrument may wait here."""

    def __init__(self, operator: Operator) -> None:
        self._operator = operator

    def ask(self, instrument: str, what: str, why: str) -> str:
        """Ask, and wait for the answer, as long as there is anybody. Raises NobodyAnswers."""
        answers = self._operator.answers(instrument)
        self._operator.tell("asked", instrument=instrument, what=what, why=why)
        alone = threading.current_thread() is threading.main_thread()
        while True:
            if alone:  # before power there is no loop yet that listens meanwhile
                self._operator.poll()
            if self._operator.gone or (alone and self._operator.off_reason):
                raise NobodyAnswers(f"{instrument}: nobody answers any more")
            with contextlib.suppress(queue.Empty):
                return answers.get(timeout=LISTEN_S)
