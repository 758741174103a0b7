"""The seal: a SHA-256 of every recorded file, in the form that ``sha256sum -c`` checks. Written last."""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

SEAL_NAME: Final = "seal.sha256"
UNSEALED: Final = frozenset({SEAL_NAME, "ramp.png", "pids.json"})
"""Not sealed: itself, the picture (drawn later from the record), and what is there only while live."""


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def seal_text(folder: Path) -> str:
    """The seal of a folder as it stands."""
    names = sorted(path.name for path in folder.iterdir() if path.is_file() and path.name not in UNSEALED)
    return "".join(f"{digest(folder / name)}  {name}\n" for name in names)


def broken_seals(folder: Path) -> list[str] | None:
    """What the seal of a folder does not hold for, a line each; None if there is no seal."""
    path = folder / SEAL_NAME
    if not path.exists():
        return None
    problems = []
    for line in path.read_text(encoding="utf-8").splitlines():
        expected, _, name = line.partition("  ")
        if not (folder / name).is_file():
            problems.append(f"{name}: missing")
        elif digest(folder / name) != expected:
            problems.append(f"{name}: changed since it was sealed")
    return problems
