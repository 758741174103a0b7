"""The cold sheet: what was measured on an unpowered unit, point by point of each channel, and its mains side. TOML.

::

    format = 1
    model = "shelf amplifier, 2 x 60 W"
    load_class = "linear-amplifier"
    channels = ["left", "right"]

    [meter]
    leads_ohm = 0.15                      # the leads held together

    [points.plus-emitter-resistor]
    part = "emitter-resistor"
    nominal_ohm = 0.22

    [points.plus-base-emitter]
    part = "transistor-junction"
    where = "plus output device, base to emitter"

    [readings.left]
    plus-emitter-resistor = { reads_ohm = 0.37 }
    plus-base-emitter = { reads_v = 0.55, reversed_v = "open" }

    [mains]
    mains_v = 230.0
    earth_continuity_ohm = 0.08

What is not there was not measured. Reading a sheet touches no instrument. All that is wrong with it is told at once.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, field_validator, model_validator

from instruments.strict import Strict, load_strict, parse_strict
from rampguard.cold.mains_sheet import MainsSheet
from rampguard.cold.parts import Kind
from rampguard.cold.point import NOT_TAKEN, ColdMeter, Point, Taken
from rampguard.loads.classes import LOAD_CLASSES

UNIT: Final = "unit"
"""In place of a channel: what the whole unit has once."""
_NAME: Final = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class ColdSheetError(ValueError):
    """A cold sheet that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


class ColdSheet(Strict):
    """One unit's cold sheet."""

    format: Literal[1]
    model: Annotated[str, Field(min_length=1, max_length=120)]
    load_class: str | None = None
    channels: Annotated[tuple[str, ...], Field(min_length=1, max_length=16, strict=False)]
    meter: ColdMeter = ColdMeter()
    points: Annotated[dict[str, Point], Field(max_length=200)] = Field(default_factory=dict)
    readings: dict[str, dict[str, Taken]] = Field(default_factory=dict)
    """By channel, then by point."""
    mains: MainsSheet | None = None
    """Absent: the mains side is not on this sheet, and a person confirms it."""

    @field_validator("load_class")
    @classmethod
    def _known_class(cls, name: str | None) -> str | None:
        if name is not None and name not in LOAD_CLASSES:
            raise ValueError(f"there is no such load class; use one of {', '.join(LOAD_CLASSES)}")
        return name

    @model_validator(mode="after")
    def _fits_together(self) -> ColdSheet:
        problems = [*self._misnamed(), *self._misread()]
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def _misnamed(self) -> Iterator[str]:
        if len(set(self.channels)) < len(self.channels):
            yield "channels: two have one name; each needs its own"
        for name in (*self.channels, *self.points):
            if not _NAME.fullmatch(name):
                yield f"{name!r}: a channel or point is named in lower-case letters, digits and single hyphens"
        if UNIT in self.channels:
            yield f"channels: {UNIT!r} stands for what the unit has once; call the channel something else"

    def _misread(self) -> Iterator[str]:
        for channel, taken in self.readings.items():
            if channel not in self.all_places:
                yield f"readings.{channel}: there is no such channel; there are {', '.join(self.all_places)}"
                continue
            known = {name for name, point in self.points.items() if channel in self.places(point)}
            for name, one in taken.items():
                if name not in known:
                    yield f"readings.{channel}.{name}: there is no such point of such a channel; correct its name"
                elif _other_kind(self.points[name].kind, one):
                    right = "reads_v" if self.points[name].kind is Kind.DIODE else "reads_ohm"
                    yield f"readings.{channel}.{name}: a {self.points[name].part} is read as {right}; correct it"

    @property
    def all_places(self) -> tuple[str, ...]:
        """The channels, and the unit."""
        return (*self.channels, UNIT)

    def places(self, point: Point) -> tuple[str, ...]:
        """Where a point is: every channel, or the unit once."""
        return self.channels if point.of == "channel" else (UNIT,)

    def taken(self, channel: str, point: str) -> Taken:
        """What was read there."""
        return self.readings.get(channel, {}).get(point, NOT_TAKEN)

    def values(self, name: str, *, swapped: bool = False) -> dict[str, float]:
        """What was read of one point, by channel, without the leads; those not taken are not there."""
        kind = self.points[name].kind
        found: dict[str, float] = {}
        for channel in self.places(self.points[name]):
            one = self.taken(channel, name)
            value = one.reversed_v if swapped else one.value(kind)
            if value is not None:
                found[channel] = self.meter.less_leads(value) if kind is Kind.RESISTANCE else value
        return found


def _other_kind(kind: Kind, one: Taken) -> bool:
    if kind is Kind.DIODE:
        return one.reads_ohm is not None
    return one.reads_v is not None or one.reversed_v is not None


def parse_cold_sheet(text: str, origin: str) -> ColdSheet:
    """A cold sheet from its text. Raises ColdSheetError."""
    return parse_strict(text, origin, ColdSheet, ColdSheetError)


def load_cold_sheet(path: Path) -> ColdSheet:
    """Read a cold sheet. Raises ColdSheetError with every problem at once, each naming its key."""
    return load_strict(path, ColdSheet, ColdSheetError)
