"""What a job answers of a run, as the bench file's [unit] does, and what the two must not say of one another."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path

from instruments.bench import BenchFile, Unit
from rampguard.job.entries import JobUnit
from rampguard.job.errors import JobError, NoJob
from rampguard.job.model import JOB_NAME, Job, read_job
from rampguard.ramp.plan import same_mains


def job_for_run(folder: Path | None) -> Job | None:
    """The job by which a run goes; None without a folder, or without a job.toml in it. Raises JobError."""
    if folder is None:
        return None
    try:
        return read_job(folder)
    except NoJob:
        if folder.exists() and not folder.is_dir():
            raise
        return None


def sheet_for_run(folder: Path, job: Job) -> Path | None:
    """The job's unit sheet; None where it names none. Raises JobError where it is not there."""
    if job.unit.unit_sheet is None:
        return None
    path = folder / job.unit.unit_sheet
    if not path.is_file():
        raise JobError(str(folder / JOB_NAME), [f"unit.unit_sheet: {path} is not there; copy it there, or correct it"])
    return path


def bench_with_job(
    bench_file: BenchFile, folder: Path, *, load_class: str | None = None, nameplate_w: float | None = None
) -> BenchFile:
    """The bench file with what the folder's job says of the unit, if there is a job.

    ``load_class`` and ``nameplate_w`` are what the command line says: it goes first, and what it says is not held
    against the files. Raises JobError with a line for everything that job and bench file say otherwise.
    """
    job = job_for_run(folder)
    if job is None:
        return bench_file
    said = {"load_class": load_class is not None, "nameplate_w": nameplate_w is not None}
    problems = list(_contradictions(job.unit, bench_file, said))
    if problems:
        raise JobError(str(folder / JOB_NAME), problems)
    answers = {
        "name": job.unit.title,
        "load_class": job.unit.load_class,
        "nameplate_w": job.unit.nameplate_w,
        "nameplate_v": job.unit.nameplate_v,
    }
    known = {key: value for key, value in answers.items() if value is not None}
    return bench_file.model_copy(update={"unit": (bench_file.unit or Unit()).model_copy(update=known)})


def _contradictions(unit: JobUnit, bench_file: BenchFile, said: dict[str, bool]) -> Iterator[str]:
    on_bench = bench_file.unit or Unit()
    for key in ("load_class", "nameplate_w", "nameplate_v"):
        ours, theirs = getattr(unit, key), getattr(on_bench, key)
        if None not in (ours, theirs) and ours != theirs and not said.get(key):
            yield f"unit.{key} = {_written(ours)}, but the bench file says {_written(theirs)}; correct one of them"
    mains = bench_file.mains
    if not same_mains(unit.mains_v, mains.voltage_v):
        yield f"unit.mains_v = {unit.mains_v:g}, but the bench has {mains.voltage_v:g} V; correct one of them"
    if unit.mains_frequency_hz != mains.frequency_hz:
        yield (
            f"unit.mains_frequency_hz = {unit.mains_frequency_hz:g}, but the bench has {mains.frequency_hz:g} Hz;"
            " correct one of them"
        )


def _written(value: str | float) -> str:
    return f'"{value}"' if isinstance(value, str) else f"{value:g}"
