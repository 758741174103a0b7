"""What a job's lists hold: parts, work, checks, cautions, pictures, captures; and what is known of the unit."""

from __future__ import annotations

from typing import Annotated, Final, Literal

from pydantic import Field, field_validator, model_validator

from instruments.strict import NotNegative, Strict
from rampguard.job.texts import Day, Inside, Line, Said
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.ramp.plan import MAINS_FREQUENCIES_HZ

Role = Literal["as-found", "after-repair", "known-good", "hunt", "warm-up", "cold-start", "other"]
"""What a capture is to the job."""
MOST_HOURS_A_DAY: Final = 24.0


class JobUnit(Strict):
    """What is known of the unit. Volts rms and watts as on its nameplate; ``mains_v`` is what it is run on here."""

    title: Line
    serial: Line | None = None
    load_class: Annotated[str, Field(max_length=80)]
    nameplate_w: Annotated[float, Field(gt=0, le=20_000)]
    nameplate_v: Annotated[float, Field(ge=90, le=500)] | None = None
    mains_v: Annotated[float, Field(ge=90, le=260)]
    mains_frequency_hz: float
    channels: Annotated[tuple[Line, ...], Field(max_length=16, strict=False)] = ()
    unit_sheet: Inside | None = None
    """The model's sheet (`rampguard.warmup.sheet`), in the job folder."""

    @field_validator("load_class")
    @classmethod
    def _known_class(cls, name: str) -> str:
        if name not in LOAD_CLASSES:
            raise ValueError(f"there is no such load class; use one of {', '.join(LOAD_CLASSES)}")
        return name

    @field_validator("mains_frequency_hz")
    @classmethod
    def _known_frequency(cls, frequency_hz: float) -> float:
        if frequency_hz not in MAINS_FREQUENCIES_HZ:
            raise ValueError("mains have 50 or 60 Hz; write one of the two")
        return frequency_hz

    @field_validator("channels")
    @classmethod
    def _named_apart(cls, channels: tuple[str, ...]) -> tuple[str, ...]:
        if len(set(channels)) < len(channels):
            raise ValueError("two have one name; each needs its own")
        return channels


class Part(Strict):
    """One part that was replaced."""

    designator: Line
    what: Line
    replaced_with: Line
    origin: Line
    """Where the new part is from: a part of unknown origin is a risk that the record should show."""
    matched_with: Line | None = None
    lot: Line | None = None


class Work(Strict):
    """What was done on one day, and how long it took, hours."""

    date: Day
    what: Said
    hours: Annotated[float, Field(gt=0, le=MOST_HOURS_A_DAY)]


class Quoted(Strict):
    """What the customer was told the job would take."""

    hours: Annotated[float, Field(gt=0, le=1000)]
    price: NotNegative | None = None
    currency: Annotated[str, Field(pattern=r"^[A-Z]{3}$")] | None = None
    """Three letters, as in ISO 4217."""

    @model_validator(mode="after")
    def _price_has_a_currency(self) -> Quoted:
        if (self.price is None) != (self.currency is None):
            raise ValueError("price and currency go together; add the other")
        return self


class MadeCheck(Strict):
    """One check by hand: earth continuity, insulation, touch current, and whatever else was looked at.

    ``not made`` is an answer, and never taken for ``passed``.
    """

    what: Line
    result: Literal["passed", "failed", "not made"]
    value: float | None = None
    unit: Annotated[str, Field(min_length=1, max_length=20)] | None = None
    over_range: bool = False
    """Whether the meter showed more than it can read: ``value`` is then the end of its range."""
    limit: Line | None = None
    """What it is held against, in words: "0.2 ohm at most, by the local code"."""
    by: Line | None = None
    """What it was measured with, or who looked."""
    date: Day | None = None

    @model_validator(mode="after")
    def _holds_together(self) -> MadeCheck:
        if (self.value is None) != (self.unit is None):
            raise ValueError("value and unit go together; add the other, or leave both out")
        if self.over_range and self.value is None:
            raise ValueError("over range of what? Give the end of the range as value, with its unit")
        if self.result == "not made" and self.value is not None:
            raise ValueError("it says not made, but has a value; correct one of them")
        if self.result != "not made" and self.date is None:
            raise ValueError("it was made: add its date")
        return self

    @property
    def reads(self) -> str:
        """What was read, in words; empty where there is no number."""
        if self.value is None:
            return ""
        return f"{'over ' if self.over_range else ''}{self.value:g} {self.unit}"


class PassedOn(Strict):
    """A caution that the customer is told."""

    text: Said


class Picture(Strict):
    """A picture in the job folder, and what it shows for those who do not see it."""

    file: Inside
    says: Said


class KeptCapture(Strict):
    """A capture, and what it is to the job."""

    folder: Inside
    role: Role
    note: Annotated[str, Field(max_length=400)] = ""
