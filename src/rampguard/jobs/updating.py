"""Brings the index up to date with the folders: a new file, of the old one where that is whole, in its place.

Nothing is ever changed in place: who is killed at any moment leaves the old index or the new one, whole, and beside it
at most a file ending in .part, which is never read and is swept away a day later. Two at once: each writes a file of
its own, the later one stays, and what it lacks is read the next time.
"""

from __future__ import annotations

import contextlib
import json
import os
import shutil
import sqlite3
import time
from collections.abc import Callable, Iterable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rampguard.job.model import JOB_NAME
from rampguard.jobs.facts import facts_of
from rampguard.jobs.looking import Lying, look
from rampguard.jobs.place import place_of
from rampguard.jobs.store import NotWhole, create, drawn_of, drop, has_full_text, open_whole, put, seal

_PART: Final = ".part"
_SWEPT_AFTER_S: Final = 86_400.0
_TOLD_EVERY: Final = 1000
Tell = Callable[[str], None]
"""What takes a line of how it goes."""


class NoJobs(Exception):  # noqa: N818 - what is so
    """The folder cannot be searched. The text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Index:
    """An index that is open, and what was done to bring it up to date."""

    db: sqlite3.Connection
    place: Path | None
    """Where it is kept; None where it could not be kept."""
    read: int = 0
    """How many job folders were read for it."""
    gone: int = 0
    """How many were in it and are there no more."""
    why_anew: str = ""
    """Why it was made of the folders alone; empty where the old one was whole."""


@dataclass(frozen=True, slots=True)
class _Todo:
    """What the old index lacks, and has too much."""

    changed: list[Lying]
    gone: list[str]


@contextlib.contextmanager
def opened(root: Path, tell: Tell, *, anew: bool = False, as_is: bool = False) -> Iterator[Index]:
    """The index of a folder of jobs, up to date; with ``as_is`` as it is. Raises NoJobs."""
    _check(root)
    place = place_of(root)
    index = _as_is(root, place) if as_is else _up_to_date(root, place, tell, anew=anew)
    with contextlib.closing(index.db):
        yield index


def _check(root: Path) -> None:
    try:
        os.scandir(root).close()
    except OSError as error:
        why = f"{root}: cannot be looked into ({error.strerror}); name the folder that the job folders lie in"
        raise NoJobs(why) from None
    if os.path.exists(root / JOB_NAME):
        raise NoJobs(f"{root}: is one job, not a folder of jobs; name the folder that it lies in")


def _as_is(root: Path, place: Path | None) -> Index:
    try:
        if place is not None:
            return Index(open_whole(place), place)
        why = "there is no place to keep one in"
    except FileNotFoundError:
        why = "there is none"
    except (NotWhole, OSError) as error:
        why = f"{place} {error}"
    raise NoJobs(f"no index that can be searched as it is: {why}. Leave --as-is out, or: rampguard jobs index {root}")


def _up_to_date(root: Path, place: Path | None, tell: Tell, *, anew: bool) -> Index:
    if place is None:
        return _in_memory(root, "there is no place to keep it in", tell)
    old, why = (None, "as asked") if anew else _old(place)
    try:
        todo = _todo(root, old)
        if old is not None and not todo.changed and not todo.gone:
            return Index(old, place)
        if old is not None:
            old.close()
        return _kept(place, todo, tell, why)
    except (OSError, sqlite3.OperationalError) as error:
        return _in_memory(root, f"it cannot be kept ({error})", tell)


def _old(place: Path) -> tuple[sqlite3.Connection | None, str]:
    """The index as it is, or why there is none to go on from."""
    try:
        return open_whole(place), ""
    except FileNotFoundError:
        return None, "there was none"
    except (NotWhole, OSError) as error:
        return None, f"{place.name} {error}"


def _todo(root: Path, old: sqlite3.Connection | None) -> _Todo:
    rows = [] if old is None else old.execute("SELECT folder, stamp, elsewhere FROM job").fetchall()
    stamps = {folder: stamp for folder, stamp, _ in rows}
    lying = list(look(root, {folder: json.loads(names) for folder, _, names in rows if names != "[]"}))
    changed = [one for one in lying if not one.stamp or stamps.get(one.folder) != one.stamp]
    return _Todo(changed, sorted(stamps.keys() - {one.folder for one in lying}))


def _kept(place: Path, todo: _Todo, tell: Tell, why_anew: str) -> Index:
    """Write the new index beside the old one's place, then put it there. Raises OSError, sqlite3.OperationalError."""
    _sweep(place)
    part = place.with_name(f"{place.name}.{os.getpid()}-{time.time_ns()}{_PART}")
    mode = place.parent.stat().st_mode & 0o666  # who may look into the folder may search
    try:
        os.close(os.open(part, os.O_CREAT | os.O_EXCL | os.O_RDWR, mode))
        if not why_anew:
            shutil.copyfile(place, part)
        with contextlib.closing(sqlite3.connect(part)) as db:
            db.executescript("PRAGMA journal_mode = OFF; PRAGMA synchronous = OFF;")  # who fails here leaves no index
            _fill(db, todo, tell, is_fresh=bool(why_anew))
        seal(part)
        os.replace(part, place)
    except (OSError, sqlite3.OperationalError):
        part.unlink(missing_ok=True)
        raise
    return Index(_reopened(place), place, len(todo.changed), len(todo.gone), why_anew)


def _reopened(place: Path) -> sqlite3.Connection:
    """What was just written, as everybody else reads it."""
    try:
        return open_whole(place)
    except NotWhole as error:
        raise OSError(f"{place} {error} as soon as it was written; is its disk sound?") from None


def _in_memory(root: Path, why: str, tell: Tell) -> Index:
    tell(f"no index is kept, every job is read this time: {why}")
    db = sqlite3.connect(":memory:")
    todo = _todo(root, None)
    _fill(db, todo, tell, is_fresh=True)
    return Index(db, None, len(todo.changed), 0, why)


def _fill(db: sqlite3.Connection, todo: _Todo, tell: Tell, *, is_fresh: bool) -> None:
    if is_fresh:
        create(db, full_text=has_full_text())
    for folder in todo.gone:
        drop(db, folder)
    for count, lying in enumerate(todo.changed, 1):
        put(db, facts_of(lying, {} if is_fresh else drawn_of(db, lying.folder)))
        if count % _TOLD_EVERY == 0:
            tell(f"{count} of {len(todo.changed)} job folders read")
    db.commit()


def _sweep(place: Path) -> None:
    """Remove what killed ones left long ago; what is young may be another's at work."""
    for left in _left(place):
        with contextlib.suppress(OSError):
            if left.stat().st_mtime < time.time() - _SWEPT_AFTER_S:
                left.unlink()


def _left(place: Path) -> Iterable[Path]:
    return (path for path in place.parent.iterdir() if path.name.startswith(f"{place.name}.") and path.suffix == _PART)
