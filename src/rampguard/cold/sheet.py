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

import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, PlainValidator, ValidationError, field_validator, model_validator

from instruments.dialect import NotNegative, Positive, Strict, explain
from rampguard.cold.mains_sheet import MainsSheet
from rampguard.cold.parts import OPEN, PARTS, Good, Kind, Part, of_nominal, overridden
from rampguard.loads.classes import LOAD_CLASSES

UNIT: Final = "unit"
"""In place of a channel: what the whole unit has once."""
OPEN_WORDS: Final = ("open", "over-range")
MOST_DIODE_V: Final = 5.0
"""No meter's diode test shows more."""
MOST_OHM: Final = 1e9
_NAME: Final = re.compile(r"[a-z0-9]+(?:-[a-z0-9]+)*")


class ColdSheetError(ValueError):
    """A cold sheet that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


def reading(value: object) -> float:
    """A reading as it is written: a number, or open. Raises ValueError, saying what to do."""
    if value in OPEN_WORDS:
        return OPEN
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value):
        raise ValueError(
            'is no reading; write a plain number (the unit is in the key\'s name), or "open" for over range'
        )
    if value < 0:
        raise ValueError("is below zero: something is still charged. Discharge it, measure volts, and read again")
    return float(value)


def _volts(value: object) -> float:
    volts = reading(value)
    if MOST_DIODE_V < volts < OPEN:
        raise ValueError(f"no diode test shows more than {MOST_DIODE_V:g} V; write volts, not millivolts")
    return volts


def _ohms(value: object) -> float:
    ohms = reading(value)
    if MOST_OHM < ohms < OPEN:
        raise ValueError('is more than a meter shows; write ohms, or "open" for over range')
    return ohms


Volts = Annotated[float, PlainValidator(_volts)]
Ohms = Annotated[float, PlainValidator(_ohms)]
Percent = Annotated[float, Field(gt=0, le=100)]


class ColdMeter(Strict):
    """What the readings were taken with: its bounds (+/-), and the leads.

    As they stand they are those of a common handheld (common practice, no source).
    """

    percent_of_reading: NotNegative = 1.0
    absolute_ohm: NotNegative = 0.2
    absolute_v: NotNegative = 0.003
    wires: Literal[2, 4] = 2
    """With four, the leads are not in the reading."""
    leads_ohm: Annotated[float, Field(ge=0, le=20)] | None = None
    """What the leads read, held together; absent: they may be anything up to half an ohm."""

    def bound(self, kind: Kind, value: float) -> float:
        """The +/- bound of a reading, in its own unit; 0 of one that is open."""
        if value == OPEN:
            return 0.0
        absolute = self.absolute_v if kind is Kind.DIODE else self.absolute_ohm + self._leads[1]
        return value * self.percent_of_reading / 100.0 + absolute

    def less_leads(self, ohms: float) -> float:
        """A resistance without the leads."""
        return max(0.0, ohms - self._leads[0])

    @property
    def _leads(self) -> tuple[float, float]:
        if self.wires == 4:
            return 0.0, 0.0
        return (0.25, 0.25) if self.leads_ohm is None else (self.leads_ohm, 0.0)


class Point(Strict):
    """A test point: which kind of part, and what its own good part reads where it differs from its kind's."""

    part: str
    where: Annotated[str, Field(max_length=120)] = ""
    """Where the leads go, red first."""
    of: Literal["channel", "unit"] = "channel"
    """Whether every channel has it, or the unit once."""
    nominal_ohm: Positive | None = None
    tolerance_percent: Percent | None = None
    good_ohm: Annotated[tuple[Ohms, Ohms], Field(strict=False)] | None = None
    good_v: Annotated[tuple[Volts, Volts], Field(strict=False)] | None = None
    reversed_good_v: Annotated[tuple[Volts, Volts], Field(strict=False)] | None = None
    short_below_ohm: NotNegative | None = None
    short_below_v: NotNegative | None = None
    source: Annotated[str, Field(max_length=200)] = ""
    """Where the point's own figures come from."""

    @field_validator("part")
    @classmethod
    def _known_part(cls, name: str) -> str:
        if name not in PARTS:
            raise ValueError(f"there is no such part; use one of {', '.join(PARTS)}")
        return name

    @model_validator(mode="after")
    def _fits_its_part(self) -> Point:
        part = PARTS.get(self.part)
        if part is None:
            return self
        problems = [*self._of_the_other_kind(part), *self._unsaid(part), *self._upside_down()]
        if problems:
            raise ValueError("; ".join(problems))
        return self

    def _of_the_other_kind(self, part: Part) -> Iterator[str]:
        wrong = ("good_v", "reversed_good_v", "short_below_v") if part.kind is Kind.RESISTANCE else _OHM_KEYS
        for key in wrong:
            if getattr(self, key) is not None:
                yield f"{key} says nothing of a {part.name}, which is read by {part.kind}; remove it"

    def _unsaid(self, part: Part) -> Iterator[str]:
        if part.good is None and (self.nominal_ohm is None) == (self.good_ohm is None):
            yield f"of a {part.name} give one of nominal_ohm and good_ohm = [least, most]"
        if part.good is not None and (self.nominal_ohm or self.tolerance_percent):
            yield f"a {part.name} has no nominal_ohm and no tolerance_percent; give its range of good readings"

    def _upside_down(self) -> Iterator[str]:
        for key in ("good_ohm", "good_v", "reversed_good_v"):
            span = getattr(self, key)
            if span is not None and span[0] >= span[1]:
                yield f"{key}: the least comes first, the most second"

    @property
    def kind(self) -> Kind:
        """What the meter is set to."""
        return PARTS[self.part].kind

    @property
    def good(self) -> Good:
        """What a good one reads: volts of a diode test, or ohms."""
        part = PARTS[self.part]
        tolerance = part.tolerance if self.tolerance_percent is None else self.tolerance_percent / 100.0
        span = self.good_v if self.kind is Kind.DIODE else self.good_ohm
        own = part.good or of_nominal(self.nominal_ohm or _middle(span), tolerance)
        return overridden(own, span, self.short_below_v if self.kind is Kind.DIODE else self.short_below_ohm)

    @property
    def reversed_good(self) -> Good | None:
        """The same with the leads swapped; None where that tells nothing."""
        other = PARTS[self.part].reversed
        return None if other is None else overridden(other, self.reversed_good_v, self.short_below_v)


