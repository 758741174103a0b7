"""The guard over a recorded run. Causal: a row is decided on it and earlier rows alone; the first trip is the result.

A capture replays with the limits it was recorded with (unless others are asked for); a plain table with those of the
load class, nameplate and mains given. What is not given leaves its ceilings unset, and the result says so.
"""

from __future__ import annotations

import sys
import time
import tomllib
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any, Final

from rampguard.archive.descriptor import READINGS_NAME
from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import read_descriptor, whole_lines
from rampguard.archive.rows import Row
from rampguard.archive.table import Lines, TableReader
from rampguard.cause_story import cause_lines
from rampguard.engine.ceilings import limits_for
from rampguard.engine.expecting import OVERRAN, Expecting, Sights
from rampguard.engine.link import EXIT_DONE, EXIT_TRIPPED
from rampguard.engine.press_inferred import PressInferred
from rampguard.engine.resting import basis_for
from rampguard.guard.decision import Decision, Observation, Severity, Trip
from rampguard.guard.evidence import causes_message, ranked, wave_message
from rampguard.guard.interlock import OFF_COMMANDED, State
from rampguard.guard.judge import GuardState, TimeRanBackwards, judge, judge_expected
from rampguard.guard.limits import Limits, LimitsError
from rampguard.loads.basis import Basis, FactError
from rampguard.loads.classes import LoadClass, UnknownLoadClass, load_class
from rampguard.quantities import LINE_WINDOW_S, Accuracy, Quantity, Signal

STANDARD_INPUT: Final = "-"
LIMITS_NAME: Final = "limits.toml"
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
    facts: Mapping[str, float] | None = None
    series_lamp_w: float | None = None
    known_good: Sequence[str] | None = None
    learnt: str | None = None


