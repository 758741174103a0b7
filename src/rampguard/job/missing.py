"""What a job still lacks before the unit is handed back, a line each with what to do. Pure."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.job.entries import MadeCheck, Role
from rampguard.job.model import Job
from rampguard.job.reading import FoundCapture

WANTED_CHECKS: Final = (
    ("earth continuity", "earth"),
    ("insulation resistance", "insulation"),
    ("touch current", "touch"),
)
"""Checks that every job answers, and the word by which an entry is known for one. Which a unit needs, and within what
limits, is for local codes to say: an entry "not made" is an answer. Common practice, no source."""
AFTER_REPAIR: Final[tuple[Role, ...]] = ("after-repair", "warm-up", "cold-start")
"""Roles of runs of the repaired unit."""


@dataclass(frozen=True, slots=True)
class Missing:
    """One thing that is missing, or in the way. ``key`` names it for scripts and questions."""

    key: str
    what: str
    do: str

    @property
    def text(self) -> str:
        """In one line."""
        return f"{self.what}: {self.do}"


def missing_of(job: Job, captures: Sequence[FoundCapture]) -> tuple[Missing, ...]:
    """All of it, in the order in which a job goes; empty: the unit may be handed back, as far as this record tells."""
    return (*_words(job), *_checks(job.check), *_runs(captures))


def latest_checks(checks: Iterable[MadeCheck]) -> tuple[MadeCheck, ...]:
    """The last entry of each check: one that failed is mended by making it again."""
    return tuple({entry.what.casefold(): entry for entry in checks}.values())


def _words(job: Job) -> Iterator[Missing]:
    if not job.complaint.strip():
        yield Missing("complaint", "complaint", "write down what the customer says is wrong")
    if not job.as_found.strip():
        yield Missing("as_found", "as found", "write down what was found wrong")
    if job.cause is None:
        yield Missing("cause", "cause", "write down why it failed; that it is not known is an answer")
    if job.quoted is None:
        yield Missing("quoted", "quoted", "write down the hours that the customer was told")
    if not job.work:
        yield Missing("work", "work", "write down what was done, and how long it took")


def _checks(checks: Sequence[MadeCheck]) -> Iterator[Missing]:
    latest = latest_checks(checks)
    for name, word in WANTED_CHECKS:
        if not any(word in entry.what.casefold() for entry in latest):
            yield Missing(f"check {name}", name, 'make it as local codes ask, or say "not made" and why')
    for entry in latest:
        if entry.result == "failed":
            yield Missing("failed", entry.what, "failed; mend it and make the check again")


def _runs(captures: Sequence[FoundCapture]) -> Iterator[Missing]:
    for one in captures:
        if one.capture is not None and one.capture.problems:
            yield Missing("seal", one.name, "its seal does not hold: it was changed; do not hand it on as a record")
    runs = [one for one in captures if one.role in AFTER_REPAIR and one.outcome in ("passed", "tripped", "unproven")]
    if not any(one.outcome == "passed" and one.is_whole for one in runs):
        yield Missing(
            "run", "a power-up after the repair", "none passed and is whole; power the unit up: rampguard run"
        )
    elif runs[-1].outcome != "passed":
        yield Missing("run", runs[-1].name, f"the last run after the repair: {runs[-1].outcome}; find out why")
