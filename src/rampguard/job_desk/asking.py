"""Asks at the terminal for what a job lacks; each answer is in the file at once."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.job.errors import JobError
from rampguard.job.missing import missing_of
from rampguard.job.reading import captures_of, read_job
from rampguard.job.writing import change_job
from rampguard.job_desk.questions import Prompt, Question, questions

Ask = Callable[[str], str]
Say = Callable[[str], None]
HOW: Final = "Each answer is written at once. Enter alone leaves it for later; q stops."
_STOP: Final = ("q", "quit", "stop")


class Stopped(Exception):  # noqa: N818 - what happened
    """The person wants no more questions."""


def ask_for(folder: Path, ask: Ask, say: Say, today: dt.date) -> None:
    """Ask for each thing that is missing. Raises JobError where the job cannot be read.

    `EOFError` and `KeyboardInterrupt` of ``ask`` end it, as q does.
    """
    job = read_job(folder)
    say(f"{HOW}\n")
    try:
        for question in questions(job, missing_of(job, captures_of(folder, job)), today):
            while _taken(folder, question, ask, say) and question.again:
                pass
    except (Stopped, EOFError, KeyboardInterrupt):
        say("")


def _taken(folder: Path, question: Question, ask: Ask, say: Say) -> bool:
    """Whether it was answered, and written; asked again as long as the answer cannot be."""
    while True:
        said = answers(question.prompts, ask, say)
        if not said:
            return False
        try:
            change_job(folder, lambda text, said=said: question.edit(text, said), {question.touches})  # type: ignore[misc]
        except JobError as error:
            say("".join(f"   {problem}\n" for problem in error.problems).rstrip())
        else:
            return True


def answers(prompts: tuple[Prompt, ...], ask: Ask, say: Say) -> dict[str, Any]:
    """The answers to the prompts of one question; nothing where the first was left for later."""
    said: dict[str, Any] = {}
    for number, prompt in enumerate(prompts):
        if prompt.key in ("reads", "by") and said.get("result") == "not made":
            continue
        value = _answer(prompt, ask, say)
        if value is None and number == 0:
            return {}
        if value is not None:
            said |= value if isinstance(value, Mapping) else {prompt.key: value}
    return said


def _answer(prompt: Prompt, ask: Ask, say: Say) -> Any:
    while True:
        text = ask(f"{prompt.text}: ").strip()
        if text.lower() in _STOP:
            raise Stopped
        if not text and not prompt.needed:
            return None
        if not text:
            say("   this one is needed; or q, and nothing of it is written")
            continue
        try:
            return prompt.understood(text)
        except ValueError as error:
            say(f"   {error}")
