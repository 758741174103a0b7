"""What there is to show of one run, gathered from the engine's events. Pure but for the wall clock of the newest event.

Line voltage and current are rms; times are bench seconds since the run began unless stated.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER
from rampguard.run_seen import SILENT_S, RunSeen

MOST_POINTS: Final = 4000
"""So many points of a trace are kept; every other one goes when there are more."""
BINS: Final = 240
"""Line voltage, up to a tenth above nameplate, is divided into so many parts; of each the newest bounds are kept."""
HEADROOM: Final = 1.1
MOST_NOTICES: Final = 200
JUST_BEFORE_S: Final = 3.0
"""Bench time before a trip in which a knob turned too fast may be what it saw."""
WARNED_S: Final = 5.0
"""Bench time for which a warning stays in the line that says how it is."""


class Part(StrEnum):
    """Where in the job the technician is."""

    READY = "getting ready"
    POWER_UP = "power-up"
    WARM_UP = "warm-up and idle"
    SOAK = "soak"
    AFTER = "after"


@dataclass(slots=True)
class Trace:
    """Points of one thing against another; never more than `MOST_POINTS`."""

    points: list[tuple[float, float]] = field(default_factory=list)
    _skip: int = 1
    _seen: int = 0

    def add(self, x: float, y: float) -> None:
        """One more point; of many only some are kept."""
        self._seen += 1
        if self._seen % self._skip:
            return
        self.points.append((x, y))
        if len(self.points) > MOST_POINTS:
            del self.points[::2]
            self._skip *= 2


@dataclass(frozen=True, slots=True)
class Notice:
    """Something that was told. ``time_s`` is that of the newest readings."""

    time_s: float
    kind: str
    text: str


@dataclass(slots=True)
class View:
    """All that is shown of one run."""

    seen: RunSeen = field(default_factory=RunSeen)
    run: dict[str, Any] = field(default_factory=dict)
    """What was told when it went live: bench, unit, plan."""
    permissives: dict[str, dict[str, Any]] = field(default_factory=dict)
    stage: dict[str, Any] = field(default_factory=dict)
    advice: dict[str, Any] = field(default_factory=dict)
    asked: dict[str, Any] = field(default_factory=dict)
    alarm: str = ""
    trip: dict[str, Any] = field(default_factory=dict)
    course: dict[str, Any] = field(default_factory=dict)
    broken: str = ""
    notices: deque[Notice] = field(default_factory=lambda: deque(maxlen=MOST_NOTICES))
    traces: dict[str, Trace] = field(default_factory=dict)
    """Of line current and real power, by column, against line voltage."""
    bounds: dict[str, dict[int, tuple[float, float]]] = field(default_factory=dict)
    """What a healthy unit may draw, by column and part of line voltage: the newest."""
    idles: dict[str, Trace] = field(default_factory=dict)
    """Each channel's idle, mV, against minutes at full line."""
    fast_turn: tuple[float, float, float] | None = None
    """When the knob was last turned faster than the bench can protect a unit, bench seconds; its V/s, and the most."""
    told: int = 0
    """How many events."""
    ended: bool = False
    """Whether the engine is gone."""
    rings: int = 0
    """How often the bell was asked for, for anything but a trip..."""
    alarms: int = 0
    """...and for a trip, or a person who must switch off."""

    # -- hearing ------------------------------------------------------------------------------------------------

    def hear(self, event: Mapping[str, Any]) -> None:
        """One event of the engine's."""
        self.told += 1
        self.seen.hear(dict(event))
        handler = getattr(self, f"_on_{event.get('event')}", None)
        if handler is not None:
            handler(event)

    def _on_broken(self, event: Mapping[str, Any]) -> None:
        self.broken = event["text"]

    def _on_permissive(self, event: Mapping[str, Any]) -> None:
        self.permissives[event["check"]] = dict(event)

    def _on_live(self, event: Mapping[str, Any]) -> None:
        self.run = dict(event)

    def _on_stage(self, event: Mapping[str, Any]) -> None:
        self.stage = dict(event)
        self.notices.append(Notice(self.time_s, "stage", f"{event['name']}: to {event['line_voltage_v']:g} V"))

    def _on_readings(self, event: Mapping[str, Any]) -> None:
        volts = event["values"].get(LINE_VOLTAGE.column)
        if volts is None or event["state"] != "live" or self.course:
            return
        for signal in (LINE_CURRENT, REAL_POWER):
            column = signal.column
            if column in event["values"]:
                self.traces.setdefault(column, Trace()).add(volts, event["values"][column])
            if column in event["expected"]:
                low, high = event["expected"][column]
                self.bounds.setdefault(column, {})[self.bin_of(volts)] = (low, high)

    def _on_advice(self, event: Mapping[str, Any]) -> None:
        self.advice = dict(event)
        if event["too_fast"]:
            self.fast_turn = (self.time_s, event["speed_v_per_s"], event["fastest_v_per_s"])

    def _on_course(self, event: Mapping[str, Any]) -> None:
        self.course = dict(event)
        for name, idle in event["idles"].items():
            self.idles.setdefault(name, Trace()).add(event["minutes"], 1e3 * idle["now_v"])

    def _on_asked(self, event: Mapping[str, Any]) -> None:
        self.asked = dict(event)
        self.rings += 1

    def _on_alarm(self, event: Mapping[str, Any]) -> None:
        self.alarm = event["text"]
        self.alarms += 1

    def _on_notice(self, event: Mapping[str, Any]) -> None:
        self.notices.append(Notice(self.time_s, event["kind"], event["text"]))
        self.rings += event["kind"] == "warn"

    def _on_trip(self, event: Mapping[str, Any]) -> None:
        self.trip = self.trip or dict(event)
        self.notices.append(Notice(self.time_s, "trip", event["reason"]))
        self.alarms += 1

    def _on_finished(self, event: Mapping[str, Any]) -> None:
        self.asked = {}

    # -- how it stands ------------------------------------------------------------------------------------------

    @property
    def newest(self) -> Mapping[str, Any]:
        """The newest message of readings; empty before the first."""
        return self.seen.newest

    @property
    def time_s(self) -> float:
        """Of the newest readings."""
        return float(self.newest.get("time_s", 0.0))

    @property
    def values(self) -> Mapping[str, float]:
        """The newest readings by column."""
        values: Mapping[str, float] = self.newest.get("values", {})
        return values

    @property
    def line_v(self) -> float | None:
        """Line voltage as last read."""
        return self.values.get(LINE_VOLTAGE.column)

    @property
    def nameplate_v(self) -> float:
        """The unit's line voltage; 230 V until it is told."""
        return float(self.run.get("nameplate_v", 230.0))

    @property
    def summary(self) -> dict[str, Any] | None:
        """The run's result, once there is one."""
        return self.seen.summary

    @property
    def may_be_live(self) -> bool:
        """Whether anything may be live: from switching on until off is proven."""
        return self.seen.live and (self.summary is None or not self.summary["off"]["proven"])

    @property
    def turned_too_fast(self) -> tuple[float, float] | None:
        """How fast the knob was turned just before a trip, and might be, V/s; None where it was not too fast."""
        if self.fast_turn is None or self.summary is None or self.summary["trip"] is None:
            return None
        before_s = self.summary["trip"]["time_s"] - self.fast_turn[0]
        return self.fast_turn[1:] if before_s < JUST_BEFORE_S else None

    @property
    def person_must_cut(self) -> bool:
        """Whether nothing but a person can switch off what must be off now."""
        wanted = bool(self.trip) or self.going_off
        return bool(self.run.get("person_cuts")) and wanted and self.summary is None and not self.ended

    @property
    def proven_off(self) -> bool:
        """Whether off is proven at the end of the run."""
        return self.summary is not None and bool(self.summary["off"]["proven"])

    @property
    def ramping(self) -> bool:
        """Whether the plan is being walked."""
        return self.seen.live and not self.trip and self.summary is None and not self.course and not self.going_off

    @property
    def going_off(self) -> bool:
        """Whether off was commanded, and the run is not over yet."""
        return self.seen.live and self.summary is None and self.newest.get("state", "live") not in ("live", "armed")

    @property
    def paused(self) -> bool:
        """Whether the ramp stands still because the operator wants it to."""
        return bool(self.newest.get("paused")) and self.ramping

    @property
    def part(self) -> Part:
        """Where in the job it is."""
        if self.summary is not None or self.ended:
            return Part.AFTER
        if not self.seen.live:
            return Part.READY
        phases = {"warm-up": Part.WARM_UP, "soak": Part.SOAK, "after the soak": Part.SOAK, "done": Part.AFTER}
        return phases.get(self.course.get("phase", ""), Part.POWER_UP)

    def silent_s(self, now_s: float) -> float:
        """For how long the engine has said nothing, wall time, while it should; zero else."""
        if not self.may_be_live or self.ended:
            return 0.0
        silent_s = now_s - self.seen.heard_s
        return silent_s if silent_s > 0.5 * SILENT_S else 0.0

    @property
    def warning(self) -> str:
        """What was warned of just now; empty if nothing was."""
        late = [n for n in self.notices if n.kind in ("warn", "link") and self.time_s - n.time_s < WARNED_S]
        return late[-1].text if late else ""

    @property
    def presses_power(self) -> bool:
        """Whether there is a stage of the plan at which the unit's power button is pressed."""
        return any(stage["ends_when"] == "power-pressed" for stage in self.run.get("stages", []))

    @property
    def next_stage(self) -> Mapping[str, Any] | None:
        """The stage that comes after this one; None at the end, or where it is not told."""
        stages = self.run.get("stages", [])
        names = [stage["name"] for stage in stages]
        if self.stage.get("name") not in names:
            return None
        after = names.index(self.stage["name"]) + 1
        found: Mapping[str, Any] | None = stages[after] if after < len(stages) else None
        return found

    def bin_of(self, volts: float) -> int:
        """The part of line voltage that it is in."""
        return max(0, min(BINS - 1, int(volts / (HEADROOM * self.nameplate_v) * BINS)))
