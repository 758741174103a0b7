"""What is asked of an index: jobs by words, unit, cause, part and date; what could not be read; the rows behind sums.

A word finds every word that it begins; several words given as one are looked for side by side. Where SQLite has no full
text, the same jobs are found by going through all of them, the newest first instead of the best first.
"""

from __future__ import annotations

import datetime as dt
import sqlite3
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rampguard.jobs.plain import plain_words
from rampguard.jobs.store import COLUMNS

_WEIGHTS: Final = (10.0, 5.0, 5.0, 10.0, 3.0, 1.0, 5.0, 1.0)
"""How much a word counts in each of `COLUMNS`: common practice, no source."""
_NEWEST: Final = "opened DESC, folder"


class NoWord(ValueError):  # noqa: N818 - what is so
    """Nothing that can be looked for. The text says what to write."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Question:
    """What is looked for; all of it must be so. Days are those on which a job was opened, both included."""

    words: tuple[str, ...] = ()
    unit: str | None = None
    cause: str | None = None
    part: str | None = None
    since: dt.date | None = None
    until: dt.date | None = None


@dataclass(frozen=True, slots=True)
class FoundJob:
    """One job that was found. Days as ISO 8601; ``cause`` is None where it is not known, ``closed`` while open."""

    folder: str
    number: str
    title: str
    load_class: str
    opened: str
    closed: str | None
    complaint: str
    cause: str | None


@dataclass(frozen=True, slots=True)
class Unreadable:
    """A job, or a capture of one, that could not be read, or only in part; one line a problem."""

    folder: str
    problem: str
    is_job: bool


def ranks(db: sqlite3.Connection) -> bool:
    """Whether the index has full text, so that the best come first."""
    return ("1",) in db.execute("SELECT value FROM about WHERE name = 'full_text'").fetchall()


def find(db: sqlite3.Connection, question: Question) -> list[FoundJob]:
    """The jobs, the best first, then the newest; the newest first where no word is looked for. Raises NoWord."""
    terms = [_plain(word) for word in question.words]
    source, order = "job JOIN words ON words.job = job.id", _NEWEST
    conditions = list(_conditions(question))
    if terms and ranks(db):
        source += " JOIN full_text ON full_text.rowid = job.id"
        conditions.append(("full_text MATCH ?", [" AND ".join(f'"{term}"*' for term in terms)]))
        order = f"bm25(full_text, {', '.join(map(str, _WEIGHTS))}), {_NEWEST}"
    else:
        conditions += [_any_of([f"words.{name}" for name in COLUMNS], term) for term in terms]
    where = " AND ".join(condition for condition, _ in conditions) or "1"
    asked = f"SELECT folder, number, job.title, load_class, opened, closed, job.complaint, job.cause FROM {source}"  # noqa: S608 - names of our own
    values = [value for _, some in conditions for value in some]
    return [FoundJob(*row) for row in db.execute(f"{asked} WHERE {where} ORDER BY {order}", values)]


def _conditions(question: Question) -> Iterator[tuple[str, list[str]]]:
    if question.unit is not None:
        yield from (_any_of(["words.title"], word) for word in _plain(question.unit).split())
    if question.cause is not None:
        yield from (_any_of(["words.cause", "words.named"], word) for word in _plain(question.cause).split())
    if question.part is not None:
        plain = _plain(question.part)
        alike = " AND ".join("' ' || part.plain LIKE ?" for _ in plain.split())
        of_part = f"SELECT part.job FROM part WHERE designator = ? OR ({alike})"  # noqa: S608 - marks alone
        yield f"job.id IN ({of_part})", [plain, *(f"% {word}%" for word in plain.split())]
    if question.since is not None:
        yield "opened >= ?", [question.since.isoformat()]
    if question.until is not None:
        yield "opened <= ?", [question.until.isoformat()]


def _any_of(columns: list[str], term: str) -> tuple[str, list[str]]:
    """That one of the columns has words that begin so. A term is letters and digits: LIKE takes none for more."""
    alike = " OR ".join(f"' ' || {name} LIKE ?" for name in columns)
    return f"({alike})", [f"% {term}%"] * len(columns)


def _plain(text: str) -> str:
    plain = plain_words(text)
    if not plain:
        raise NoWord(f"{text!r}: has no letter and no digit to look for; write a word")
    return plain


def unreadable(db: sqlite3.Connection) -> list[Unreadable]:
    """Jobs that could not be read, then captures, in the order of their folders."""
    jobs = db.execute("SELECT folder, problem FROM job WHERE problem <> '' ORDER BY folder").fetchall()
    captures = db.execute(
        "SELECT folder || '/' || name, capture.problem FROM capture JOIN job ON job.id = capture.job"
        " WHERE capture.problem <> '' ORDER BY 1"
    ).fetchall()
    told = [Unreadable(folder, problem, is_job=True) for folder, problem in jobs]
    return told + [Unreadable(folder, problem, is_job=False) for folder, problem in captures]


def count(db: sqlite3.Connection) -> tuple[int, int]:
    """How many jobs could be read, and how many captures they have."""
    jobs = db.execute("SELECT count(*) FROM job WHERE number IS NOT NULL").fetchone()[0]
    return int(jobs), int(db.execute("SELECT count(*) FROM capture").fetchone()[0])