_OHM_KEYS: Final = ("good_ohm", "nominal_ohm", "tolerance_percent", "short_below_ohm")


def _middle(span: tuple[float, float] | None) -> float:
    return 0.0 if span is None else 0.5 * (span[0] + min(span[1], MOST_OHM))


class Taken(Strict):
    """What was read at one point of one channel; None: it was not."""

    reads_ohm: Ohms | None = None
    reads_v: Volts | None = None
    reversed_v: Volts | None = None
    """With the leads swapped."""

    def value(self, kind: Kind) -> float | None:
        """The reading, in the kind's unit."""
        return self.reads_v if kind is Kind.DIODE else self.reads_ohm


NOT_TAKEN: Final = Taken()


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
    try:
        return ColdSheet.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise ColdSheetError(origin, [f"is not TOML: {error}"]) from None
    except ValidationError as error:
        raise ColdSheetError(origin, [line for text in explain(error) for line in text.splitlines()]) from None


def load_cold_sheet(path: Path) -> ColdSheet:
    """Read a cold sheet. Raises ColdSheetError with every problem at once, each naming its key."""
    try:
        text = path.read_text(encoding="utf-8")
    except OSError as error:
        raise ColdSheetError(str(path), [f"cannot be read ({error.strerror}); check the path"]) from None
    except UnicodeDecodeError as error:
        raise ColdSheetError(str(path), [f"is not TOML: {error}"]) from None
    return parse_cold_sheet(text, str(path))
