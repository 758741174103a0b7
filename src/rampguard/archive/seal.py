"""The seal: a SHA-256 of every recorded file, in the form that ``sha256sum -c`` checks. Written last.

It shows that a record was changed by accident or carelessness. It is no signature: who rewrites the record can rewrite
the seal.
"""

from __future__ import annotations

import hashlib
from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, RECORDED_FILES

SEAL_NAME: Final = "seal.sha256"
UNSEALED: Final = frozenset({SEAL_NAME, "ramp.png", "pids.json"})
"""Not sealed: itself, the picture (drawn later from the record), and what is there only while live."""


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal. Raises OSError."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def seal_text(folder: Path) -> str:
    """The seal of a folder as it stands. Raises OSError."""
    names = sorted(path.name for path in folder.iterdir() if path.is_file() and path.name not in UNSEALED)
    return "".join(f"{digest(folder / name)}  {name}\n" for name in names)


def verify_seal(folder: Path) -> list[str] | None:
    """What the seal of a folder does not hold for, a line each; None if there is no seal. Raises OSError."""
    path = folder / SEAL_NAME
    if not path.exists():
        return None
    sealed: dict[str, str] = {}
    problems = []
    for line in path.read_text(encoding="utf-8", errors="replace").splitlines():
        expected, _, name = line.partition("  ")
        if not name or name != Path(name).name:
            problems.append(f"{SEAL_NAME}: {line!r} is no line of a seal")
        else:
            sealed[name] = expected
    problems += [_problem(folder / name, expected) for name, expected in sealed.items()]
    recorded = (DESCRIPTOR_NAME, *(file for file, _ in RECORDED_FILES))
    problems += [f"{name}: not sealed" for name in recorded if name not in sealed]
    return [problem for problem in problems if problem]


def _problem(path: Path, expected: str) -> str:
    if not path.is_file():
        return f"{path.name}: missing"
    return "" if digest(path) == expected else f"{path.name}: changed since it was sealed"
