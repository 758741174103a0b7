"""Asks for the readings that a sheet lacks, point by point over the channels; each answer is in the file at once."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rampguard.cold.judgement import judge_point
from rampguard.cold.parts import PARTS, Kind
from rampguard.cold.sheet import OPEN_WORDS, ColdSheet, Point, load_cold_sheet, parse_reading
from rampguard.cold.writing import write_reading

Ask = Callable[[str], str]
Say = Callable[[str], None]
_STOP: Final = ("q", "quit", "stop")
_OPEN_SAID: Final = (*OPEN_WORDS, "o", "ol", "o.l", "o.l.", "0l", "inf")
_FACTORS: Final = {"k": 1e3, "m": 1e6}
"""What a technician writes after a number of ohms: 12k, 2.2M."""


class Stopped(Exception):  # noqa: N818 - what happened
    """The person wants no more questions; what was answered is in the file."""


@dataclass(frozen=True, slots=True)
class Question:
    """One reading that is missing: where it goes in the sheet, and what to do with the leads."""

    channel: str
    point: str
    key: str
    kind: Kind
    text: str


def questions(sheet: ColdSheet) -> Iterator[Question]:
    """All that is missing, point by point, each over the channels."""
    for name, point in sheet.points.items():
        for channel in sheet.places(point):
            taken = sheet.taken(channel, name)
            for key, how in _ways(point):
                if getattr(taken, key) is None:
                    where = point.where or PARTS[point.part].what
                    text = f"{channel}: {where}{how} [{'V, diode test' if point.kind is Kind.DIODE else 'ohm'}]"
                    yield Question(channel, name, key, point.kind, text)


def _ways(point: Point) -> Iterator[tuple[str, str]]:
    if point.kind is Kind.RESISTANCE:
        yield "reads_ohm", ""
        return
    yield "reads_v", ""
    if point.reversed_good is not None:
        yield "reversed_v", ", LEADS SWAPPED"


def understood(answer: str, question: Question) -> float | None:
    """What was typed, as a reading; None for nothing. Raises Stopped, and ValueError saying what to type."""
    said = answer.strip().lower()
    if not said:
        return None
    if said in _STOP:
        raise Stopped
    value: object = "open" if said in _OPEN_SAID else _number(said, question.kind)
    return parse_reading(value, question.kind)


def _number(said: str, kind: Kind) -> float:
    factor = _FACTORS.get(said[-1], 1.0) if kind is Kind.RESISTANCE else 1.0
    plain = said[:-1] if factor != 1.0 else said
    try:
        return float(plain.strip().replace(",", ".")) * factor
    except ValueError:
        raise ValueError("type a number, or open; nothing to leave it for later; q to stop") from None


def ask_for(path: Path, ask: Ask, say: Say) -> None:
    """Ask for all that is missing. What comes to be wrong is said as soon as its point is read in every channel.

    Raises ColdSheetError, OSError. `EOFError` and `KeyboardInterrupt` of ``ask`` end it, as q does.
    """
    sheet = load_cold_sheet(path)
    open_questions = list(questions(sheet))
    say(f"{len(open_questions)} readings are missing. A number, or open; Enter alone: later; q: stop.")
    last = ""
    try:
        for question in open_questions:
            if last not in ("", question.point):
                _say_wrong(path, last, say)
            last = question.point
            _take(path, question, ask, say)
    except (Stopped, EOFError, KeyboardInterrupt):
        say("")
    if last:
        _say_wrong(path, last, say)


def _take(path: Path, question: Question, ask: Ask, say: Say) -> None:
    while True:
        try:
            value = understood(ask(f"{question.text}: "), question)
        except ValueError as error:
            say(f"   {error}")
            continue
        if value is not None:
            write_reading(path, question.channel, question.point, question.key, value)
        return


def _say_wrong(path: Path, point: str, say: Say) -> None:
    for finding in judge_point(load_cold_sheet(path), point):
        if finding.is_wrong:
            say(f" ! {finding.text}")
