"""Which captures a path stands for: itself, or those of a job folder, or those that lie side by side in a folder."""

from __future__ import annotations

from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, RECORDED_FILES
from rampguard.archive.errors import CaptureError
from rampguard.archive.seal import SEAL_NAME

_MARKS: Final = (DESCRIPTOR_NAME, SEAL_NAME, *(name for name, _ in RECORDED_FILES))
"""A folder with one of these in it is a capture, or what is left of one."""


def captures_at(path: Path) -> list[Path]:
    """The capture folders a path stands for, in the order of their names. Raises CaptureError where there is none."""
    if not path.is_dir():
        raise CaptureError(f"{path}: is no folder; name a capture folder or a job folder")
    if _is_capture(path):
        return [path]
    inside = path / "captures" if (path / "captures").is_dir() else path
    found = sorted(folder for folder in inside.iterdir() if folder.is_dir() and _is_capture(folder))
    if not found:
        raise CaptureError(
            f"{path}: holds no capture, nor does a folder captures in it; name a capture or a job folder"
        )
    return found


def _is_capture(folder: Path) -> bool:
    return any((folder / name).exists() for name in _MARKS)
