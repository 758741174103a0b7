"""Folders of jobs to test with, and what is asked of every index so that two can be compared."""

from __future__ import annotations

import sqlite3
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from job_population import BEYOND_INDEX, make_job, make_jobs

from rampguard.jobs.asking import Question, find, unreadable
from rampguard.jobs.summing import sums_of
from rampguard.jobs.updating import Index, opened

QUESTIONS = (
    *(Question(), Question(words=("hum",)), Question(words=("output", "shorted")), Question(words=("heat sink",))),
    *(Question(unit="valve"), Question(cause="coffee"), Question(part="output transistor"), Question(cause="stage")),
)
__all__ = ["BEYOND_INDEX", "QUESTIONS", "answers", "as_built_anew", "index_at", "make_job", "make_jobs"]


def answers(db: sqlite3.Connection) -> Any:
    """All that an index is asked, in the order in which it answers."""
    return [find(db, one) for one in QUESTIONS], sums_of(db), unreadable(db)


@contextmanager
def index_at(root: Path, **how: Any) -> Iterator[tuple[Index, list[str]]]:
    """An index, and what was told on the way."""
    said: list[str] = []
    with opened(root, said.append, **how) as index:
        yield index, said


def as_built_anew(root: Path) -> Any:
    """What an index of the folders alone answers."""
    with index_at(root, anew=True) as (index, _):
        return answers(index.db)
