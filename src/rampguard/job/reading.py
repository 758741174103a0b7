"""A job's captures: those that job.toml names, and those that lie in captures/ all the same."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import Capture, Completeness, read_capture
from rampguard.job.entries import KeptCapture, Role
from rampguard.job.model import CAPTURES, Job, read_job
from rampguard.job.roles import role_of
from rampguard.job.texts import plain

__all__ = ["FoundCapture", "captures_of", "read_job"]


@dataclass(frozen=True, slots=True)
class FoundCapture:
    """One capture of a job. ``capture`` is None where it cannot be read; ``problem`` then says why."""

    folder: Path
    name: str
    """Its folder relative to the job, with / between its parts."""
    role: Role
    role_worked_out: bool
    """Whether the role is worked out from outcome and order; job.toml does not say it."""
    note: str
    capture: Capture | None
    problem: str = ""

    @property
    def outcome(self) -> str:
        """``passed``, ``tripped``, ``stopped``, ``unproven``; ``recording`` where cut short; ``unreadable``."""
        return "unreadable" if self.capture is None else str(self.capture.descriptor.get("outcome"))

    @property
    def created(self) -> str:
        """When it began, ISO 8601, UTC; empty where that is not known."""
        return "" if self.capture is None else str(self.capture.descriptor.get("created") or "")

    @property
    def is_whole(self) -> bool:
        """Whether it was finished, and its seal holds."""
        return self.capture is not None and self.capture.completeness is Completeness.FINISHED

    @property
    def is_simulated(self) -> bool:
        """Whether it was made on a simulated bench."""
        return self.capture is not None and self.capture.descriptor.get("clock") != "wall"


def captures_of(folder: Path, job: Job) -> tuple[FoundCapture, ...]:
    """Every capture of a job in the order in which they were made, each with its role. Never raises for a bad one."""
    entries = {plain(entry.folder): entry for entry in job.capture}
    named = dict.fromkeys((*entries, *_lying(folder)))
    read = sorted((_read(folder, name) for name in named), key=lambda one: (one.created, one.name))
    return tuple(_with_roles(read, entries, job))


def _lying(folder: Path) -> list[str]:
    """The folders in captures/, whatever is in them."""
    try:
        inside = sorted((folder / CAPTURES).iterdir())
    except OSError:
        return []
    return [f"{CAPTURES}/{path.name}" for path in inside if path.is_dir() and not path.name.startswith(".")]


def _read(folder: Path, name: str) -> FoundCapture:
    where = folder / name
    try:
        return FoundCapture(where, name, "other", True, "", read_capture(where))
    except ArchiveError as error:
        return FoundCapture(where, name, "other", True, "", None, str(error))


def _with_roles(read: list[FoundCapture], entries: dict[str, KeptCapture], job: Job) -> Iterator[FoundCapture]:
    repaired = False
    for one in read:
        entry = entries.get(one.name)
        descriptor = None if one.capture is None else one.capture.descriptor
        # When a part was replaced is not written down: what first passed is taken for the first run after it.
        repaired = repaired or (bool(job.part) and one.outcome == "passed")
        role = entry.role if entry is not None else role_of(descriptor, repaired=repaired)
        yield FoundCapture(
            one.folder, one.name, role, entry is None, "" if entry is None else entry.note, one.capture, one.problem
        )
