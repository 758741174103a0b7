"""Looks on while the engine works: keeps its lease, passes commands, tells the story in lines of text.

The engine owns the bench. This process can hang or die: the engine then cuts the supply.
"""

from __future__ import annotations

import contextlib
import json
import queue
import signal
import sys
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path
from types import FrameType
from typing import Any, Final, TextIO

from rampguard.cause_story import cause_lines
from rampguard.cautions import NOT_PROVEN_OFF, RESERVOIRS
from rampguard.course_story import check_lines, course_lines
from rampguard.engine.link import (
    ALIVE_EVERY_S,
    EXIT_BAD_INPUT,
    EXIT_OUR_ERROR,
    EXIT_TRIPPED,
    EXIT_UNPROVEN,
    EngineProcess,
    RunOrder,
)
from rampguard.quantities import LINE_QUANTITIES, LINE_VOLTAGE, Quantity, Signal
from rampguard.typed_lines import TypedLines, meaning

VERDICT_WAIT_S: Final = 5.0
"""How long the watchdog's verdict is waited for once the engine is gone."""
SILENT_S: Final = 1.0
"""While live the engine speaks ten times a second: silent for so long, it hangs..."""
CALLED_EVERY_S: Final = 1.0
HUNG_S: Final = 10.0
"""...and so long after, it is ended."""
COURSE_EVERY_S: Final = 10.0
"""Wall time between two accounts of the idles; what changes is told at once."""
LINE_EVERY_S: Final = 2.0
"""Wall time between two lines of readings within a stage."""


@dataclass
class Onlooker:
    """One run as seen from outside. ``out`` is where the story goes, ``typed`` the lines that a person types."""

    out: TextIO
    typed: TypedLines = field(default_factory=TypedLines)
    summary: dict[str, Any] | None = None
    """The run's result, once there is one."""
    capture: Path | None = None
    refused: str = ""
    """Why the engine refused; empty if it did not."""
    _live: bool = False
    _told_s: float = 0.0
    _heard_s: float = 0.0
    _called_s: float = 0.0
    _newest: dict[str, Any] = field(default_factory=dict)
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
                self._heard_s = time.monotonic()
                self._hear(event)
            self._mind_silence(engine)
            if self._terminal_lost:
                engine.hang_up()

    def _mind_silence(self, engine: EngineProcess) -> None:
        """An engine that hangs while live is the watchdog's to end; where a person is the cut-off, there is none."""
        now_s = time.monotonic()
        if not self._live or self.summary is not None or now_s - self._heard_s < SILENT_S:
            return
        if now_s - self._called_s >= CALLED_EVERY_S:
            self._called_s = now_s
            self.say("\a!!! THE ENGINE SAYS NOTHING. Switch off now, at the variac's switch or the emergency-off")
        if now_s - self._heard_s > HUNG_S:
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
        handler = getattr(self, f"_on_{event.get('event')}", None)
        if handler is not None:
            handler(event)

    def _on_refused(self, event: dict[str, Any]) -> None:
        self.refused = event["text"]

    def _on_broken(self, event: dict[str, Any]) -> None:
        self.say(f"error in the engine:\n{event['text']}")

    def _on_live(self, event: dict[str, Any]) -> None:
        self._live = True
        self.capture = Path(event["capture"])
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
        self._newest = event
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

    def _on_finished(self, event: dict[str, Any]) -> None:
        self.summary = {key: value for key, value in event.items() if key != "event"}

    def _line_of_readings(self) -> None:
        values = self._newest.get("values")
        if not values:
            return
        self.say(f"   {self._newest['time_s']:6.1f} s  {readings_line(values)}")
        self._told_s = time.monotonic()

    # -- the end ------------------------------------------------------------------------------------------------

    def _conclude(self, code: int | None) -> int:
        if self.summary is not None and code is not None and code >= 0:
            self._tell_end(self.summary)
            return code
        if self._live and self.capture is not None:
            self.summary = self._from_verdict(self.capture)
            self._tell_end(self.summary)
            return EXIT_TRIPPED if self.summary["off"]["proven"] else EXIT_UNPROVEN
        if self.refused:
            self.say(f"refused, nothing was energised:\n{self.refused}")
            return EXIT_BAD_INPUT
        self.say("the engine ended before anything was energised")
        return EXIT_OUR_ERROR

    def _from_verdict(self, capture: Path) -> dict[str, Any]:
        """The engine died while live: what its watchdog did is in the capture folder."""
        verdict = _await_verdict(capture)
        reason = "the engine died" + (f"; watchdog: {verdict['reason']}" if verdict else "; no word from the watchdog")
        return {
            "format": 1,
            "outcome": "tripped" if verdict and verdict["off"]["proven"] else "unproven",
            "capture": str(capture),
            "trip": {
                "time_s": self._newest.get("time_s", 0.0),
                "line_voltage_v": self._newest.get("values", {}).get("line_voltage_v"),
                "layer": "reading",
                "reason": reason,
            },
            "off": verdict["off"] if verdict else {"proven": False, "by": [], "problems": [reason]},
            "max_line_voltage_v": None,
            "seed": None,
        }

    def _tell_end(self, summary: dict[str, Any]) -> None:
        off = summary["off"]
        self.say("")
        if off["proven"]:
            self.say(f"OFF, proven: {'; '.join(off['by'])}")
            for line in reservoir_lines(summary.get("reservoirs", {})):
                self.say(line)
            self.say(RESERVOIRS)
        else:
            self.say(f"{'!' * 76}\n{NOT_PROVEN_OFF}\n{'!' * 76}")
            self.say(f"what is known: {'; '.join([*off['by'], *off['problems']]) or 'nothing'}")
        trip = summary["trip"]
        for line in check_lines(summary.get("checks", [])):
            self.say(line)
        self.say(f"outcome: {summary['outcome']}" + (f" ({trip['reason']})" if trip else ""))
        causes = tuple((found["cause"], found["probability"]) for found in summary.get("causes", []))
        for line in cause_lines(causes, tripped=trip is not None):
            self.say(line)
        if summary["capture"]:
            self.say(f"capture: {summary['capture']}")


