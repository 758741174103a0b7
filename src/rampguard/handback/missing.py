"""What a job still lacks before its unit goes back: a line a thing, each naming what to do. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Sequence

from rampguard.handback.runs import Run, Runs
from rampguard.job.entries import MadeCheck
from rampguard.job.model import Job


def missing_of(job: Job, runs: Runs, bad_pictures: Sequence[str]) -> tuple[str, ...]:
    """Everything that is missing, in the order of the sheet; empty for a job that is ready."""
    return (*_words(job), *_power_ups(job, runs), *_hand_checks(job), *bad_pictures)


def _words(job: Job) -> Iterator[str]:
    if not job.complaint:
        yield "complaint: what the customer says is wrong is not written down; add it to job.toml"
    if not job.as_found:
        yield "as_found: what was found wrong is not written down; add it to job.toml"
    if job.cause is None:
        yield "cause: why it failed is not written down; where nobody can tell, write that"
    if not job.work:
        yield "[[work]]: nothing is written down of what was done; add it to job.toml"


def _power_ups(job: Job, runs: Runs) -> Iterator[str]:
    """What speaks against the power-up after the repair, and the starts at full mains that followed it."""
    after = runs.after
    if after is None:
        yield "no power-up after the repair is among its captures; run one: rampguard run --job DIR"
        return
    if after.described and after.described.get("load_class") != job.unit.load_class:
        yield (
            f"{after.name}: was judged as {after.described.get('load_class')}, but the job says"
            f" {job.unit.load_class}; correct job.toml, or run it again"
        )
    for run in runs.tested:
        yield from _wrong(run)


def _wrong(run: Run) -> Iterator[str]:
    if run.outcome != "passed":
        trip = f" ({run.trip['reason']})" if run.trip else ""
        yield f"{run.name}: it came after the repair, and its outcome is {run.outcome}{trip}; find out why, run it again"
    elif not run.found.is_whole:
        yield f"{run.name}: its record proves nothing (seal {run.seal}); restore it from a copy, or run it again"
    elif not run.proven_off:
        yield f"{run.name}: its end was not proven off; run it again"
    for check in run.result.get("checks") or []:
        if check["right"] is False:
            yield f"{run.name}: {check['what']} is not in order ({check['text']}); put it right, run it again"


def _hand_checks(job: Job) -> Iterator[str]:
    if not job.check:
        yield (
            "[[check]]: nothing is written down of earth continuity, insulation or touch current; add each to job.toml,"
            ' result "passed", "failed" or "not made"'
        )
    for check in newest(job.check):
        if check.result == "failed":
            yield f"[[check]]: {check.what} failed; put it right, measure again, and add a new [[check]]"


def newest(checks: Sequence[MadeCheck]) -> list[MadeCheck]:
    """The last of each check: one that failed, and was made once more after it was put right, is told by the new one."""
    return list({check.what.casefold(): check for check in checks}.values())
