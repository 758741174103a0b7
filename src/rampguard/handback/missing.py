"""What a job still lacks before its sheet goes out. Pure.

Besides what `rampguard.job.missing` asks of every job, it is what a sheet that says 'tested' must not be silent about.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rampguard.handback.runs import Run, Runs
from rampguard.job import missing as of_every_job
from rampguard.job.model import Job


def missing_of(job: Job, runs: Runs, bad_pictures: Sequence[str]) -> tuple[str, ...]:
    """Everything that is missing, a line each, naming what to do; empty for a job that is ready."""
    asked = [one.text for one in of_every_job.missing_of(job, [run.found for run in runs.every])]
    judged_as = "" if runs.after is None else str(runs.after.described.get("load_class"))
    return (
        *asked,
        *_other_class(job, judged_as),
        *(line for run in runs.tested for line in _wrong(run)),
        *bad_pictures,
    )


def _other_class(job: Job, judged_as: str) -> Iterator[str]:
    if judged_as not in ("", job.unit.load_class):
        yield f"load class: the job says {job.unit.load_class}, the run after the repair was judged as {judged_as};" + (
            " correct job.toml, or run it again"
        )


def _wrong(run: Run) -> Iterator[str]:
    """What speaks against a run by which the sheet says that the unit was tested."""
    if run.outcome != "passed":
        trip = f" ({run.trip['reason']})" if run.trip else ""
        yield f"{run.name}: is told as a test, and its outcome is {run.outcome}{trip}; find out why, run it again"
    elif not run.found.is_whole:
        yield f"{run.name}: is told as a test, and its seal is {run.seal}; restore it from a copy, or run it again"
    elif not run.proven_off:
        yield f"{run.name}: its end was not proven off; run it again"
    if run.described.get("unplugged") or run.described.get("series_lamp_w") is not None:
        how = "; ".join(text for text in run.reservations if text.startswith(("unplugged", "behind")))
        yield f"{run.name}: is told as a test of the whole unit, and was made with {how}; run it again without"
    for check in run.result.get("checks") or []:
        if check["right"] is False:
            yield f"{run.name}: {check['what']} is not in order ({check['text']}); put it right, run it again"