def advice_words(advice: dict[str, Any]) -> str:
    """What whoever turns the knob should do, in words."""
    if advice["too_fast"]:
        fast = f"{advice['speed_v_per_s']:.2g} V/s"
        return f"TOO FAST, wait: {fast}; this bench can protect the unit up to {advice['fastest_v_per_s']:.2g} V/s"
    if advice["blind"]:
        return "wait: a meter has no reading just now"
    most = advice["fastest_v_per_s"]
    words = {
        "up": f"turn up to {advice['target_v']:g} V, slowly" + ("" if most is None else f": up to {most:.2g} V/s"),
        "wait": "wait",
        "back": f"turn back to {advice['target_v']:g} V",
    }
    return words[advice["turn"]]


def reservoir_lines(held: dict[str, dict[str, float | None]]) -> list[str]:
    """What metered rails still hold, a line each; an estimate says that it is one."""
    return [_reservoir_line(column, item) for column, item in held.items()]


def _reservoir_line(column: str, item: dict[str, float | None]) -> str:
    signal, volts, in_s = Signal.from_column(column), item["volts"] or 0.0, item["below_2_v_in_s"]
    name = column if signal is None else f"rail {signal.channel}".strip()
    if in_s == 0.0:
        return f"{name}: {volts:.2g} V when last read."
    to_touch, wait = item["below_60_v_in_s"], "no telling when" if in_s is None else f"by estimate in {_about(in_s)}"
    touch = f"below 60 V by estimate in {_about(to_touch)}, " if to_touch else ""
    return f"{name}: STILL {volts:.3g} V when last read; {touch}below 2 V: {wait}. Measure."


def _about(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"


def _await_verdict(capture: Path) -> dict[str, Any] | None:
    with contextlib.suppress(OSError, ValueError):
        if json.loads((capture / "pids.json").read_text(encoding="utf-8"))["watchdog"] is None:
            return None  # a person is the cut-off: there is nobody to wait for
    deadline_s = time.monotonic() + VERDICT_WAIT_S
    while time.monotonic() < deadline_s:
        try:
            verdict: dict[str, Any] = json.loads((capture / "watchdog.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            time.sleep(0.05)
        else:
            return verdict
    return None


_SHORT: Final = {
    Quantity.EMITTER_RESISTOR: "emitter",
    Quantity.DC_OFFSET: "offset",
    Quantity.RAIL: "rail",
    Quantity.TEMPERATURE: "temp",
}
MOST_IN_A_LINE: Final = 9
"""Of more signals (a scanner reads many) a line holds those that are not a channel's."""
_MILLI_BELOW: Final = {"A": 1.0, "V": 1.0}


def readings_line(values: dict[str, float]) -> str:
    """Readings, by column, in one line that fits a terminal: the line's first, small ones in thousandths."""
    named = ((Signal.from_column(column), value) for column, value in values.items())
    known = [(signal, value) for signal, value in named if signal is not None]
    known.sort(key=lambda pair: (pair[0].quantity not in LINE_QUANTITIES, list(Quantity).index(pair[0].quantity)))
    if len(known) > MOST_IN_A_LINE:
        known = [pair for pair in known if pair[0].quantity in (*LINE_QUANTITIES, Quantity.RAIL, Quantity.TEMPERATURE)]
    return "  ".join(_with_unit(signal, value) for signal, value in known)


def _with_unit(signal: Signal, value: float) -> str:
    name = f"{_SHORT[signal.quantity]} {signal.channel} " if signal.channel else ""
    unit = signal.unit
    if abs(value) < _MILLI_BELOW.get(unit, 0.0) and signal != LINE_VOLTAGE:
        return f"{name}{1000.0 * value:.1f} m{unit}"
    return f"{name}{value:.1f} {unit}" if abs(value) >= 10.0 else f"{name}{value:.2f} {unit}"


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


def story_stream(*, as_json: bool) -> TextIO:
    """Where the story goes: standard output belongs to the JSON object where one was asked for."""
    return sys.stderr if as_json else sys.stdout
