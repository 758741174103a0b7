"""Writes job.toml: the whole file at once or not at all, by one writer at a time; what was there before is kept beside.

A change is checked before it is written: the new text must be a job, and differ from the old one only where it was
meant to. Two writers at once: each change is made to what is in the file at that moment, so that none is lost; who read
the file earlier and wants to write it as it was read then is refused (`JobChanged`). On Windows the file is not locked
while it is written; there the check stands alone.
"""

from __future__ import annotations

import contextlib
import os
import sys
from collections.abc import Callable, Collection, Iterator
from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import write_atomically
from rampguard.job.edits import CannotEdit
from rampguard.job.errors import JobChanged, JobError
from rampguard.job.model import JOB_NAME, Job, parse_job, read_text

if sys.platform != "win32":
    import fcntl

BEFORE_NAME: Final = "job.toml.before"
"""What job.toml was before the newest change."""
Edit = Callable[[str], str]
"""A change of the text, such as `rampguard.job.edits` makes. May raise CannotEdit."""


def change_job(folder: Path, edit: Edit, touches: Collection[str], *, read: str | None = None) -> Job:
    """Change a job; the new one. ``touches``: the fields of `Job` that may differ then.

    ``read``: the text that the change was thought up on; JobChanged is raised where the file is no longer that. Raises
    JobError; the file is then as it was.
    """
    origin = str(folder / JOB_NAME)
    with _alone(folder):
        text = read_text(folder)
        if read is not None and text != read:
            raise JobChanged(origin, ["was changed by somebody else meanwhile; nothing was written. Read it anew"])
        old = parse_job(text, origin)
        try:
            new_text = _edited(text, edit)
        except CannotEdit as error:
            raise JobError(origin, [str(error)]) from None
        new = parse_job(new_text, f"{origin}, not written")
        _check_kept(old, new, touches, origin)
        if new_text != text:
            _write(folder, text, new_text)
        return new


def begin_job(folder: Path, text: str) -> Job:
    """Write the first job.toml of a folder, which is made where it is missing. Never over one. Raises JobError."""
    path = folder / JOB_NAME
    job = parse_job(text, str(path))
    try:
        folder.mkdir(parents=True, exist_ok=True)
        with _alone(folder):
            if path.exists():
                raise JobError(str(path), ["is there already; nothing was written. Choose another folder"])
            write_atomically(path, text.encode())
    except OSError as error:
        raise JobError(str(path), [f"cannot be written ({error.strerror}); check the folder"]) from None
    return job


def leftovers(folder: Path) -> list[str]:
    """What a write that was cut short left behind, a line each. It is never read as a job."""
    names = (f"{JOB_NAME}.part", f"{BEFORE_NAME}.part")
    return [
        f"{name}: a write was cut short here; {JOB_NAME} is whole, without that change. Look, then remove it"
        for name in names
        if (folder / name).exists()
    ]


def _edited(text: str, edit: Edit) -> str:
    """The edited text, its lines ending as they did."""
    if "\r\n" not in text:
        return edit(text)
    return edit(text.replace("\r\n", "\n")).replace("\n", "\r\n")


def _check_kept(old: Job, new: Job, touches: Collection[str], origin: str) -> None:
    lost = [name for name in Job.model_fields if name not in touches and getattr(old, name) != getattr(new, name)]
    if lost:
        raise JobError(
            origin, [f"{name} would be changed too; nothing was written. Change it by hand" for name in lost]
        )


def _write(folder: Path, old_text: str, new_text: str) -> None:
    try:
        write_atomically(folder / BEFORE_NAME, old_text.encode())
        write_atomically(folder / JOB_NAME, new_text.encode())
    except OSError as error:
        raise JobError(
            str(folder / JOB_NAME), [f"cannot be written ({error.strerror or error}); it is as it was"]
        ) from None


@contextlib.contextmanager
def _alone(folder: Path) -> Iterator[None]:
    """While this lasts no other writer of ours writes there. The lock is the folder's: it leaves nothing behind."""
    if sys.platform == "win32":  # pragma: no cover - not tested on Windows
        yield
        return
    try:
        handle = os.open(folder, os.O_RDONLY)
    except OSError:  # what is wrong with the folder is told by whoever reads or writes in it
        yield
        return
    try:
        with contextlib.suppress(OSError):  # a file system without locks: the check stands alone
            fcntl.flock(handle, fcntl.LOCK_EX)
        yield
    finally:
        os.close(handle)
