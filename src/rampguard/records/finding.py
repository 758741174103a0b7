"""Which captures a path stands for: itself, or those of a job folder, or those that lie side by side in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, RECORDED_FILES
from rampguard.archive.errors import CaptureError
from rampguard.archive.seal import SEAL_NAME
from rampguard.job.errors import JobError, NoJob
from rampguard.job.model import CAPTURES, read_job

_MARKS: Final = (DESCRIPTOR_NAME, SEAL_NAME, *(name for name, _ in RECORDED_FILES))
"""A folder with one of these in it is a capture, or what is left of one."""


def captures_at(path: Path) -> tuple[list[Path], list[str]]:
    """The capture folders a path stands for, in the order of their names, and what else there is to say, a line each.

    Those that a job's job.toml names are among them, wherever they lie, whether they are there or not. Raises
    CaptureError where there is none, OSError.
    """
    if not path.is_dir():
        raise CaptureError(f"{path}: is no folder; name a capture folder or a job folder")
    if _is_capture(path):
        return [path], []
    inside = path / CAPTURES if (path / CAPTURES).is_dir() else path
    lying = [folder for folder in inside.iterdir() if folder.is_dir() and _is_capture(folder)]
    named, problems = _named(path)
    if not lying and not named:
        raise CaptureError(f"{path}: holds no capture, nor does a folder captures in it; name a capture or a job")
    return sorted({*lying, *named}), problems


def _named(job: Path) -> tuple[list[Path], list[str]]:
    """The captures that a job's job.toml names, and why it cannot be read where it cannot."""
    try:
        return [job / entry.folder for entry in read_job(job).capture], []
    except NoJob:
        return [], []
    except JobError as error:
        return [], [*str(error).splitlines(), "the captures that it may name elsewhere were not looked for"]


def _is_capture(folder: Path) -> bool:
    return any((folder / name).exists() for name in _MARKS)
