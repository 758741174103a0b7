"""The index as a file: its tables, and how it is known to be whole.

It is written beside its place and moved there, never changed where it lies, so that SQLite's journals have no part in
it. Its own CRC-32 stands in the four bytes that SQLite leaves to applications (offset 60, `user_version`:
https://www.sqlite.org/fileformat2.html, section 1.3), worked out with those four as zeros: a file that was cut, or in
which a bit fell over, is known before anything is read from it. It guards against accidents, not against people.
"""

from __future__ import annotations

import json
import os
import sqlite3
import zlib
from collections.abc import Iterable
from dataclasses import fields
from pathlib import Path
from typing import Final

from rampguard import __version__
from rampguard.jobs.facts import CaptureFacts, Drawn, JobFacts
from rampguard.jobs.plain import kind_of, plain_words

FORMAT: Final = 1
COLUMNS: Final = ("title", "complaint", "as_found", "cause", "named", "work", "parts", "notes")
"""What is searched by words: title with serial, load class and number; the causes the guard named; notes and checks."""
_OF_CAPTURE: Final = tuple(field.name for field in fields(CaptureFacts) if field.name != "drawn")
_CRC_AT: Final = 60
_HEAD: Final = b"SQLite format 3\0"
_BLOCK: Final = 1 << 20

_TABLES: Final = f"""
CREATE TABLE about (name TEXT PRIMARY KEY, value TEXT NOT NULL);
CREATE TABLE job (
  id INTEGER PRIMARY KEY, folder TEXT NOT NULL UNIQUE, stamp TEXT NOT NULL, problem TEXT NOT NULL, number TEXT,
  title TEXT, load_class TEXT, opened TEXT, closed TEXT, complaint TEXT, cause TEXT, quoted_hours REAL,
  spent_hours REAL, model TEXT, elsewhere TEXT NOT NULL
);
CREATE TABLE part (
  job INTEGER NOT NULL, designator TEXT NOT NULL, what TEXT NOT NULL, kind TEXT NOT NULL, plain TEXT NOT NULL
);
CREATE TABLE capture (
  id INTEGER PRIMARY KEY, job INTEGER NOT NULL, name TEXT NOT NULL, stamp TEXT NOT NULL, role TEXT NOT NULL,
  outcome TEXT NOT NULL, created TEXT NOT NULL, is_whole INTEGER NOT NULL, is_simulated INTEGER NOT NULL,
  named TEXT NOT NULL, nameplate_w REAL, nameplate_v REAL, mains_frequency_hz REAL, problem TEXT NOT NULL
);
CREATE TABLE drawn (
  capture INTEGER NOT NULL, part_of_line REAL NOT NULL, line_v REAL NOT NULL, current_a REAL NOT NULL, power_w REAL
);
CREATE TABLE words (job INTEGER PRIMARY KEY, {", ".join(f"{name} TEXT NOT NULL" for name in COLUMNS)});
CREATE INDEX part_job ON part (job);
CREATE INDEX capture_job ON capture (job);
CREATE INDEX drawn_capture ON drawn (capture);
"""
_NEW: Final = ", ".join(f"new.{name}" for name in COLUMNS)
_OLD: Final = ", ".join(f"old.{name}" for name in COLUMNS)
_FULL_TEXT: Final = f"""
CREATE VIRTUAL TABLE full_text USING fts5({", ".join(COLUMNS)}, content='words', content_rowid='job', tokenize='ascii');
CREATE TRIGGER words_in AFTER INSERT ON words BEGIN
  INSERT INTO full_text (rowid, {", ".join(COLUMNS)}) VALUES (new.job, {_NEW});
END;
CREATE TRIGGER words_out AFTER DELETE ON words BEGIN
  INSERT INTO full_text (full_text, rowid, {", ".join(COLUMNS)}) VALUES ('delete', old.job, {_OLD});
END;
"""  # noqa: S608 - names of our own


class NotWhole(Exception):  # noqa: N818 - what it is
    """The file is no index that can be used. The text says why."""


def has_full_text() -> bool:
    """Whether this Python's SQLite has FTS5."""
    db = sqlite3.connect(":memory:")
    try:
        db.execute("CREATE VIRTUAL TABLE probe USING fts5(x)")
    except sqlite3.OperationalError:
        return False
    finally:
        db.close()
    return True


def create(db: sqlite3.Connection, *, full_text: bool) -> None:
    """Make the tables in an empty database."""
    db.executescript(_TABLES + (_FULL_TEXT if full_text else ""))
    db.executemany("INSERT INTO about VALUES (?, ?)", _about(full_text=full_text).items())


def _about(*, full_text: bool) -> dict[str, str]:
    """What made an index: another version of the program may keep other things of a job."""
    return {"format": str(FORMAT), "program_version": __version__, "full_text": str(int(full_text))}