@dataclass(frozen=True, slots=True)
class ReplayResult:
    """What the guard made of a recording."""

    file: str
    readings: int
    load_class: str | None
    trip: Trip | None
    warnings: tuple[tuple[float, str], ...]
    not_evaluated: tuple[str, ...]
    causes: tuple[tuple[str, float], ...] = ()
    wave: Mapping[str, Any] | None = None
    """The newest shape of the current's wave, if a meter told it."""
    """Causes and their probabilities, best first."""

    @property
    def exit_code(self) -> int:
        """0 passed, 3 tripped."""
        return EXIT_TRIPPED if self.trip else EXIT_DONE

    @property
    def as_message(self) -> dict[str, Any]:
        """The result as the JSON contract has it."""
        return {
            "format": 1,
            "outcome": "tripped" if self.trip else "passed",
            "readings": self.readings,
            "load_class": self.load_class,
            "trip": trip_message(self.trip),
            "warnings": [{"time_s": time_s, "reason": reason} for time_s, reason in self.warnings],
            "causes": causes_message(self.causes),
            "not_evaluated": list(self.not_evaluated),
            **({} if self.wave is None else {"wave": dict(self.wave)}),
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
        lines += [f"  {line}" for line in cause_lines(self.causes, tripped=self.trip is not None, wave=self.wave)]
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
            basis = _basis(file, given)
            if basis is not None and basis.rests_on:
                notes(f"{file}: band: {basis.rests_on}")
            chosen = None if class_name is None else load_class(class_name)
            judged = _judge_all(file, table, Judging(limits, chosen, basis), notes)
        return _with_its_own_trip(judged) if judged.trip is None and _as_recorded(file, given) else judged
    except (ArchiveError, FactError, LimitsError, UnknownLoadClass, TimeRanBackwards) as error:
        raise ReplayRefused(str(error)) from None
    except OSError as error:
        raise ReplayRefused(f"{file}: cannot be read ({error.strerror}); check the path") from None


@dataclass(frozen=True, slots=True)
class Judging:
    """What a recording is judged by."""

    limits: Limits
    load_class: LoadClass | None
    basis: Basis | None


class _RowJudge:
    """Judges rows one after the other: layer 1, then layer 2 at the moments at which the band was, or can be, asked."""

    def __init__(self, by: Judging, table: TableReader) -> None:
        self._limits = by.limits
        self._expecting = None if by.basis is None else Expecting(by.basis)
        self._sights = Sights(by.limits.line_window_s)
        self._presses = PressInferred(by.load_class, by.basis, told=table.keeps_events)
        self._as_recorded = table.keeps_band
        self._is_off = False

    def __call__(self, state: GuardState, row: Row) -> tuple[GuardState, Decision]:
        event = row.expected_event or self._presses.event(row)
        seen = Observation(row.time_s, row.readings, row.set_voltage_v, event, is_off=self._is_off)
        self._is_off = row.state in OFF_COMMANDED
        state, decision = judge(state, self._limits, seen)
        # As it was then: before and after the run was live nothing was looked at.
        looked_at = not self._as_recorded or row.expectation is not None or row.state == State.LIVE
        now = self._sights.of(seen, tripped=decision.trip is not None) if looked_at else None
        if self._expecting is None or now is None or (self._as_recorded and row.expectation is None):
            return state, decision
        expectation = self._expecting.expect(now)
        if row.expectation is not None and row.expectation.why_not == OVERRAN:
            expectation = row.expectation
        return judge_expected(state, decision, self._limits, now.observation, expectation)


def _with_its_own_trip(judged: ReplayResult) -> ReplayResult:
    """A run may have been tripped for what no reading alone shows: a lost link, an idle that the watch called."""
    own = (read_descriptor(Path(judged.file)).get("result") or {}).get("trip")
    if not own:
        return judged
    said = f"what the run itself was tripped for, at {own['time_s']:.2f} s: {own['reason']}"
    return replace(judged, not_evaluated=(*judged.not_evaluated, said))


def _judge_all(file: str, table: TableReader, by: Judging, notes: Callable[[str], None]) -> ReplayResult:
    state, count = GuardState(), 0
    warnings: list[tuple[float, str]] = []
    unset: dict[str, None] = {}
    judge_row = _RowJudge(by, table)
    if by.basis is None:
        unset["the expected band: load class and nameplate are not both given"] = None
    last_reason, told_s = "", time.monotonic()
    for row in table:
        count += 1
        if time.monotonic() - told_s > _PROGRESS_EVERY_S:
            told_s = time.monotonic()
            notes(f"{file}: {count} rows so far")
        if state.trip is not None:
            continue  # a file is read, counted and checked to its end, though nothing can change any more
        state, decision = judge_row(state, row)
        if decision.trip is not None and file == STANDARD_INPUT:
            break  # someone is waiting for this
        if decision.severity is Severity.WARN and decision.reason != last_reason and len(warnings) < _MOST_WARNINGS:
            warnings.append((row.time_s, decision.reason))
        last_reason = decision.reason
        unset.update((finding.reason, None) for finding in decision.not_evaluated if "no ceiling" in finding.reason)
    if count == 0:
        raise ReplayRefused(f"{file}: no rows; nothing was judged")
    name = None if by.load_class is None else by.load_class.name
    causes = ranked(state.evidence, state.trip)
    return ReplayResult(
        file, count, name, state.trip, tuple(warnings), tuple(unset), causes, wave_message(state.evidence)
    )


def _as_recorded(file: str, given: ReplayInput) -> bool:
    """Whether it is a capture, and nothing is given that says to judge it by anything else than it was."""
    return file != STANDARD_INPUT and Path(file).is_dir() and given == ReplayInput(meter=given.meter)


def _basis(file: str, given: ReplayInput) -> Basis | None:
    """What the band rests on: as recorded, or as given; None where class or nameplate is not known."""
    if _as_recorded(file, given):
        return _recorded_basis(Path(file))
    if given.load_class is None or given.nameplate_w is None:
        if given.facts or given.series_lamp_w or given.known_good or given.learnt:
            raise ReplayRefused(
                "--facts, --series-lamp-w, --known-good and --learnt need --load-class and --nameplate-w, too"
            )
        return None
    return basis_for(
        given.load_class,
        nameplate_v=given.mains_v or _DEFAULT_MAINS_V,
        nameplate_w=given.nameplate_w,
        facts=given.facts or {},
        series_lamp_w=given.series_lamp_w,
        known_good=given.known_good,
        learnt=given.learnt,
    )


def _recorded_basis(folder: Path) -> Basis | None:
    found = read_descriptor(folder)
    try:
        lamp_w = found.get("series_lamp_w")
        return Basis(
            load_class=load_class(str(found["load_class"])).name,
            nameplate_v=float(found["nameplate_v"]),
            nameplate_w=float(found["nameplate_w"]),
            narrowed={name: (float(low), float(high)) for name, (low, high) in found.get("narrowed", {}).items()},
            series_lamp_w=None if lamp_w is None else float(lamp_w),
        )
    except (KeyError, TypeError, ValueError):
        return None


def _limits(file: str, given: ReplayInput, signals: tuple[Signal, ...], *, driven: bool) -> tuple[Limits, str | None]:
    if _as_recorded(file, given):
        folder = Path(file)
        with (folder / LIMITS_NAME).open("rb") as stream:
            return Limits.from_table(tomllib.load(stream)["limits"]), _recorded_class(folder)
    chosen = None if given.load_class is None else load_class(given.load_class)
    limits = limits_for(
        chosen,
        nameplate_w=given.nameplate_w,
        nameplate_v=given.mains_v or _DEFAULT_MAINS_V,
        signals=signals,
        driven=driven,
        line_window_s=_recorded_window_s(file),
    )
    return limits, given.load_class


def _recorded_window_s(file: str) -> float:
    """What one reading of the line averages: whatever a capture is judged by, its meter stays the same."""
    path = Path(file) / LIMITS_NAME
    if file == STANDARD_INPUT or not path.is_file():
        return LINE_WINDOW_S
    with path.open("rb") as stream:
        return Limits.from_table(tomllib.load(stream)["limits"]).line_window_s


def _recorded_class(folder: Path) -> str | None:
    name = read_descriptor(folder).get("load_class")
    return None if name is None else str(name)


@contextmanager
def _open(file: str) -> Iterator[Lines]:
    path = Path(file)
    if file == STANDARD_INPUT:
        yield sys.stdin
    elif path.is_dir():  # of a capture that was cut short, its whole lines
        with whole_lines(path / READINGS_NAME) as lines:
            yield lines
    else:
        with path.open(encoding="utf-8-sig", newline="") as stream:
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
