"""The guard over a recorded run. Causal: a row is decided on it and earlier rows alone; the first trip is the result.

A capture replays with the limits it was recorded with (unless others are asked for); a plain table with those of the
load class, nameplate and mains given. What is not given leaves its ceilings unset, and the result says so.
"""

from __future__ import annotations

import sys
import time
import tomllib
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final, TextIO

from rampguard.archive.errors import ArchiveError
from rampguard.archive.table import TableReader
from rampguard.engine.ceilings import limits_for
from rampguard.engine.link import EXIT_DONE, EXIT_TRIPPED
from rampguard.guard.decision import Observation, Severity, Trip
from rampguard.guard.judge import GuardState, TimeRanBackwards, judge
from rampguard.guard.limits import Limits, LimitsError
from rampguard.loads.classes import UnknownLoadClass, load_class
from rampguard.quantities import Accuracy, Quantity, Signal

STANDARD_INPUT: Final = "-"
_DEFAULT_MAINS_V: Final = 230.0
_METER_KEYS: Final = {"v": Quantity.LINE_VOLTAGE, "a": Quantity.LINE_CURRENT, "w": Quantity.REAL_POWER}
_MOST_WARNINGS: Final = 1000
_PROGRESS_EVERY_S: Final = 5.0
"""Long work says how far it is."""


class ReplayRefused(Exception):  # noqa: N818 - what happened
    """The recording cannot be replayed. The text says where it is wrong and what to do."""


@dataclass(frozen=True, slots=True)
class ReplayInput:
    """What the command line gave; None where it gave nothing."""

    load_class: str | None = None
    nameplate_w: float | None = None
    mains_v: float | None = None
    mains_frequency_hz: float | None = None
    meter: str | None = None


@dataclass(frozen=True, slots=True)
class ReplayResult:
    """What the guard made of a recording."""

    file: str
    readings: int
    load_class: str | None
    trip: Trip | None
    warnings: tuple[tuple[float, str], ...]
    not_evaluated: tuple[str, ...]

    @property
    def exit_code(self) -> int:
        """0 passed, 3 tripped."""
        return EXIT_TRIPPED if self.trip else EXIT_DONE

    @property
    def as_message(self) -> dict[str, Any]:
        """The result as the JSON contract has it.

        ``causes`` is empty while no layer of this version ranks causes.
        """
        return {
            "format": 1,
            "outcome": "tripped" if self.trip else "passed",
            "readings": self.readings,
            "load_class": self.load_class,
            "trip": trip_message(self.trip),
            "warnings": [{"time_s": time_s, "reason": reason} for time_s, reason in self.warnings],
            "causes": [],
            "not_evaluated": list(self.not_evaluated),
        }

    @property
    def as_text(self) -> str:
        """The result in a few lines."""
        lines = [f"{self.file}: {self.readings} readings"]
        lines += [f"  warned at {time_s:.2f} s: {reason}" for time_s, reason in self.warnings[:20]]
        if len(self.warnings) > 20:
            lines.append(f"  and {len(self.warnings) - 20} more warnings")
        lines += [f"  not evaluated: {text}" for text in self.not_evaluated]
        if self.trip is None:
            lines.append("  passed: nothing that was evaluated tripped")
        else:
            volts = self.trip.line_voltage_v
            where = "" if volts is None else f", {volts:.4g} V"
            lines.append(f"  TRIPPED at {self.trip.time_s:.2f} s{where} [{self.trip.layer}]: {self.trip.reason}")
        return "\n".join(lines)


def trip_message(trip: Trip | None) -> dict[str, Any] | None:
    """A trip as the JSON contract has it."""
    if trip is None:
        return None
    return {
        "time_s": trip.time_s,
        "line_voltage_v": trip.line_voltage_v,
        "layer": str(trip.layer),
        "reason": trip.reason,
    }