def put(db: sqlite3.Connection, facts: JobFacts) -> None:
    """Write a job down, in place of what was known of its folder."""
    drop(db, facts.folder)
    job = facts.job
    row: dict[str, object] = {"folder": facts.folder, "stamp": facts.stamp, "problem": facts.problem}
    row["elsewhere"] = json.dumps(facts.elsewhere)
    if job is not None:
        row |= {"number": job.number, "title": job.unit.title, "load_class": job.unit.load_class}
        row |= {"opened": job.opened.isoformat(), "closed": job.closed.isoformat() if job.closed else None}
        row |= {"complaint": job.complaint.strip(), "cause": job.cause, "spent_hours": job.hours_spent}
        row |= {"quoted_hours": job.quoted.hours if job.quoted else None, "model": plain_words(job.unit.title)}
    number = _insert(db, "job", row)
    if job is None:
        return
    _insert(db, "words", {"job": number, **facts.words})
    for part in job.part:
        plain = plain_words(f"{part.what} {part.replaced_with}")
        told = {"designator": plain_words(part.designator), "what": part.what, "kind": kind_of(part.what)}
        _insert(db, "part", {"job": number, **told, "plain": plain})
    for capture in facts.captures:
        _put_capture(db, number, capture)


def _put_capture(db: sqlite3.Connection, job: int, one: CaptureFacts) -> None:
    number = _insert(db, "capture", {"job": job, **{name: getattr(one, name) for name in _OF_CAPTURE}})
    rows = ((number, drawn.part_of_line, drawn.line_v, drawn.current_a, drawn.power_w) for drawn in one.drawn)
    db.executemany("INSERT INTO drawn VALUES (?, ?, ?, ?, ?)", rows)


def _insert(db: sqlite3.Connection, table: str, row: dict[str, object]) -> int:
    marks = ", ".join("?" * len(row))
    done = db.execute(f"INSERT INTO {table} ({', '.join(row)}) VALUES ({marks})", tuple(row.values()))  # noqa: S608
    return done.lastrowid or 0


def drop(db: sqlite3.Connection, folder: str) -> None:
    """Forget a job."""
    found = db.execute("SELECT id FROM job WHERE folder = ?", (folder,)).fetchone()
    if found is None:
        return
    db.execute("DELETE FROM drawn WHERE capture IN (SELECT id FROM capture WHERE job = ?)", found)
    for table in ("capture", "part", "words"):
        db.execute(f"DELETE FROM {table} WHERE job = ?", found)  # noqa: S608 - names of our own
    db.execute("DELETE FROM job WHERE id = ?", found)


def drawn_of(db: sqlite3.Connection, folder: str) -> dict[str, tuple[Drawn, ...]]:
    """What a job's captures drew, by their stamps."""
    rows = db.execute(
        "SELECT capture.stamp, part_of_line, line_v, current_a, power_w FROM job JOIN capture ON capture.job = job.id"
        " JOIN drawn ON drawn.capture = capture.id WHERE folder = ? AND capture.stamp <> '' ORDER BY drawn.rowid",
        (folder,),
    )
    found: dict[str, tuple[Drawn, ...]] = {}
    for stamp, *values in rows:
        found[stamp] = (*found.get(stamp, ()), Drawn(*values))
    return found


def seal(path: Path) -> None:
    """Write the file's CRC-32 into it, and have it reach the disk. Raises OSError."""
    try:
        found = _crc(path)[1]
    except NotWhole as error:
        raise OSError(f"{path} {error}") from None
    with path.open("r+b") as stream:
        stream.seek(_CRC_AT)
        stream.write(found.to_bytes(4, "big"))
        stream.flush()
        os.fsync(stream.fileno())


def open_whole(path: Path) -> sqlite3.Connection:
    """Open an index to read from it, once it is known to be whole. Raises NotWhole, OSError."""
    told, found = _crc(path)
    if told != found:
        raise NotWhole("is not as it was written: it was cut short or damaged")
    db = read_only(path)
    try:
        about = dict(db.execute("SELECT name, value FROM about"))
    except sqlite3.DatabaseError as error:
        db.close()
        raise NotWhole(f"is no index of ours ({error})") from None
    if about != _about(full_text=has_full_text()):
        db.close()
        raise NotWhole("was made by another version of the program, or of SQLite")
    return db


def read_only(path: Path) -> sqlite3.Connection:
    """Open a database that nobody changes: no locks, and no journals that lie beside it by chance."""
    return sqlite3.connect(f"{path.resolve().as_uri()}?mode=ro&immutable=1", uri=True)


def _crc(path: Path) -> tuple[int, int]:
    """The CRC-32 that stands in the file, and the one that it has. Raises NotWhole, OSError."""
    with path.open("rb") as stream:
        head = bytearray(stream.read(100))
        if len(head) < 100 or not head.startswith(_HEAD):
            raise NotWhole("is not as it was written: it was cut short, or is no index")
        told = int.from_bytes(head[_CRC_AT : _CRC_AT + 4], "big")
        head[_CRC_AT : _CRC_AT + 4] = bytes(4)
        return told, _rest(zlib.crc32(head), iter(lambda: stream.read(_BLOCK), b""))


def _rest(crc: int, blocks: Iterable[bytes]) -> int:
    for block in blocks:
        crc = zlib.crc32(block, crc)
    return crc
