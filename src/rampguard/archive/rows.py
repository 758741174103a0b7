"""A row of readings.csv, an event of events.csv, and how both are written as text.

A row holds all that the guard was given at one moment (time, set-point, readings, expected event) and what was made of
it (stage, state, decision, reason). Numbers are written so that they read back bit for bit.

``reading_faults`` holds ``column:validity`` for each reading that was no value (``line_current_a:over-range``), and
``reading_bounds`` holds ``column:bound`` for each whose meter states an accuracy: what the guard was told, it is told
again in a replay. The band's columns keep what was expected, as it was then; ``evidence`` holds ``cause:log-odds`` for
each fault that the readings spoke for.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Final

from rampguard.quantities import Bounds, Expectation, Reading, Signal, Validity

INPUT_COLUMNS: Final = ("time_s", "set_voltage_v")
BAND_NUMBERS: Final = (
    *("expected_current_low_a", "expected_current_high_a", "expected_power_low_w", "expected_power_high_w"),
    *("event_j", "event_budget_j", "band_fit", "band_excess"),
)
OUTPUT_COLUMNS: Final = (
    *("reading_faults", "reading_bounds", "expected_event"),
    *BAND_NUMBERS,
    "band_not_evaluated",
    "evidence",
    *("stage", "state", "decision", "reason"),
)
EVENT_COLUMNS: Final = ("time_s", "wall_time", "kind", "text")


@dataclass(frozen=True, slots=True)
class Row:
    """One observation and its decision. ``time_s`` is bench time since the run began; voltages rms."""

    time_s: float
    set_voltage_v: float | None = None
    readings: tuple[Reading, ...] = ()
    expected_event: str = ""
    expectation: Expectation | None = None
    """What was expected of the readings; None where nothing was asked."""
    band_excess: float = 0.0
    """Excess over the band, 0 to 1, after this row."""
    evidence: Mapping[str, float] = field(default_factory=dict)
    """Log-odds of each fault against a healthy unit, summed up, after this row."""
    stage: str = ""
    state: str = ""
    decision: str = ""
    reason: str = ""


@dataclass(frozen=True, slots=True)
class CaptureEvent:
    """Something that happened: bench time, wall time (ISO 8601, UTC), a kind, and words."""

    time_s: float
    wall_time: str
    kind: str
    text: str


def columns(signals: Sequence[Signal]) -> list[str]:
    """The columns of readings.csv for these signals."""
    return [*INPUT_COLUMNS, *(signal.column for signal in signals), *OUTPUT_COLUMNS]


def as_cells(row: Row, signals: Sequence[Signal]) -> list[str]:
    """A row as the cells of readings.csv; blank where there is no value. A signal not in ``signals`` has no cell."""
    readings = {reading.signal: reading for reading in row.readings}
    kept = [readings[signal] for signal in signals if signal in readings]
    faults = (f"{r.signal.column}:{r.validity}" for r in kept if r.validity is not Validity.VALID)
    bounds = (f"{r.signal.column}:{float(r.bound)!r}" for r in kept if r.bound)
    return [
        repr(float(row.time_s)),
        number(row.set_voltage_v),
        *(number(readings[signal].value) if signal in readings else "" for signal in signals),
        " ".join(faults),
        " ".join(bounds),
        one_line(row.expected_event),
        *_band_cells(row),
        " ".join(f"{cause}:{number(value)}" for cause, value in row.evidence.items() if value > 0.0),
        *map(one_line, (row.stage, row.state, row.decision, row.reason)),
    ]


def _band_cells(row: Row) -> list[str]:
    """The band as it was: blank where it was not asked."""
    e = row.expectation
    if e is None:
        return [""] * (len(BAND_NUMBERS) + 1)
    sides = (side for bounds in (e.current_a, e.power_w) for side in _sides(bounds))
    in_event = e.event_budget_j is not None
    numbers = (*sides, e.event_j if in_event else None, e.event_budget_j, e.fit, row.band_excess)
    return [*map(number, numbers), one_line(e.why_not)]


def _sides(bounds: Bounds | None) -> tuple[float | None, float | None]:
    return (None, None) if bounds is None else (bounds.low, bounds.high)


def event_cells(event: CaptureEvent) -> list[str]:
    """An event as the cells of events.csv."""
    return [repr(float(event.time_s)), event.wall_time, one_line(event.kind), one_line(event.text)]


def number(value: float | None) -> str:
    """A number so that it reads back bit for bit; blank for none."""
    return "" if value is None else repr(float(value))


def one_line(text: str) -> str:
    """Text without line breaks or control characters: a torn last line must stay the only torn line."""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())
