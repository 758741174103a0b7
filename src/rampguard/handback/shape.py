"""What a sheet reads of a capture's descriptor, as it must be.

A record that was changed since is told as one that cannot be read: it must not make the sheet say nonsense, or fail.
"""

from __future__ import annotations

from pydantic import BaseModel, ConfigDict


class Shape(BaseModel):
    """Base of what is read: no conversions, no infinities; what is there besides is left alone."""

    model_config = ConfigDict(strict=True, allow_inf_nan=False)


class Trip(Shape):
    """Why it tripped."""

    reason: str
    time_s: float
    layer: str
    line_voltage_v: float | None = None


class Check(Shape):
    """One thing that was checked warm."""

    what: str
    right: bool | None
    text: str
    value: float | None


class Cause(Shape):
    """A cause and how likely it is."""

    cause: str
    probability: float


class Off(Shape):
    """How it ended."""

    proven: bool


class Result(Shape):
    """A run's result."""

    outcome: str
    trip: Trip | None = None
    off: Off | None = None
    causes: list[Cause] = []
    checks: list[Check] = []
    max_line_voltage_v: float | None = None
    max_line_current_a: float | None = None
    full_line_min: float | None = None


class Described(Shape):
    """A capture's descriptor."""

    load_class: str
    clock: str
    result: Result | None = None
    program_version: str
    series_lamp_w: float | None = None
    unplugged: list[str] = []
