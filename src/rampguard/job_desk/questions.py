"""What a job lacks, as questions: each a few prompts, and how their answers come into the file. Pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

from rampguard.job.edits import with_entry, with_value
from rampguard.job.missing import WANTED_CHECKS, Missing
from rampguard.job.model import Job
from rampguard.job_desk.typed import number, price, reading, result

Understood = Callable[[str], Any]
"""What an answer, as typed, comes to. Raises ValueError, saying what to type."""


@dataclass(frozen=True, slots=True)
class Prompt:
    """One line that is asked. An answer that is a mapping is several values at once; others are of ``key``."""

    key: str
    text: str
    understood: Understood = str.strip
    needed: bool = False
    """Whether Enter alone is no answer; that the first prompt of a question is left for later is always one."""


@dataclass(frozen=True, slots=True)
class Question:
    """One thing that is missing, and where its answers go: ``edit`` makes the change, ``touches`` what it changes."""

    prompts: tuple[Prompt, ...]
    touches: str
    edit: Callable[[str, Mapping[str, Any]], str]
    again: bool = False
    """Whether it is asked again after an answer: there may be more of these."""


def questions(job: Job, missing: Sequence[Missing], today: dt.date) -> Iterator[Question]:
    """All that can be asked of what is missing, and what may be known besides."""
    keys = {one.key for one in missing}
    if job.unit.serial is None:
        yield _of_the_unit(Prompt("serial", "serial number, as on its plate"))
    for key, text in _WORDS:
        if key in keys:
            yield _of_the_job(Prompt(key, text))
    if "quoted" in keys:
        yield _QUOTED
    if not job.part:
        yield _PART
    if "work" in keys:
        yield _work(today)
    for name, _ in WANTED_CHECKS:
        if f"check {name}" in keys:
            yield _check(name, today)


_WORDS: Final = (
    ("complaint", "what does the customer say is wrong?"),
    ("as_found", "what was found wrong?"),
    ("cause", "why did it fail (or: not known)?"),
)
_QUOTED: Final = Question(
    (
        Prompt("hours", "hours that the customer was told", number),
        Prompt("price", "price that the customer was told, such as 240 EUR", price),
    ),
    "quoted",
    lambda text, said: _each(text, "quoted", said),
)
_PART: Final = Question(
    (
        Prompt("designator", "a part that was replaced: its designator, such as Q701"),
        Prompt("what", "  what it is", needed=True),
        Prompt("replaced_with", "  replaced with", needed=True),
        Prompt("origin", "  where the new one is from", needed=True),
        Prompt("matched_with", "  matched with"),
        Prompt("lot", "  its lot"),
    ),
    "part",
    lambda text, said: with_entry(text, "part", said),
    again=True,
)


def _of_the_job(prompt: Prompt) -> Question:
    return Question((prompt,), prompt.key, lambda text, said: with_value(text, (prompt.key,), said[prompt.key]))


def _of_the_unit(prompt: Prompt) -> Question:
    return Question((prompt,), "unit", lambda text, said: with_value(text, ("unit", prompt.key), said[prompt.key]))


def _work(today: dt.date) -> Question:
    prompts = (
        Prompt("what", "what was done today?"),
        Prompt("hours", "  how long it took, hours", number, needed=True),
    )
    return Question(prompts, "work", lambda text, said: with_entry(text, "work", {"date": today, **said}))


def _check(name: str, today: dt.date) -> Question:
    prompts = (
        Prompt("result", f"{name}: passed, failed or not made?", result),
        Prompt("reads", "  it reads, such as 0.08 ohm", reading),
        Prompt("limit", "  the limit, and whose; or why it was not made"),
        Prompt("by", "  measured with"),
    )
    return Question(
        prompts, "check", lambda text, said: with_entry(text, "check", {"what": name, **said, "date": today})
    )


def _each(text: str, table: str, said: Mapping[str, Any]) -> str:
    for key, value in said.items():
        text = with_value(text, (table, key), value)
    return text
