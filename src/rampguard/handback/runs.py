"""A job's runs, as a sheet needs them: which was before the repair, which after, which were switched on directly."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final

from pydantic import ValidationError

from instruments.strict import explain
from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import Completeness
from rampguard.archive.seal import SEAL_NAME, digest
from rampguard.handback.shape import Described
from rampguard.job.model import Job
from rampguard.job.reading import FoundCapture, captures_of
from rampguard.report.series import Series, gather

SEALS: Final = {
    Completeness.FINISHED: "whole",
    Completeness.CUT_SHORT: "cut short, not sealed",
    Completeness.TAMPERED: "BROKEN",
}
"""What a record's seal is said to be."""
_POWER_UPS: Final = ("after-repair", "warm-up")


@dataclass(frozen=True, slots=True)
class Run:
    """One capture of the job; one that cannot be read knows no more than its name and why."""

    found: FoundCapture
    seal_sha256: str
    """SHA-256 of the seal file itself; empty where there is none."""
    overrides: tuple[str, ...]
    """Pre-power checks that were overridden, each with its reason."""
    warnings: int

    @property
    def name(self) -> str:
        """The folder's own name."""
        return Path(self.found.name).name

    @property
    def described(self) -> Mapping[str, Any]:
        """The capture's descriptor; empty for one that cannot be read."""
        return {} if self.found.capture is None else self.found.capture.descriptor

    @property
    def result(self) -> Mapping[str, Any]:
        """How it ended; empty where that is not recorded."""
        return self.described.get("result") or {}

    @property
    def trip(self) -> Mapping[str, Any] | None:
        """Why it tripped: ``reason``, ``time_s``, ``line_voltage_v``, ``layer``."""
        trip: Mapping[str, Any] | None = self.result.get("trip")
        return trip

    @property
    def outcome(self) -> str:
        """As the capture has it."""
        return self.found.outcome

    @property
    def passed(self) -> bool:
        """Whether it ran to its end, tripped nothing, was proven off, and its record is whole."""
        return self.outcome == "passed" and self.proven_off and self.found.is_whole

    @property
    def proven_off(self) -> bool:
        """Whether its end was proven off."""
        return bool((self.result.get("off") or {}).get("proven"))

    @property
    def is_direct(self) -> bool:
        """Whether it was switched on at full mains."""
        return self.described.get("direct_after") is not None

    @property
    def highest_v(self) -> float | None:
        """The highest line voltage, V rms."""
        volts: float | None = self.result.get("max_line_voltage_v")
        return volts

    @property
    def seal(self) -> str:
        """Its seal in words."""
        return "cannot be read" if self.found.capture is None else SEALS[self.found.capture.completeness]

    @property
    def reservations(self) -> tuple[str, ...]:
        """What takes from its worth, in words; empty mostly."""
        return tuple(self._reservations())

    def _reservations(self) -> Iterator[str]:
        if self.found.problem:
            yield f"cannot be read: {self.found.problem}"
            return
        if self.found.is_simulated:
            yield "made on a simulated bench"
        if not self.found.is_whole:
            problems = () if self.found.capture is None else self.found.capture.problems
            yield f"seal {self.seal}" + (f" ({'; '.join(problems)})" if problems else "")
        yield from (f"overridden: {text}" for text in self.overrides)
        if not self.proven_off:
            yield "its end was NOT PROVEN OFF"
        if self.described.get("series_lamp_w") is not None:
            yield f"behind a series lamp of {self.described['series_lamp_w']:g} W"
        if self.described.get("unplugged"):
            yield f"unplugged: {', '.join(self.described['unplugged'])}"


@dataclass(frozen=True, slots=True)
class Runs:
    """All runs of a job in the order in which they were made, and those that the sheet tells of."""

    every: tuple[Run, ...]
    before: Run | None
    """As it was found."""
    after: Run | None
    """The last power-up after the repair, however it ended."""
    warm: Run | None
    """The last run that went on at full line by a unit sheet."""
    starts: tuple[Run, ...]
    """Switched on directly at full mains, after ``after``."""
    hunted: tuple[Run, ...]
    series: Mapping[str, Series]
    """The readings of ``before``, ``after`` and ``warm``, by the runs' names."""

    @property
    def tested(self) -> tuple[Run, ...]:
        """All by which the sheet says that the unit was tested: each once."""
        named = {run.name: run for run in (self.warm, self.after, *self.starts) if run is not None}
        return tuple(named.values())


def runs_of(folder: Path, job: Job) -> Runs:
    """The runs of a job folder. One that cannot be read is among them, and says so."""
    every = tuple(_run(found) for found in captures_of(folder, job))
    before = _before(every)
    ups = [run for run in every if run.found.role in _POWER_UPS and not run.is_direct and run is not before]
    after = ups[-1] if ups else None
    warm = next((run for run in reversed(ups) if run.result.get("checks")), None)
    starts = () if after is None else tuple(run for run in every if _starts(run) and _is_later(run, after))
    told = {run.name: run for run in (before, after, warm) if run is not None}  # each is read once: it takes seconds
    series = {name: read for name, run in told.items() if (read := _series(run)) is not None}
    hunted = tuple(run for run in every if run.found.role == "hunt")
    return Runs(every, before, after, warm, starts, hunted, series)


def _before(every: Sequence[Run]) -> Run | None:
    """The run as found; else the first power-up that tripped before any had passed."""
    found = [run for run in every if run.found.role == "as-found"]
    if found:
        return next((run for run in found if run.outcome == "tripped"), found[0])
    ups = [run for run in every if run.found.role in _POWER_UPS]
    return ups[0] if ups and ups[0].outcome == "tripped" and len(ups) > 1 else None


def _starts(run: Run) -> bool:
    return run.is_direct or run.found.role == "cold-start"


def _is_later(run: Run, than: Run) -> bool:
    return (run.found.created, run.name) > (than.found.created, than.name)


def _run(found: FoundCapture) -> Run:
    try:
        if found.capture is not None:
            Described.model_validate(found.capture.descriptor)
        events = [] if found.capture is None else found.capture.events()
        path = found.folder / SEAL_NAME
        sha256 = digest(path) if path.is_file() else ""
    except ValidationError as error:
        return Run(_unread(found, f"its record is not as it was written: {'; '.join(explain(error))}"), "", (), 0)
    except (ArchiveError, OSError) as error:
        return Run(_unread(found, str(error)), "", (), 0)
    overrides = tuple(event.text for event in events if event.kind == "override")
    return Run(found, sha256, overrides, sum(event.kind == "warn" for event in events))


def _unread(found: FoundCapture, problem: str) -> FoundCapture:
    return FoundCapture(found.folder, found.name, found.role, found.role_worked_out, found.note, None, problem)


def _series(run: Run) -> Series | None:
    try:
        return None if run.found.capture is None else gather(run.found.capture)
    except ArchiveError:
        return None
