"""The rows behind sums, out of an index, and the sums of them."""

from __future__ import annotations

import dataclasses
import sqlite3
from dataclasses import dataclass
from typing import Any

from rampguard.jobs.asking import Question, Unreadable, count, find, unreadable
from rampguard.jobs.lessons import (
    Healthy,
    HealthyRow,
    Hours,
    Model,
    Often,
    Spread,
    healthy_by_model,
    hours_by_class,
    most_often,
)
from rampguard.jobs.plain import plain_words


@dataclass(frozen=True, slots=True, kw_only=True)
class Sums:
    """What all jobs that can be read add up to."""

    jobs: int
    open_jobs: int
    oldest_open: str | None
    """When the oldest open one was opened, ISO 8601."""
    causes: list[Often]
    """As they were written down."""
    named: list[Often]
    """What the guard named first in runs that tripped as found."""
    kinds: list[Often]
    """Parts that were replaced, by kind."""
    hours: dict[str, Spread]
    """Hours spent over hours quoted, closed jobs that have both."""
    healthy: list[Healthy]
    unreadable: list[Unreadable]

    @property
    def as_message(self) -> dict[str, Any]:
        """As `--json` has it."""
        return {"format": 1, "outcome": "done", **dataclasses.asdict(self)}


def sums_of(db: sqlite3.Connection, unit: str | None = None) -> Sums:
    """All of it; of units with these words in title, serial number, load class or job number. Raises NoWord."""
    if unit is not None:
        _narrow(db, unit)
    jobs, _ = count(db)
    open_jobs, oldest = db.execute(
        "SELECT count(*), min(opened) FROM job WHERE number IS NOT NULL AND closed IS NULL"
    ).fetchone()
    causes = db.execute("SELECT id, cause FROM job WHERE cause IS NOT NULL")
    named = db.execute("SELECT job, named FROM capture WHERE named <> '' AND role = 'as-found'")
    hours = db.execute(
        "SELECT load_class, quoted_hours, spent_hours FROM job"
        " WHERE closed IS NOT NULL AND quoted_hours > 0 AND spent_hours > 0"
    )
    return Sums(
        jobs=jobs,
        open_jobs=open_jobs,
        oldest_open=oldest,
        causes=most_often((job, plain_words(cause) or cause, cause) for job, cause in causes),
        named=most_often((job, name, name) for job, name in named),
        kinds=most_often((job, kind, kind) for job, kind in db.execute("SELECT job, kind FROM part")),
        hours=hours_by_class([Hours(*row) for row in hours]),
        healthy=healthy_by_model(_healthy_rows(db)),
        unreadable=unreadable(db),
    )


def _narrow(db: sqlite3.Connection, unit: str) -> None:
    """Hide all other jobs: while this is open the tables are of those found alone. The file stays as it is."""
    db.execute("CREATE TEMP TABLE wanted (folder TEXT PRIMARY KEY)")
    found = find(db, Question(unit=unit))
    db.executemany("INSERT INTO wanted VALUES (?)", ((one.folder,) for one in found))
    kept = "SELECT * FROM main.job WHERE number IS NULL OR folder IN (SELECT folder FROM wanted)"
    db.execute(f"CREATE TEMP VIEW job AS {kept}")
    for table in ("part", "capture"):
        kept = f"SELECT * FROM main.{table} WHERE job IN (SELECT id FROM temp.job)"  # noqa: S608 - names of our own
        db.execute(f"CREATE TEMP VIEW {table} AS {kept}")


def _healthy_rows(db: sqlite3.Connection) -> list[HealthyRow]:
    rows = db.execute(
        "SELECT model, nameplate_w, nameplate_v, mains_frequency_hz, is_simulated, title, job.id, capture.id, created,"
        " part_of_line, line_v, current_a, power_w FROM drawn JOIN capture ON capture.id = drawn.capture"
        " JOIN job ON job.id = capture.job ORDER BY job.folder, capture.name, part_of_line"
    )
    return [
        HealthyRow(Model(model, power_w, volts, hertz, bool(simulated)), *rest)
        for model, power_w, volts, hertz, simulated, *rest in rows
    ]
