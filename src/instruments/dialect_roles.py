"""What a dialect says of each role that an instrument can play but a meter's: source, cut-off, button, and so on."""

from __future__ import annotations

import string
from typing import Annotated, Literal

from pydantic import Field, field_validator, model_validator

from instruments.strict import NotNegative, Positive, Strict, Text


def placeholders(text: str, allowed: set[str]) -> str:
    """The text itself, if it is a template with none but these placeholders. Raises ValueError."""
    try:
        found = {name for _, name, _, _ in string.Formatter().parse(text) if name is not None}
        if found - allowed:
            raise KeyError(f"unknown placeholder {_listed(found - allowed)}")
        text.format(**dict.fromkeys(found, 1.0))
    except (ValueError, KeyError, IndexError) as error:
        raise ValueError(f"{text!r} is no template: {error.args[0]}; placeholders are {_listed(allowed)}") from None
    return text


def _listed(names: set[str]) -> str:
    return ", ".join(f"{{{name}}}" for name in sorted(names)) or "none"


class Setting(Strict):
    """Something set before arming, and how it is proven: the query's number must be the expected one."""

    command: Text
    query: Text
    expect: Text
    tolerance: NotNegative = 0.0

    @field_validator("command", "expect")
    @classmethod
    def _known_placeholders(cls, text: str) -> str:
        return placeholders(text, {"frequency_hz", "current_limit_a", "run_time_limit_s"})


class FrequencyDialect(Strict):
    """How a source is set to another frequency than the mains, and from where to where it can be."""

    command: Text
    query: Text
    lowest_hz: Positive
    highest_hz: Positive
    tolerance_hz: Positive
    """What it reads back may differ by so much from what was set."""

    @model_validator(mode="after")
    def _can_be_set(self) -> FrequencyDialect:
        if "{frequency_hz" not in placeholders(self.command, {"frequency_hz"}):
            raise ValueError(f"{self.command!r} lacks the placeholder {{frequency_hz}}")
        if self.lowest_hz > self.highest_hz:
            raise ValueError(f"lowest_hz = {self.lowest_hz:g} is above highest_hz = {self.highest_hz:g}: swap them")
        return self


class SourceDialect(Strict):
    """What makes it an AC source."""

    max_line_voltage_v: Positive
    max_current_a: Positive | None = None
    """The highest current limit that it can be set to; absent: any."""
    resolution_v: Positive
    settling_s: NotNegative
    set_voltage: Text
    voltage_query: Text
    frequency: FrequencyDialect | None = None
    """Absent: it keeps the frequency that it was armed with."""
    before_arming: Annotated[tuple[Setting, ...], Field(strict=False)] = ()

    @field_validator("set_voltage")
    @classmethod
    def _known_placeholders(cls, text: str) -> str:
        if "line_voltage_v" not in text:
            raise ValueError(f"{text!r} lacks the placeholder {{line_voltage_v}}")
        return placeholders(text, {"line_voltage_v"})

    @model_validator(mode="after")
    def _comes_back_to_mains(self) -> SourceDialect:
        if self.frequency is not None and not any("{frequency_hz" in s.command for s in self.before_arming):
            raise ValueError("where [source.frequency] can change it, before_arming has to set {frequency_hz} anew")
        return self


class SwitchDialect(Strict):
    """What makes it a cut-off: its safe-off, and the query that tells whether it is off."""

    off: Text
    close: Text
    query: Text
    off_reply: Text
    on_reply: Text

    @model_validator(mode="after")
    def _replies_differ(self) -> SwitchDialect:
        if self.off_reply == self.on_reply:
            raise ValueError("off_reply and on_reply are the same, so that nothing could prove it off")
        return self


class ButtonDialect(Strict):
    """What makes it a relay across the unit's power button: how it presses, for how long, and how it lets go."""

    press: Text
    let_go: Text
    held_s: Annotated[float, Field(gt=0, le=2)]


class ColdDialect(Strict):
    """What makes it an ohmmeter and a diode tester for units without power. Each command selects one, autoranging."""

    resistance: Text
    """Two wires."""
    four_wire: Text | None = None
    diode: Text | None = None
    query: Text
    back: Text
    """Puts it back to what it is in the bench file: volts, on its widest range."""


class DigitiserDialect(Strict):
    """What makes it a digitiser: two or more inputs sampled at the same moments, told as blocks of samples.

    Answers to ``block_query`` are definite-length blocks (IEEE 488.2) of all samples taken since the last answer, one
    sample of each input after the other. A sample is ``full_v`` at ``full_code``.
    """

    inputs: Annotated[int, Field(ge=2, le=64)]
    sample: Literal["int16-le", "int16-be", "int32-le", "int32-be", "float32-le", "float32-be"]
    full_code: Positive
    """The code at full range; beyond it an input is over range. 1 where samples are volts of a range of 1 V."""
    full_v: Positive
    """Volts at an input at ``full_code``."""
    rate_hz: Annotated[float, Field(ge=1000, le=10_000_000)]
    set_rate: Text
    """Placeholder {rate_hz}."""
    rate_query: Text
    start: Text
    """Starts sampling, from sample 0 on."""
    stop: Text
    block_query: Text
    position_query: Text
    """The number of the first sample of the block that was told last: what is missing before it was lost."""
    most_samples: Annotated[int, Field(ge=16, le=100_000_000)]
    """A block holds so many samples of each input at most."""
    delay_s: NotNegative
    """The newest sample of an answer may be so old when it arrives."""
    percent_of_reading: NotNegative = 0.0
    percent_of_range: NotNegative = 0.0
    """Accuracy of an input: of reading, and of ``full_v``, its zero and noise included."""

    @field_validator("set_rate")
    @classmethod
    def _rate_placeholder(cls, text: str) -> str:
        if "{rate_hz" not in placeholders(text, {"rate_hz"}):
            raise ValueError(f"{text!r} lacks the placeholder {{rate_hz}}")
        return text
