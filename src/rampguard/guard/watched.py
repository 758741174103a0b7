"""The one table of all that is watched: what, its limit, what is done about it, what clears it, who may override it.

Screen, report, docs and tests read this; the limits' numbers are each run's own (`Limits`). A row's ``key`` is what a
finding, a permissive or a trip calls itself.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Final


class Group(StrEnum):
    """When a row counts."""

    BEFORE_POWER = "before power"
    """Must hold before `armed`; a person, or the program, has looked."""
    ALWAYS = "before power, and while live"
    """Must hold before `armed`, and go on holding."""
    LIVE = "while live"


class Override(StrEnum):
    """Who may say that it does not matter."""

    NOBODY = "nobody"
    OPERATOR = "the operator, with a reason"


@dataclass(frozen=True, slots=True)
class Watched:
    """One row. ``warns`` and ``trips`` are what is done, by severity; empty where there is no such severity."""

    key: str
    group: Group
    what: str
    limit: str
    warns: str = ""
    trips: str = ""
    clears: str = "a reset by the operator, with off proven"
    override: Override = Override.NOBODY
    recorded: str = "decision and reason in readings.csv, trip in events.csv"

    @property
    def is_permissive(self) -> bool:
        """Whether it must hold before anything is armed."""
        return self.group is not Group.LIVE


_CUT: Final = "cut; latched"
_NOT_ARMED: Final = "not armed"
_TOLD: Final = "told, recorded"
_OR_BY_SHEET: Final = "confirmed by a person; by the cold sheet where one is given, whatever a person says"


def _person(
    key: str, what: str, limit: str, override: Override = Override.NOBODY, *, clears: str = "confirmed by a person"
) -> Watched:
    """A check that a person makes and confirms."""
    return Watched(
        key,
        Group.BEFORE_POWER,
        what,
        limit,
        trips=_NOT_ARMED,
        clears=clears,
        override=override,
        recorded="how it was confirmed, in datapackage.json; an override with its reason in events.csv",
    )


def _program(key: str, what: str, limit: str, *, live: bool = False) -> Watched:
    """A check that the program makes."""
    return Watched(
        key,
        Group.ALWAYS if live else Group.BEFORE_POWER,
        what,
        limit,
        trips=f"{_NOT_ARMED}; {_CUT}" if live else _NOT_ARMED,
        clears="it holds again; once live, a reset by the operator, with off proven" if live else "it holds",
        recorded="trip in events.csv" if live else "the refusal's reason, with the run's outcome",
    )


def _reading(key: str, what: str, limit: str, *, warns: str = "") -> Watched:
    """A check of the readings, or of what the bench does while live."""
    return Watched(key, Group.LIVE, what, limit, warns=warns, trips=_CUT)


PERSONS: Final = (
    _person("isolation", "isolation transformer and fuse feed the unit", "there"),
    _person("earths", "earthed points of the unit, scopes and computer included", "one at most"),
    _person("emergency-off", "emergency-off and plug", "within reach, not across the unit"),
    _person("knob", "the variac's knob, where a person turns one", "at zero"),
    _person("discharged", "reservoirs when the last clip was moved", "below 2 V, measured"),
    _person("loads", "speakers off, dummy load on a valve amplifier, inputs quiet", "so"),
    _person("clips", "outputs bridged or floating: no clip to earth on either", "so"),
    _person("eyes", "eye protection", "worn"),
    _person("second-person", "someone who knows that you are working", "there", Override.OPERATOR),
    _person("selector", "voltage selector, fuse and power switch of the unit", "right for these mains; on"),
    _person(
        "trimmers",
        "bias of a unit whose idle has to be set",
        "at its least, proven cold; a valve amplifier's negative bias measured first",
        Override.OPERATOR,
    ),
    _person(
        "cold-checks",
        "output devices, rectifiers and emitter resistors of the unpowered unit",
        "measured, none shorted, none odd",
        Override.OPERATOR,
        clears=_OR_BY_SHEET,
    ),
    _person(
        "earth-continuity",
        "protective earth to touchable metal, before power",
        "measured, as local codes ask; a unit without protective earth: overridden, saying so",
        Override.OPERATOR,
        clears=_OR_BY_SHEET,
    ),
    _person(
        "insulation",
        "insulation of mains parts against touchable metal, before power",
        "measured, as local codes ask",
        Override.OPERATOR,
        clears=_OR_BY_SHEET,
    ),
)
"""What a person confirms; the words to ask it with are the cautions'."""

PROGRAMS: Final = (
    _program("proven-off", "the bench before anything else", "every way off commanded; off proven"),
    _program("source", "source output and its own limits", "off, at zero volts, its limits read back"),
    _program("meters", "every meter", "gives a valid reading"),
    _program("line-dead", "line voltage after the cut-off", "below 2 V"),
    _program(
        "watchdog", "the watchdog process and its own path to the cut-off", "proven; answers in 400 ms", live=True
    ),
    _program("screen", "the operator's screen", "heard within 400 ms", live=True),
    _program("engine", "the engine's own turn", "within 400 ms", live=True),
    _program("awake", "the machine", "has not slept", live=True),
    _program("set-point", "the source", "takes its set-point within 0.8 s, its output stays on", live=True),
    _program("capture", "the capture folder", "can be written", live=True),
)
"""What the program looks at itself."""

LIVE: Final = (
    _reading("ceiling", "each reading", "its ceiling", warns=f"{_TOLD}, near it"),
    _reading("stage-current", "emitter-resistor voltage", "its ceiling", warns=f"{_TOLD}, near it"),
    _reading("inrush", "current and power just after power was pressed", "what an inrush explains, and how long"),
    _reading("dc-offset", "DC offset, once rails are up and settled", "its ceiling", warns=f"{_TOLD}, near it"),
    _reading("rail-difference", "the sizes of two rails", "5 V apart"),
    _reading("overshoot", "line voltage against its set-point", "5 % of mains above"),
    _reading("lag", "line voltage against its set-point", "5 % of mains below, for 1 s"),
    _reading("rise", "current and power from one reading to the next, and within a second", "a part of the ceiling"),
    _reading("no-current", "current where some should flow", "told from zero by the class's part of line"),
    _reading(
        "bad-reading",
        "readings that are invalid",
        "two in a row; more where a meter changes range",
        warns=f"{_TOLD}, at one",
    ),
    _reading(
        "stale",
        "the age of a reading",
        "0.5 s for line voltage and current, 2 s for others; longer where a meter is slow, changes range or is typed",
    ),
    _reading("disagreement", "real power against volts times amperes", "5 % above, beyond the meters' bounds"),
    _reading("band", "current and power", "what a healthy unit may draw here", warns=f"{_TOLD}, at one reading"),
    _reading("evidence", "what the readings add up to for a fault", "100,000 to one against a healthy unit"),
    _reading("stage-overdue", "a stage of the plan", "ends within its time"),
    _reading("energise", "contactor and source when switched on", "do as they are told"),
    _reading("stubborn", "every way off, once commanded", "reads back off within 1 s"),
)
"""What is watched while live: the readings, the plan, and what the bench does when told."""

TABLE: Final[tuple[Watched, ...]] = (*PERSONS, *PROGRAMS, *LIVE)

BY_KEY: Final = {row.key: row for row in TABLE}

REQUIRED: Final = tuple(row.key for row in TABLE if row.is_permissive)
"""What must hold before anything is armed, in the order in which it is looked at."""
GO_ON_HOLDING: Final = tuple(row.key for row in TABLE if row.group is Group.ALWAYS)
"""What must go on holding while live."""
