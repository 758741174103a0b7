"""Which job folders lie under a folder, and whether they changed: from names, sizes and times alone, nothing is read.

A stamp is made of the sizes and times (last change of content, last change of anything) of job.toml, and of each
capture's folder, descriptor, readings and seal. What is younger than `YOUNG_S` may change once more without a trace in
its times: it gets no stamp, and is read again the next time.
"""

from __future__ import annotations

import hashlib
import os
import stat
import time
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, READINGS_NAME
from rampguard.archive.seal import SEAL_NAME
from rampguard.job.model import CAPTURES, JOB_NAME
from rampguard.job.private import PRIVATE_NAME
from rampguard.job.writing import BEFORE_NAME

YOUNG_S: Final = 2.0
"""File systems keep times to two seconds at worst (FAT's, from memory)."""
_LEFT: Final = frozenset({PRIVATE_NAME, BEFORE_NAME, f"{JOB_NAME}.part"})
"""A folder with one of these was a job's, though it has no job.toml."""
_STAMPED: Final = (DESCRIPTOR_NAME, READINGS_NAME, SEAL_NAME)


@dataclass(frozen=True, slots=True)
class Lying:
    """A job folder as it lies there. ``folder`` is relative to the folder of jobs, with / between its parts."""

    folder: str
    path: Path
    stamp: str
    """What its files look like from outside; empty where they are too young to tell."""
    captures: Mapping[str, str]
    """The same of each capture, by its name in the job."""
    problem: str = ""
    """Why it cannot be looked into; empty where it can."""


def look(root: Path, named: Mapping[str, Iterable[str]], *, now_s: float | None = None) -> Iterator[Lying]:
    """Every job folder under ``root``, however deep, in the order of their names.

    ``named``: captures that a job names outside its captures/, by folder. Links are followed only where they lead
    straight to a job folder. A folder that cannot be looked into is among them, with its problem. Raises OSError for
    ``root`` itself.
    """
    young_ns = int(((time.time() if now_s is None else now_s) - YOUNG_S) * 1e9)
    for path, problem in _jobs_in(root, is_root=True):
        folder = path.relative_to(root).as_posix()
        yield (
            Lying(folder, path, f"! {problem}", {}, problem)
            if problem
            else _stamped(path, folder, named.get(folder, ()), young_ns)
        )


def _jobs_in(folder: Path, *, is_root: bool = False) -> Iterator[tuple[Path, str]]:
    """Job folders, and folders that cannot be looked into with the reason."""
    try:
        with os.scandir(folder) as found:
            inside = sorted(found, key=lambda entry: entry.name)
    except OSError as error:
        if is_root:
            raise
        yield folder, f"cannot be looked into ({error.strerror}); check its permissions"
        return
    names = {entry.name for entry in inside}
    if not is_root and JOB_NAME in names:
        yield folder, ""
        return
    if not is_root and names & _LEFT:
        yield folder, ""  # reading it says what is missing
    if DESCRIPTOR_NAME not in names:
        yield from _deeper(inside)


def _deeper(inside: Iterable[os.DirEntry[str]]) -> Iterator[tuple[Path, str]]:
    for entry in inside:
        if entry.name.startswith("."):
            continue
        if entry.is_dir(follow_symlinks=False):
            yield from _jobs_in(Path(entry.path))
        elif entry.is_symlink() and os.path.isfile(os.path.join(entry.path, JOB_NAME)):
            yield Path(entry.path), ""


def _stamped(path: Path, folder: str, named: Iterable[str], young_ns: int) -> Lying:
    job = _seen(path / JOB_NAME, young_ns)
    captures = {name: _of_capture(path / name, young_ns) for name in sorted({*_lying(path), *named})}
    whole = all((job, *captures.values()))
    return Lying(folder, path, _digest(job, repr(captures)) if whole else "", captures)


def _lying(path: Path) -> list[str]:
    try:
        with os.scandir(path / CAPTURES) as found:
            return [f"{CAPTURES}/{one.name}" for one in found if one.is_dir() and not one.name.startswith(".")]
    except OSError:
        return []


def _of_capture(path: Path, young_ns: int) -> str:
    seen = [_seen(one, young_ns) for one in (path, *(path / name for name in _STAMPED))]
    return _digest(*seen) if all(seen) else ""


def _seen(path: Path, young_ns: int) -> str:
    """A file from outside; empty where it is too young."""
    try:
        found = os.stat(path)
    except OSError as error:
        return f"-{error.errno}"
    if max(found.st_mtime_ns, found.st_ctime_ns if os.name != "nt" else 0) > young_ns:
        return ""
    return f"{stat.S_IFMT(found.st_mode)} {found.st_size} {found.st_mtime_ns} {found.st_ctime_ns}"


def _digest(*parts: str) -> str:
    return hashlib.blake2b("\n".join(parts).encode("utf-8", "surrogateescape"), digest_size=16).hexdigest()
