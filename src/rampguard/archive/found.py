"""What lies in a capture folder, as far as a verdict on it needs: sizes, digests, the seal, how far the rows go."""

from __future__ import annotations

import hashlib
import json
import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, READINGS_NAME, WAVEFORMS
from rampguard.archive.errors import ArchiveError, CaptureError
from rampguard.archive.reader import whole_lines
from rampguard.archive.seal import PARTIAL, SEAL_NAME, files_in, is_sealed_file, parse_seal
from rampguard.archive.table import TableReader

_BLOCK: Final = 1 << 20


@dataclass(frozen=True, slots=True)
class FileFound:
    """A file as it lies there: its size, SHA-256 and number of lines.

    ``digest_then`` is that of as many bytes as it had when it was sealed, where the descriptor says so and there are
    so many. ``since_line_end`` bytes follow its last line end.
    """

    bytes: int
    digest: str
    lines: int
    digest_then: str = ""
    since_line_end: int = 0


@dataclass(frozen=True, slots=True)
class RowsFound:
    """How far the rows go: their number, and the newest's bench time; ``error`` says why reading ended before that."""

    count: int = 0
    until_s: float | None = None
    error: str = ""


@dataclass(frozen=True, slots=True)
class Found:
    """A capture folder as it lies there. ``seal`` and ``descriptor`` are None where there is none, or none of ours."""

    files: Mapping[str, FileFound]
    others: tuple[str, ...]
    """What lies there that is no file: folders, pipes."""
    seal: bytes | None
    aside: bytes | None
    """The seal as it lies beside its place, not yet moved there."""
    descriptor: Mapping[str, Any] | None
    rows: RowsFound
    is_live: bool = False
    """Whether the processes of its run are still named there."""
    sealed: Mapping[str, str] = field(default_factory=dict)
    """The digests in the seal, by file."""

    @property
    def outcome(self) -> str:
        """How the run ended, as the descriptor has it; empty where it does not say."""
        said = (self.descriptor or {}).get("outcome")
        return said if isinstance(said, str) else ""

    @property
    def seal_digest(self) -> str:
        """The seal's own SHA-256; empty where there is none."""
        return "" if self.seal is None else hashlib.sha256(self.seal).hexdigest()


def look(folder: Path) -> Found:
    """Look at a capture folder. Raises CaptureError where it cannot be looked at or holds nothing of a capture."""
    try:
        return _look(folder)
    except OSError as error:
        raise CaptureError(f"{error.filename or folder}: cannot be read ({error.strerror})") from None


def _look(folder: Path) -> Found:
    lying = sorted(folder.iterdir())
    descriptor = _descriptor(folder)
    then = {} if descriptor is None else sizes_then(descriptor)
    seal = _bytes(folder / SEAL_NAME)
    sealed = {} if seal is None else parse_seal(seal)[0]
    kept = {name: path for name, path in files_in(folder).items() if is_sealed_file(name) or name in sealed}
    files = {name: _file(path, then.get(name)) for name, path in kept.items()}
    return Found(
        files=files,
        others=tuple(p.name for p in lying if not p.is_file() and not (p.name == WAVEFORMS and p.is_dir())),
        seal=seal,
        aside=_bytes(folder / f"{SEAL_NAME}{PARTIAL}"),
        descriptor=descriptor,
        rows=_rows(folder / READINGS_NAME, files, is_sealed=seal is not None),
        is_live=(folder / "pids.json").exists(),
        sealed=sealed,
    )


def sizes_then(descriptor: Mapping[str, Any]) -> dict[str, int]:
    """How many bytes each file had when the record was finished, as the descriptor has it."""
    return {name: told["bytes"] for name, told in resources(descriptor).items() if isinstance(told.get("bytes"), int)}


def resources(descriptor: Mapping[str, Any]) -> dict[str, Mapping[str, Any]]:
    """What the descriptor says of each file; nothing of what is not as we write it."""
    told = descriptor.get("resources")
    items = [item for item in told if isinstance(item, dict)] if isinstance(told, list) else []
    return {item["path"]: item for item in items if isinstance(item.get("path"), str)}


def _descriptor(folder: Path) -> dict[str, Any] | None:
    try:
        found = json.loads((folder / DESCRIPTOR_NAME).read_bytes())
    except (FileNotFoundError, ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) and found.get("format") == 1 else None


def _bytes(path: Path) -> bytes | None:
    try:
        return path.read_bytes()
    except (FileNotFoundError, IsADirectoryError):
        return None


def _file(path: Path, then: int | None) -> FileFound:
    whole, before = hashlib.sha256(), hashlib.sha256()
    size = lines = since_line_end = 0
    with path.open("rb") as stream:
        while block := stream.read(_BLOCK):
            if then is not None and size < then:
                before.update(block[: then - size])
            whole.update(block)
            size += len(block)
            lines += block.count(b"\n")
            end = block.rfind(b"\n")
            since_line_end = since_line_end + len(block) if end < 0 else len(block) - end - 1
    reached = then is not None and size >= then
    return FileFound(size, whole.hexdigest(), lines, before.hexdigest() if reached else "", since_line_end)


def _rows(path: Path, files: Mapping[str, FileFound], *, is_sealed: bool) -> RowsFound:
    """How far the rows go: by reading each where nothing else speaks for them, else by their lines."""
    if path.name not in files or not files[path.name].lines:
        return RowsFound()
    return RowsFound(files[path.name].lines - 1, _newest_s(path)) if is_sealed else _read(path)


def _read(path: Path) -> RowsFound:
    count, until_s = 0, None
    with whole_lines(path) as lines:
        try:
            for row in TableReader(lines, name=path.name):
                count, until_s = count + 1, row.time_s
        except ArchiveError as error:
            return RowsFound(count, until_s, str(error))
    return RowsFound(count, until_s)


def _newest_s(path: Path) -> float | None:
    """The time of the last whole row; None where there is none to be read."""
    with path.open("rb") as stream:
        stream.seek(max(0, path.stat().st_size - _BLOCK))
        lines = stream.read().split(b"\n")
    try:
        newest_s = float(lines[-2].split(b",")[0])
    except (IndexError, ValueError):
        return None
    return newest_s if math.isfinite(newest_s) else None
