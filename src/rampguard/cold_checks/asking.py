"""Asks for what a sheet lacks; each answer is in the file at once. A meter may answer for the person."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Final

from rampguard.cold.judgement import judge_point
from rampguard.cold.sheet import ColdSheetError, load_cold_sheet
from rampguard.cold.writing import write_value
from rampguard.cold_checks.questions import Question, questions, understood

Ask = Callable[[str], str]
Say = Callable[[str], None]
Answer = Callable[[Question, str], float | str | None]
"""What an answer, as typed, comes to. Raises ValueError, saying what to do."""
HOW: Final = "A number, or open; Enter alone leaves it for later; q stops."
_STOP: Final = ("q", "quit", "stop")


class _Stopped(Exception):  # noqa: N818 - what happened
    """The person wants no more questions."""


def typed(question: Question, answer: str) -> float | str | None:
    """The answer is what was typed."""
    return understood(answer, question)


def ask_for(path: Path, ask: Ask, say: Say, answer: Answer = typed, how: str = HOW) -> None:
    """Ask for all that is missing. What comes to be wrong is said as soon as its point is read in every channel.

    Raises ColdSheetError, OSError. `EOFError` and `KeyboardInterrupt` of ``ask`` end it, as q does.
    """
    missing = list(questions(load_cold_sheet(path)))
    say(f"{len(missing)} values are missing; each is kept at once.\n{how}\n")
    last = ""
    try:
        for question in missing:
            if question.point != last:
                _say_wrong(path, last, say)
            last = question.point
            _take(path, question, ask, say, answer)
    except (_Stopped, EOFError, KeyboardInterrupt):
        say("")
    _say_wrong(path, last, say)


def _take(path: Path, question: Question, ask: Ask, say: Say, answer: Answer) -> None:
    while True:
        said = ask(f"{question.text}: ")
        if said.strip().lower() in _STOP:
            raise _Stopped
        try:
            value = answer(question, said)
            if value is not None:
                write_value(path, question.where, value)
        except ColdSheetError as error:
            say("".join(f"   {problem}\n" for problem in error.problems).rstrip())
        except ValueError as error:
            say(f"   {error}")
        else:
            return


def _say_wrong(path: Path, point: str, say: Say) -> None:
    for finding in judge_point(load_cold_sheet(path), point) if point else ():
        if finding.is_wrong:
            say(f" ! {finding.text}")
