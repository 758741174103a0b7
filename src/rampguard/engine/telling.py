"""What a live run says of itself: into the capture's events, its log, and to the onlooker."""

from __future__ import annotations

import re
import time
from typing import Final

from rampguard.archive.writer import CaptureWriter
from rampguard.engine.operator import Operator
from rampguard.engine.shown import Shown
from rampguard.engine.waves import Waves
from rampguard.ramp.by_hand import Advice, Turn
from rampguard.ramp.plan import Stage

TOLD_EVERY_S: Final = 0.1
"""Wall time between two snapshots of the readings for the onlooker."""
ALARM_EVERY_S: Final = 1.0
"""Wall time between two calls of an alarm."""
WARNED_AGAIN_S: Final = 5.0
"""A warning that was away for so long is told again."""
SAID_OTHERWISE: Final = frozenset({"stage", "trip"})
"""Kinds of events that the onlooker hears of by messages of their own."""

_NUMBER: Final = re.compile(r"\d+(?:\.\d+)?")


class Teller:
    """Tells; never blocks."""

    def __init__(self, capture: CaptureWriter, operator: Operator, waves: Waves | None = None) -> None:
        self._capture = capture
        self._operator = operator
        self._waves = waves
        self._warned: dict[str, float] = {}
        self._told_s = 0.0
        self._advised: tuple[Turn, float, bool, bool] | None = None
        self._advised_s = 0.0
        self._alarmed_s = float("-inf")

    def note(self, now_s: float, kind: str, text: str) -> None:
        """Something happened, at this bench time."""
        self._capture.put_event(max(0.0, now_s), kind, text)
        if self._waves is not None:
            self._waves.event(kind, max(0.0, now_s))
        if kind not in SAID_OTHERWISE:
            self._operator.tell("notice", kind=kind, text=text)

    def warn(self, now_s: float, reason: str) -> None:
        """A warning; while it lasts, the same with another number is not told again."""
        kind = _NUMBER.sub("", reason)
        if now_s - self._warned.get(kind, float("-inf")) > WARNED_AGAIN_S:
            self.note(now_s, "warn", reason)
        self._warned[kind] = now_s

    def advise(self, now_s: float, advice: Advice) -> None:
        """What a person who turns the knob should do, as often as readings are told and whenever it changes."""
        if advice.too_fast and advice.fastest_v_per_s is not None:
            fast = f"line voltage rises at {advice.speed_v_per_s:.2g} V/s"
            self.warn(now_s, f"{fast}: this bench can protect the unit up to {advice.fastest_v_per_s:.2g} V/s")
        wall_s, kind = time.monotonic(), (advice.turn, advice.target_v, advice.too_fast, advice.blind)
        if kind == self._advised and wall_s - self._advised_s < TOLD_EVERY_S:
            return
        self._advised, self._advised_s = kind, wall_s
        self._operator.tell(
            "advice",
            turn=str(advice.turn),
            target_v=advice.target_v,
            speed_v_per_s=advice.speed_v_per_s,
            fastest_v_per_s=advice.fastest_v_per_s,
            too_fast=advice.too_fast,
            blind=advice.blind,
        )

    def alarm(self, text: str) -> None:
        """What a person must do now, again and again until it is done."""
        wall_s = time.monotonic()
        if wall_s - self._alarmed_s >= ALARM_EVERY_S:
            self._alarmed_s = wall_s
            self._operator.tell("alarm", text=text)

    def stage(self, stage: Stage, *, bench_presses: bool) -> None:
        """A stage of the plan begins, or is gone back to."""
        self._operator.tell(
            "stage",
            name=stage.name,
            line_voltage_v=stage.line_voltage_v,
            ends_when=stage.ends_when,
            bench_presses=bench_presses,
        )

    def readings(
        self, now_s: float, *, state: str, stage: str, set_voltage_v: float | None, paused: bool, shown: Shown
    ) -> None:
        """How it stands, if it is time to say so."""
        wall_s = time.monotonic()
        if wall_s - self._told_s >= TOLD_EVERY_S:
            self._told_s = wall_s
            self._operator.tell(
                "readings",
                time_s=max(0.0, now_s),
                state=state,
                stage=stage,
                set_voltage_v=set_voltage_v,
                paused=paused,
                **shown.as_told(now_s),
            )
