"""Which unit a capture is of: as it was named, by the job it lies in, or by what the capture itself says.

Captures that nothing tells apart count as of one unit: to take two captures of one unit for two units would make the
model's units look more alike than they are.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

UNFIT_ROLES: Final = ("as-found", "hunt", "cold-start")
"""What a job says of captures that stand for no good unit."""


@dataclass(frozen=True, slots=True)
class Named:
    """A capture as it is given: ``b2=captures/after`` names its unit, ``captures/after`` does not."""

    folder: Path
    unit: str | None = None

    @classmethod
    def of(cls, given: str | Path) -> Named:
        """Of what was given; a folder that has such a name is a folder."""
        name, equals, folder = str(given).partition("=")
        if isinstance(given, Path) or not equals or not name.strip() or Path(given).is_dir():
            return cls(Path(given))
        return cls(Path(folder), name.strip())


@dataclass(frozen=True, slots=True)
class Whose:
    """A unit: what it is called, the key by which captures are of the same one, and whether anything told it."""

    name: str
    key: str
    told: bool
    role: str = ""
    """What its job says of the capture; empty: nothing."""


def whose(given: Named, descriptor: Mapping[str, Any]) -> Whose:
    """Which unit a capture is of."""
    job = _job_of(given.folder)
    role = _role(job, given.folder)
    if given.unit is not None:
        return Whose(given.unit, f"named {given.unit}", told=True, role=role)
    if job is not None:
        serial = _text(job, "unit", "serial")
        folder = given.folder.resolve().parent.parent
        return Whose(f"job {job.get('number', folder.name)}", f"serial {serial}" if serial else str(folder), True, role)
    unit, seed = str(descriptor.get("unit", "unit")), descriptor.get("seed")
    if seed is not None:  # a simulated bench's specimen
        return Whose(f"{unit}, seed {seed}", f"{unit}, seed {seed}", told=True)
    return Whose(unit, unit, told=False)


def _job_of(capture: Path) -> dict[str, Any] | None:
    """The job whose captures folder this one lies in; None: in none, or none that can be read."""
    folder = capture.resolve().parent
    if folder.name != "captures":
        return None
    try:
        return tomllib.loads((folder.parent / "job.toml").read_text(encoding="utf-8"))
    except (OSError, ValueError):
        return None


def _role(job: Mapping[str, Any] | None, capture: Path) -> str:
    entries = [] if job is None else job.get("capture", [])
    for entry in entries if isinstance(entries, list) else []:
        if isinstance(entry, dict) and Path(str(entry.get("folder", ""))).name == capture.resolve().name:
            return str(entry.get("role", ""))
    return ""


def _text(job: Mapping[str, Any], table: str, key: str) -> str:
    found = job.get(table)
    return str(found.get(key) or "") if isinstance(found, dict) else ""
