"""Looks on while the engine works: keeps its lease, passes commands, tells the story in lines of text.

The engine owns the bench. This process can hang or die: the engine then cuts the supply.
"""

from __future__ import annotations

import queue
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from types import FrameType
from typing import Any, Final, TextIO

from rampguard.course_story import course_lines
from rampguard.end_story import end_lines
from rampguard.engine.link import ALIVE_EVERY_S, EngineProcess, RunOrder
from rampguard.readings_words import advice_words, readings_line
from rampguard.run_seen import ENGINE_SILENT, RunSeen, Silence
from rampguard.typed_lines import TypedLines, meaning

COURSE_EVERY_S: Final = 10.0
"""Wall time between two accounts of the idles; what changes is told at once."""
LINE_EVERY_S: Final = 2.0
"""Wall time between two lines of readings within a stage."""


@dataclass
class Onlooker:
    """One run as seen from outside. ``out`` is where the story goes, ``typed`` the lines that a person types."""

    out: TextIO
    typed: TypedLines = field(default_factory=TypedLines)
    look: Callable[[dict[str, Any]], None] | None = None
    """Who else is told every event; None: nobody."""
    seen: RunSeen = field(default_factory=RunSeen)
    _told_s: float = 0.0
    _advised: tuple[Any, ...] = ()
    _terminal_lost: bool = False
    _course_told_s: float = 0.0
    _asked: str = ""
    """The instrument whose readings are being asked for; empty if none is."""

    def follow(self, order: RunOrder) -> int:
        """Run the order to its end. Returns the exit code."""
        if sys.stdin is not None and sys.stdin.isatty():
            self.typed.start()
            self.typed.take()  # what was typed before this run is not meant for it
        engine = EngineProcess(order)
        previous = _on_signals(lambda name: self._signal(engine, name))
        try:
            self._watch(engine)
            code = engine.wait(10.0)
            engine.close()
        finally:
            for number, handler in previous.items():
                signal.signal(number, handler)
        return self._conclude(code)

    def _watch(self, engine: EngineProcess) -> None:
        while True:
            engine.command("alive")
            for line in self.typed.take():
                self._pass_on(line, engine)
            deadline_s = time.monotonic() + ALIVE_EVERY_S
            while (left_s := deadline_s - time.monotonic()) > 0:
                try:
                    event = engine.events.get(timeout=left_s)
                except queue.Empty:
                    break
                if event is None:
                    return
                self._hear(event)
            self._mind_silence(engine)
            if self._terminal_lost:
                engine.hang_up()

    def _mind_silence(self, engine: EngineProcess) -> None:
        """An engine that hangs while live is the watchdog's to end; where a person is the cut-off, there is none."""
        does = self.seen.silence()
        if does is Silence.CALL:
            self.say(f"\a!!! {ENGINE_SILENT}")
        elif does is Silence.END:
            engine.end()

    def _pass_on(self, line: str, engine: EngineProcess) -> None:
        said = meaning(line, self._asked)
        if said is not None:
            self._asked = "" if said.command == "answer" else self._asked
            engine.command(said.command, **said.details)

    def _signal(self, engine: EngineProcess, name: str) -> None:
        if name == "SIGHUP":
            self._terminal_lost = True
        else:
            engine.command("off", reason="Ctrl-C" if name == "SIGINT" else name)

    # -- the story ----------------------------------------------------------------------------------------------

    def say(self, text: str) -> None:
        """One line of the story; a terminal that is gone is a lost screen, not an error."""
        try:
            print(text, file=self.out, flush=True)
        except (OSError, ValueError):
            self._terminal_lost = True

    def _hear(self, event: dict[str, Any]) -> None:
        self.seen.hear(event)
        if self.look is not None:
            self.look(event)
        handler = getattr(self, f"_on_{event.get('event')}", None)
        if handler is not None:
            handler(event)

    def _on_broken(self, event: dict[str, Any]) -> None:
        self.say(f"error in the engine:\n{event['text']}")

    def _on_live(self, event: dict[str, Any]) -> None:
        self.say(f"LIVE. Plan: {event['plan']}. Ctrl-C switches off; so does off and Enter.")

    def _on_stage(self, event: dict[str, Any]) -> None:
        self._line_of_readings()
        waits = ""
        if event["ends_when"] == "power-pressed":
            by_bench = event.get("bench_presses", False)
            waits = "  (the bench presses the power button)" if by_bench else "  (press the unit's power button)"
        self.say(f"-> {event['name']}: {event['line_voltage_v']:g} V{waits}")
        self._told_s = time.monotonic()

    def _on_readings(self, event: dict[str, Any]) -> None:
        if not self._course_told_s and time.monotonic() - self._told_s > LINE_EVERY_S:
            self._line_of_readings()

    def _on_advice(self, event: dict[str, Any]) -> None:
        kind = (event["turn"], event["target_v"], event["too_fast"], event["blind"])
        if kind != self._advised:
            self._advised = kind
            self.say(f"   {advice_words(event)}")

    def _on_course(self, event: dict[str, Any]) -> None:
        if time.monotonic() - self._course_told_s > COURSE_EVERY_S:
            self._course_told_s = time.monotonic()
            self._line_of_readings()
            for line in course_lines(event):
                self.say(line)

    def _on_asked(self, event: dict[str, Any]) -> None:
        self._asked = event["instrument"]
        self.typed.start()
        if event["why"]:
            self.say(f"   {event['why']}")
        self.say(f"?  {event['instrument']}: type {event['what']}")

    def _on_alarm(self, event: dict[str, Any]) -> None:
        self.say(f"\a!!! {event['text']}")

    def _on_notice(self, event: dict[str, Any]) -> None:
        self.say(f"   {event['kind']}: {event['text']}")

    def _on_trip(self, event: dict[str, Any]) -> None:
        volts = event["line_voltage_v"]
        where = "" if volts is None else f" at {volts:.3g} V"
        self.say(f"*** TRIP{where}: {event['reason']}")

    def _line_of_readings(self) -> None:
        values = self.seen.newest.get("values")
        if not values:
            return
        self.say(f"   {self.seen.newest['time_s']:6.1f} s  {readings_line(values)}")
        self._told_s = time.monotonic()

    # -- the end ------------------------------------------------------------------------------------------------

    def _conclude(self, code: int | None) -> int:
        concluded = self.seen.conclude(code)
        if self.seen.summary is not None:
            self.say("")
            for line in end_lines(self.seen.summary):
                self.say(line)
        elif self.seen.refused:
            self.say(f"refused, nothing was energised:\n{self.seen.refused}")
        else:
            self.say("the engine ended before anything was energised")
        return concluded


def _on_signals(act: Callable[[str], None]) -> dict[int, Any]:
    """Route the signals that mean 'off'; returns what was there before."""

    def handle(number: int, frame: FrameType | None) -> None:
        act(signal.Signals(number).name)

    previous = {}
    for name in ("SIGINT", "SIGTERM", "SIGHUP", "SIGBREAK"):
        if hasattr(signal, name):
            number = getattr(signal, name)
            previous[number] = signal.signal(number, handle)
    return previous
