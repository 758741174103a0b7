"""What a cold sheet is made of: the meter, a test point and what its own good part reads, and what was read there."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import Annotated, Final, Literal

from pydantic import Field, PlainValidator, field_validator, model_validator

from instruments.strict import NotNegative, Positive, Strict
from rampguard.cold.parts import OPEN, PARTS, Good, Kind, Part, of_nominal, overridden

OPEN_WORDS: Final = ("open", "over-range")
MOST_DIODE_V: Final = 5.0
"""No meter's diode test shows more."""
MOST_OHM: Final = 1e9


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
