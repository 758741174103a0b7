"""What a power-up is ordered by, of what the command line says and of the job that it names."""

from __future__ import annotations

import argparse
import sys
from pathlib import Path

from rampguard.engine.link import RunOrder


def sheet_of_run(options: argparse.Namespace, of_job: Path | None) -> str | None:
    """The unit sheet of a run: as said; else the job's, but for a run behind a series lamp, where no idle is set."""
    if options.sheet is not None:
        return None if str(options.sheet) == "none" else str(options.sheet)
    if of_job is None or options.series_lamp_w is not None:
        return None
    print(f"at full line it goes on by the job's unit sheet, {of_job} (not so: --sheet none)", file=sys.stderr)
    return str(of_job)


def sheet_of_job(options: argparse.Namespace) -> Path | None:
    """The job is read; its unit sheet, where it names one. Raises JobError."""
    from rampguard.job.on_bench import job_for_run, sheet_for_run

    job = job_for_run(options.job)
    return None if job is None else sheet_for_run(options.job, job)


def job_folder(options: argparse.Namespace) -> str | None:
    """The job's folder, where one is named."""
    return None if options.job is None else str(options.job)


def captures_into(options: argparse.Namespace) -> str:
    """Where captures go: as said, into the job's folder, or into the usual one."""
    of_job = options.job / "captures" if options.job is not None else Path("captures")
    return str(of_job if options.into is None else options.into)


def order_of(options: argparse.Namespace, confirmed: str, overrides: dict[str, str]) -> RunOrder:
    """What every power-up on a bench is ordered by."""
    mains_v, mains_hz = options.mains or (None, None)
    return RunOrder(
        bench=str(options.bench),
        into=captures_into(options),
        job=job_folder(options),
        load_class=options.load_class,
        nameplate_w=options.nameplate_w,
        mains_v=mains_v,
        mains_frequency_hz=mains_hz,
        permissives_confirmed=confirmed,
        overrides=overrides,
    )
