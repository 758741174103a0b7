"""The seal: a SHA-256 of every recorded file, in the form that ``sha256sum -c`` checks. Written last.

It shows that a record was changed by accident or carelessness. It is no signature: who rewrites the record can rewrite
the seal. What tells that is a copy of the seal's own digest kept elsewhere, on paper (`rampguard.archive.verdict`).
"""

from __future__ import annotations

import hashlib
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, RECORDED_FILES, WAVEFORMS

SEAL_NAME: Final = "seal.sha256"
UNSEALED: Final = frozenset({SEAL_NAME, "ramp.png", "pids.json", "watchdog.json"})
"""Not sealed: itself, the picture (drawn later from the record), what is there only while live, and what the watchdog
leaves when it had to take over, which may be after the record was sealed."""
PARTIAL: Final = ".part"
"""What a file that is being written is called after: never part of a record."""
_LINE: Final = re.compile(rf"([0-9a-f]{{64}})  ((?:{WAVEFORMS}/)?[^/\\\x00-\x1f]+)")


def digest(path: Path) -> str:
    """SHA-256 of a file, hexadecimal. Raises OSError."""
    with path.open("rb") as stream:
        return hashlib.file_digest(stream, "sha256").hexdigest()


def sealed_names(folder: Path) -> list[str]:
    """What a seal of the folder holds for. Raises OSError."""
    return sorted(name for name in files_in(folder) if is_sealed_file(name))


def is_sealed_file(name: str) -> bool:
    """Whether a file of this name in a capture's folder is part of what is sealed."""
    return name not in UNSEALED and not name.endswith(PARTIAL)


def files_in(folder: Path) -> dict[str, Path]:
    """The files of a capture by name, as a seal has it: beside the descriptor, and waveforms. Raises OSError."""
    waveforms = folder / WAVEFORMS
    inside = sorted(waveforms.iterdir()) if waveforms.is_dir() else []
    lying = {path.name: path for path in sorted(folder.iterdir())} | {f"{WAVEFORMS}/{p.name}": p for p in inside}
    return {name: path for name, path in lying.items() if path.is_file()}


def seal_text(folder: Path, instead: Mapping[str, bytes] | None = None) -> str:
    """The seal of a folder as it stands, with some files' content as it is going to be. Raises OSError."""
    digests = {name: hashlib.sha256(data).hexdigest() for name, data in (instead or {}).items()}
    digests |= {name: digest(folder / name) for name in sealed_names(folder) if name not in digests}
    return written(digests)


def written(digests: Mapping[str, str]) -> str:
    """The one text of a seal of these digests by file."""
    return "".join(f"{digests[name]}  {name}\n" for name in sorted(digests))


def parse_seal(data: bytes) -> tuple[dict[str, str], list[str]]:
    """The digests of a seal by file, and what is wrong with its text, a line each.

    A seal has one way to be written; any other text of it was not written by us.
    """
    text = data.decode("utf-8", errors="replace")
    lines = [(line, _LINE.fullmatch(line)) for line in text.split("\n") if line]
    sealed = {found[2]: found[1] for _, found in lines if found}
    problems = [f"{line!r} is no line of a seal" for line, found in lines if not found]
    if not problems and written(sealed) != text:
        problems.append("its lines are not as they were written")
    return sealed, problems


def verify_seal(folder: Path) -> list[str] | None:
    """What the seal of a folder does not hold for, a line each; None if there is no seal. Raises OSError."""
    path = folder / SEAL_NAME
    if not path.exists():
        return None
    sealed, wrong = parse_seal(path.read_bytes())
    problems = [f"{SEAL_NAME}: {problem}" for problem in wrong]
    problems += [_problem(folder, name, expected) for name, expected in sealed.items()]
    waveforms = (name for name in sealed_names(folder) if name.startswith(f"{WAVEFORMS}/"))
    recorded = (DESCRIPTOR_NAME, *(file for file, _ in RECORDED_FILES), *waveforms)
    problems += [f"{name}: not sealed" for name in recorded if name not in sealed]
    return [problem for problem in problems if problem]


def _problem(folder: Path, name: str, expected: str) -> str:
    if not (folder / name).is_file():
        return f"{name}: missing"
    return "" if digest(folder / name) == expected else f"{name}: changed since it was sealed"
