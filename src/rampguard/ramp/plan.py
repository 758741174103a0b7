"""A plan: the stages by which line voltage comes up, as a TOML file or the default for a load class and mains.

::

    format = 1
    title = "linear-amplifier at 230 V"

    [mains]
    voltage_v = 230.0
    frequency_hz = 50.0

    [[stages]]
    name = "probe"
    line_voltage_v = 6.9     # where this stage goes, rms
    slew_v_per_s = 4.6       # how fast, at most
    hold_s = 2.0             # how long it stays at least
    timeout_s = 20.0         # how long it may take to end, from arriving there
    ends_when = "current-steady"   # or "held", or "power-pressed"
"""

from __future__ import annotations

import tomllib
from pathlib import Path
from typing import Annotated, Literal

import tomli_w
from pydantic import BaseModel, ConfigDict, Field, ValidationError, field_validator, model_validator

MAINS_VOLTAGES_V = (100.0, 120.0, 230.0)
"""Nominal mains voltages with default plans (IEC 60038: 230 V and 120 V; Japan's 100 V, from memory)."""
MAINS_FREQUENCIES_HZ = (50.0, 60.0)
MAINS_TOLERANCE = 0.10
"""230 V +/-10 % since 2003 (IEC 60038, as quoted by IEE Regulations App. 2: 207-253 V); used for all mains."""
FIRST_STAGE_MOST_FRACTION = 0.10
"""The probing step goes no higher than this part of line voltage."""
STEP_MOST_FRACTION = 0.25
"""No later stage rises by more than this part of line voltage."""
SLEW_MOST_FRACTION_PER_S = 0.20
"""No slew is faster than this part of line voltage a second."""


