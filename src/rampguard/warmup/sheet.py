"""The unit sheet: what a model's channels, idle, offset and rails should be. A TOML file, kept for the model.

::

    format = 1
    model = "shelf amplifier, 2 x 60 W"
    load_class = "linear-amplifier"
    channels = ["left", "right"]

    [idle]
    resistor_ohm = 0.22
    resistors_between_test_points = 2     # the trap: one, or two
    pairs = 1                             # output pairs of a channel
    target_v = 0.0132                     # across the test points; or target_a, a device
    tolerance_percent = 15.0
    first_setting_min = 5.0
    final_check_min = 30.0

    [offset]
    limit_v = 0.05

    [rails]
    plus_v = 45.0
    minus_v = -45.0
    tolerance_percent = 10.0

    [soak]
    minutes = 60.0

Reading one touches no instrument. Everything that can be wrong with it is told at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from instruments.strict import Positive, Strict, load_strict
from rampguard.quantities import BEHIND_RELAY, Quantity, Signal
from rampguard.warmup.drive import Drive, drive_of, peak_v
from rampguard.warmup.idle import Span, volts_for


class SheetError(ValueError):
    """A unit sheet that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


Percent = Annotated[float, Field(gt=0, le=100)]


class IdleTarget(Strict):
    """How the idle is read, and what it should be: one of ``target_v`` (across the test points) and ``target_a``."""

    resistor_ohm: Annotated[float, Field(gt=0, le=1000)]
    resistor_tolerance_percent: Percent = 5.0
    resistors_between_test_points: Literal[1, 2]
    pairs: Annotated[int, Field(ge=1, le=12)] = 1
    target_v: Positive | None = None
    target_a: Positive | None = None
    tolerance_percent: Percent
    first_setting_min: Positive = 5.0
    """Minutes from full line to the first setting: 4 to 6, common practice."""
    final_check_min: Positive = 30.0
    """Minutes until it is checked warm, lid on: half an hour or more, common practice."""
    longest_min: Positive = 120.0
    """Minutes after which a warm-up that has not settled is no longer waited for."""

    @model_validator(mode="after")
    def _one_target(self) -> IdleTarget:
        if (self.target_v is None) == (self.target_a is None):
            raise ValueError("give one of target_v (across the test points) and target_a (of one device)")
        if self.final_check_min <= self.first_setting_min:
            raise ValueError("final_check_min comes after first_setting_min")
        if self.longest_min < self.final_check_min:
            raise ValueError("longest_min is no less than final_check_min")
        return self

    @property
    def span(self) -> Span:
        """What lies between the test points."""
        return Span(
            resistor_ohm=self.resistor_ohm,
            resistors=self.resistors_between_test_points,
            tolerance=self.resistor_tolerance_percent / 100.0,
        )

    @property
    def volts(self) -> float:
        """The target across the test points, V."""
        return self.target_v if self.target_v is not None else volts_for(self.target_a or 0.0, self.span)

    @property
    def tolerance_v(self) -> float:
        """How far from it is still right, V."""
        return self.volts * self.tolerance_percent / 100.0


class OffsetLimit(Strict):
    """DC at the output, ahead of the speaker relay and after it, at most, V."""

    limit_v: Positive = 0.05


class Rails(Strict):
    """Rail voltages at full line and idle, V. ``minus_v`` is below zero; absent: a single rail."""

    plus_v: Positive
    minus_v: Annotated[float, Field(lt=0)] | None = None
    tolerance_percent: Percent = 10.0

    @property
    def across_v(self) -> float:
        """From rail to rail."""
        return self.plus_v - (self.minus_v or 0.0)


class Soak(Strict):
    """How long the unit is left on once it is warm; somebody stays with it."""

    minutes: Annotated[float, Field(ge=0, le=24 * 60)] = 60.0
    power: Literal["idle", "one-eighth"] = "idle"
    """Idling, or driven at one eighth of rated power into its loads (16 CFR 432.3)."""
    rated_output_w: Positive | None = None
    """Of a channel, all driven."""
    load_ohm: Positive | None = None

    @model_validator(mode="after")
    def _rating_known(self) -> Soak:
        if self.power == "one-eighth" and (self.rated_output_w is None or self.load_ohm is None):
            raise ValueError("one eighth of what? Give rated_output_w of a channel, and load_ohm")
        return self


class UnitSheet(Strict):
    """One model's sheet."""

    format: Literal[1]
    model: Annotated[str, Field(min_length=1, max_length=120)]
    load_class: Annotated[str, Field(min_length=1)]
    channels: Annotated[tuple[str, ...], Field(min_length=1, max_length=16, strict=False)]
    idle: IdleTarget
    offset: OffsetLimit = OffsetLimit()
    rails: Rails
    soak: Soak = Soak()
    trimmers: Literal["bias", "none"] = "bias"
    """What sets the idle: a trimmer a channel, or nothing (it sets itself)."""

    @property
    def drive(self) -> Drive | None:
        """What every channel is driven with in the soak; None: nothing."""
        soak, idle = self.soak, self.idle
        if soak.power == "idle" or soak.rated_output_w is None or soak.load_ohm is None:
            return None
        current_a = idle.volts / idle.span.ohm
        return drive_of(
            rated_w=soak.rated_output_w,
            load_ohm=soak.load_ohm,
            channels=len(self.channels),
            across_v=self.rails.across_v,
            idle_w=len(self.channels) * idle.pairs * current_a * self.rails.across_v,
            idle_v=idle.volts,
            point_ohm=idle.span.ohm / idle.pairs,
        )

    def without_soak(self) -> UnitSheet:
        """The same, and no soak."""
        return self.model_copy(update={"soak": Soak(minutes=0.0)})

    @model_validator(mode="after")
    def _rails_carry_the_rating(self) -> UnitSheet:
        soak = self.soak
        if soak.rated_output_w is not None and soak.load_ohm is not None:
            peak, most_v = peak_v(soak.rated_output_w, soak.load_ohm), 0.5 * self.rails.across_v
            if peak > most_v:
                raise ValueError(
                    f"soak: {soak.rated_output_w:g} W into {soak.load_ohm:g} ohm needs {peak:.3g} V peak, more than"
                    f" half of the {self.rails.across_v:g} V from rail to rail; correct one of them"
                )
        return self

    @model_validator(mode="after")
    def _channels_are_signals(self) -> UnitSheet:
        if len(set(self.channels)) < len(self.channels):
            raise ValueError("channels: two have one name; each needs its own")
        for channel in self.channels:
            Signal(Quantity.EMITTER_RESISTOR, channel)
            if channel.endswith(BEHIND_RELAY):
                raise ValueError(f"channels: {channel}: {BEHIND_RELAY} is what is behind a channel's speaker relay")
        return self


def load_sheet(path: Path) -> UnitSheet:
    """Read a unit sheet. Raises SheetError with every problem at once, each naming its key."""
    return load_strict(path, UnitSheet, SheetError)
