"""Enters a run's capture into its job, right after the run."""

from __future__ import annotations

from pathlib import Path
from typing import Any, Final

from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import read_descriptor
from rampguard.job.edits import with_entry
from rampguard.job.entries import Role
from rampguard.job.errors import JobError
from rampguard.job.model import JOB_NAME, Job, read_job
from rampguard.job.on_bench import job_for_run
from rampguard.job.roles import role_of
from rampguard.job.writing import change_job

_NOTES: Final = {"passed": "passed, up to {volts:.3g} V", "tripped": "tripped at {volts:.3g} V"}


def keep_capture(folder: Path, capture: Path, *, hunting: bool = False) -> str:
    """Write a capture's entry into the folder's job.toml, if there is one; what was done, in words, or empty.

    Its role follows from its outcome and from whether a part was replaced by now. Raises JobError: the capture is then
    found all the same, since it lies in the folder.
    """
    if job_for_run(folder) is None:
        return ""
    origin = str(folder / JOB_NAME)
    try:
        name = capture.resolve().relative_to(folder.resolve()).as_posix()
    except ValueError:
        return f"{origin}: no entry, since {capture} lies outside the job folder; copy it into {folder / 'captures'}"
    try:
        descriptor = read_descriptor(capture)
    except ArchiveError as error:
        raise JobError(origin, [f"no entry for {name}: {error}"]) from None
    role: Role = "hunt" if hunting else role_of(descriptor, repaired=_is_repaired(read_job(folder)))
    entry = {"folder": name, "role": role, "note": _note(descriptor)}
    change_job(folder, lambda text: with_entry(text, "capture", entry), {"capture"})
    return f"{origin}: {name} entered as {role}"


def _is_repaired(job: Job) -> bool:
    return bool(job.part)


def _note(descriptor: dict[str, Any]) -> str | None:
    result = descriptor.get("result") or {}
    outcome = str(descriptor.get("outcome"))
    volts = result.get("max_line_voltage_v")
    if outcome == "tripped":
        volts = (result.get("trip") or {}).get("line_voltage_v")
    return _NOTES[outcome].format(volts=volts) if outcome in _NOTES and volts is not None else outcome