class PlanError(ValueError):
    """A plan that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


class _Strict(BaseModel):
    model_config = ConfigDict(strict=True, extra="forbid", frozen=True, allow_inf_nan=False)


Positive = Annotated[float, Field(gt=0)]


class Mains(_Strict):
    """Nominal mains."""

    voltage_v: Annotated[float, Field(ge=90, le=260)]
    frequency_hz: float

    @field_validator("frequency_hz")
    @classmethod
    def _known_frequency(cls, frequency_hz: float) -> float:
        if frequency_hz not in MAINS_FREQUENCIES_HZ:
            raise ValueError(f"{frequency_hz:g} Hz is neither 50 nor 60 Hz")
        return frequency_hz


class Stage(_Strict):
    """One step of a ramp: go there, stay, and end when told."""

    name: Annotated[str, Field(min_length=1, max_length=40)]
    line_voltage_v: Annotated[float, Field(ge=0)]
    slew_v_per_s: Positive
    hold_s: Annotated[float, Field(ge=0)]
    timeout_s: Positive
    ends_when: Literal["held", "current-steady", "power-pressed"] = "current-steady"

    @model_validator(mode="after")
    def _timeout_after_hold(self) -> Stage:
        if self.timeout_s <= self.hold_s:
            raise ValueError(f"timeout_s = {self.timeout_s} must be longer than hold_s = {self.hold_s}")
        return self


class Plan(_Strict):
    """A whole ramp."""

    format: Literal[1]
    title: str
    mains: Mains
    stages: Annotated[tuple[Stage, ...], Field(strict=False)]

    @field_validator("stages")
    @classmethod
    def _some_stage(cls, stages: tuple[Stage, ...]) -> tuple[Stage, ...]:
        if not stages:
            raise ValueError("a plan needs at least one stage")
        return stages

    @property
    def highest_v(self) -> float:
        """The highest line voltage of any stage, rms."""
        return max(stage.line_voltage_v for stage in self.stages)

    def as_toml(self) -> str:
        """The plan as a plan file."""
        return tomli_w.dumps(self.model_dump())


def load_plan(path: Path) -> Plan:
    """Read a plan file. Raises PlanError with every problem at once, each naming its key."""
    try:
        table = tomllib.loads(path.read_text(encoding="utf-8"))
    except OSError as error:
        raise PlanError(str(path), [f"cannot be read ({error.strerror}); check the path"]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise PlanError(str(path), [f"is not TOML: {error}"]) from None
    try:
        return Plan.model_validate(table)
    except ValidationError as error:
        raise PlanError(str(path), [_explain(problem) for problem in error.errors()]) from None


def _explain(problem: object) -> str:
    assert isinstance(problem, dict)  # noqa: S101 - pydantic's own type, for the checker
    where = ".".join(str(part + 1) if isinstance(part, int) else str(part) for part in problem["loc"])
    if problem["type"] == "extra_forbidden":
        return f"{where}: unknown key; remove it or correct its spelling"
    if problem["type"] == "missing":
        return f"{where}: missing; add it"
    if problem["type"] == "float_type":
        return f"{where}: {problem['input']!r} is not a number; write a plain number, the unit is in the key"
    said = str(problem["msg"]).removeprefix("Value error, ")
    return f"{where}: {said}" if isinstance(problem["input"], dict) else f"{where}: {said} (found {problem['input']!r})"


def check_plan(
    plan: Plan,
    *,
    mains_v: float,
    frequency_hz: float,
    nameplate_v: float,
    selector_v: float,
    direct: bool = False,
) -> None:
    """Refuse a plan that does not fit the mains and the unit, or that hurries, unless it is a ``direct`` switch-on.

    All in volts rms and hertz. Raises PlanError with every problem at once.
    """
    problems = [
        *_mains_problems(plan, mains_v, frequency_hz, nameplate_v, selector_v),
        *_height_problems(plan, nameplate_v),
        *(() if direct else _hurry_problems(plan, mains_v)),
    ]
    if problems:
        raise PlanError(f"plan {plan.title!r}", problems)


def same_mains(a_v: float, b_v: float) -> bool:
    """Whether two nominal voltages are the same mains: 220 to 240 V are, 100 and 120 V are not."""
    return abs(a_v - b_v) <= MAINS_TOLERANCE * max(a_v, b_v)


def _mains_problems(
    plan: Plan, mains_v: float, frequency_hz: float, nameplate_v: float, selector_v: float
) -> list[str]:
    problems = []
    if not same_mains(mains_v, nameplate_v):
        problems.append(
            f"the bench's mains are {mains_v:g} V but the nameplate says {nameplate_v:g} V;"
            " use a bench of the unit's voltage"
        )
    if not same_mains(mains_v, selector_v):
        problems.append(
            f"the unit's voltage selector stands at {selector_v:g} V but the bench's mains are {mains_v:g} V;"
            " set the selector (unit unplugged) and correct selector_v"
        )
    if not same_mains(plan.mains.voltage_v, mains_v):
        problems.append(f"it is for {plan.mains.voltage_v:g} V mains, the bench has {mains_v:g} V; use another plan")
    if plan.mains.frequency_hz != frequency_hz:
        problems.append(
            f"it is for {plan.mains.frequency_hz:g} Hz, the bench has {frequency_hz:g} Hz; use another plan"
        )
    return problems


def _height_problems(plan: Plan, nameplate_v: float) -> list[str]:
    most_v = nameplate_v * (1.0 + MAINS_TOLERANCE)
    return [
        f"stage {stage.name!r} goes to {stage.line_voltage_v:g} V, above the nameplate's {nameplate_v:g} V plus"
        f" {MAINS_TOLERANCE:.0%} ({most_v:g} V); lower line_voltage_v"
        for stage in plan.stages
        if stage.line_voltage_v > most_v
    ]


def _hurry_problems(plan: Plan, mains_v: float) -> list[str]:
    problems = []
    previous_v = 0.0
    for number, stage in enumerate(plan.stages):
        most = FIRST_STAGE_MOST_FRACTION if number == 0 else STEP_MOST_FRACTION
        if stage.line_voltage_v - previous_v > most * mains_v * (1 + 1e-9):
            problems.append(
                f"stage {stage.name!r} jumps from {previous_v:g} V to {stage.line_voltage_v:g} V, more than"
                f" {most:.0%} of line ({most * mains_v:g} V); put stages in between"
            )
        if stage.slew_v_per_s > SLEW_MOST_FRACTION_PER_S * mains_v:
            problems.append(
                f"stage {stage.name!r}: slew_v_per_s = {stage.slew_v_per_s:g} is faster than"
                f" {SLEW_MOST_FRACTION_PER_S:.0%} of line a second ({SLEW_MOST_FRACTION_PER_S * mains_v:g} V/s);"
                " slow it down"
            )
        previous_v = stage.line_voltage_v
    return problems