def replay(file: str, given: ReplayInput, notes: Callable[[str], None]) -> ReplayResult:
    """Judge one recording: a capture folder, a CSV file, or ``-``. Raises ReplayRefused."""
    try:
        accuracy = parse_meter(given.meter)
        with _open(file) as stream:
            table = TableReader(stream, name=file, accuracy=accuracy)
            for note in table.notes:
                notes(f"{file}: {note}")
            limits, class_name = _limits(file, given, table.signals, driven=table.has_set_voltage)
            return _judge_all(file, table, limits, class_name, notes)
    except (ArchiveError, LimitsError, UnknownLoadClass, TimeRanBackwards) as error:
        raise ReplayRefused(str(error)) from None
    except OSError as error:
        raise ReplayRefused(f"{file}: cannot be read ({error.strerror}); check the path") from None


def _judge_all(
    file: str, table: TableReader, limits: Limits, class_name: str | None, notes: Callable[[str], None]
) -> ReplayResult:
    state, count = GuardState(), 0
    warnings: list[tuple[float, str]] = []
    unset: dict[str, None] = {}
    last_reason, told_s = "", time.monotonic()
    for row in table:
        count += 1
        if time.monotonic() - told_s > _PROGRESS_EVERY_S:
            told_s = time.monotonic()
            notes(f"{file}: {count} rows so far")
        if state.trip is not None:
            continue  # a file is read, counted and checked to its end, though nothing can change any more
        seen = Observation(row.time_s, row.readings, row.set_voltage_v, row.expected_event)
        state, decision = judge(state, limits, seen)
        if decision.trip is not None and file == STANDARD_INPUT:
            break  # someone is waiting for this
        if decision.severity is Severity.WARN and decision.reason != last_reason and len(warnings) < _MOST_WARNINGS:
            warnings.append((row.time_s, decision.reason))
        last_reason = decision.reason
        unset.update((finding.reason, None) for finding in decision.not_evaluated if "no ceiling" in finding.reason)
    if count == 0:
        raise ReplayRefused(f"{file}: no rows; nothing was judged")
    return ReplayResult(file, count, class_name, state.trip, tuple(warnings), tuple(unset))


def _limits(file: str, given: ReplayInput, signals: tuple[Signal, ...], *, driven: bool) -> tuple[Limits, str | None]:
    folder = Path(file)
    recorded = folder / "limits.toml"
    if file != STANDARD_INPUT and folder.is_dir() and given == ReplayInput(meter=given.meter):
        with recorded.open("rb") as stream:
            return Limits.from_table(tomllib.load(stream)["limits"]), _recorded_class(folder)
    chosen = None if given.load_class is None else load_class(given.load_class)
    limits = limits_for(
        chosen,
        nameplate_w=given.nameplate_w,
        nameplate_v=given.mains_v or _DEFAULT_MAINS_V,
        signals=signals,
        driven=driven,
    )
    return limits, given.load_class


def _recorded_class(folder: Path) -> str | None:
    from rampguard.archive.reader import read_descriptor

    name = read_descriptor(folder).get("load_class")
    return None if name is None else str(name)


@contextmanager
def _open(file: str) -> Iterator[TextIO]:
    if file == STANDARD_INPUT:
        yield sys.stdin
        return
    path = Path(file)
    with (path / "readings.csv" if path.is_dir() else path).open(encoding="utf-8-sig", newline="") as stream:
        yield stream


def parse_meter(text: str | None) -> dict[Quantity, Accuracy]:
    """``v=0.05%+0.01,a=0.1%+0.0005`` as accuracies: per cent of reading plus an absolute part. Raises ReplayRefused."""
    accuracies: dict[Quantity, Accuracy] = {}
    for part in (text or "").split(","):
        if not part.strip():
            continue
        key, _, stated = part.strip().partition("=")
        quantity = _METER_KEYS.get(key)
        percent, plus, absolute = stated.partition("%+")
        try:
            if quantity is None or not plus:
                raise ValueError(part)
            accuracies[quantity] = Accuracy(percent_of_reading=_size(percent), absolute=_size(absolute))
        except ValueError:
            raise ReplayRefused(
                f"--meter: {part.strip()!r} is not understood; write v=, a= or w=, per cent of reading and an"
                " absolute part, such as a=0.1%+0.0005"
            ) from None
    return accuracies


def _size(text: str) -> float:
    value = float(text)
    if not 0.0 <= value < float("inf"):
        raise ValueError(text)
    return value
