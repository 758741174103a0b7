"""`rampguard job ...`: prints, asks, writes. 0: done; 2: it cannot be read, not be written so, or not be closed yet."""

from __future__ import annotations

import argparse
import datetime as dt
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.job.edits import with_entry, with_value
from rampguard.job.errors import JobError
from rampguard.job.missing import Missing, missing_of
from rampguard.job.model import Job
from rampguard.job.reading import FoundCapture, captures_of, read_job
from rampguard.job.writing import change_job, leftovers
from rampguard.job_desk.asking import Stopped, ask_for
from rampguard.job_desk.beginning import begin
from rampguard.job_desk.words import as_message, hours, still_missing, told
from rampguard.printed import print_json


def new(options: argparse.Namespace) -> int:
    """Begin a job."""
    keys = ("number", "opened", "title", "serial", "load_class", "nameplate_w", "nameplate_v", "mains", "channels")
    given = {key: getattr(options, key) for key in (*keys, "complaint")}
    try:
        job = begin(options.folder, given, _prompt if _at_a_terminal() else None, _say, _today())
    except (Stopped, EOFError, KeyboardInterrupt):
        _say("\nnothing was written")
        return EXIT_BAD_INPUT
    print(
        f"{options.folder / 'job.toml'}: job {job.number} begun.\nWhat is missing: rampguard job ask {options.folder}"
    )
    return EXIT_DONE


def show(options: argparse.Namespace) -> int:
    """Print a job."""
    job, captures, missing = _seen(options.folder)
    left = leftovers(options.folder)
    if options.json:
        print_json(as_message(job, captures, missing, left))
    else:
        print(told(job, captures, missing, left))
    return EXIT_DONE


def ask(options: argparse.Namespace) -> int:
    """Ask for what is missing, then say what still is."""
    ask_for(options.folder, _prompt, _say, _today())
    _, _, missing = _seen(options.folder)
    print("\n".join(still_missing(missing)))
    return EXIT_DONE


def log(options: argparse.Namespace) -> int:
    """Write down work."""
    job = _added(
        options.folder, "work", {"date": options.date or _today(), "what": options.text, "hours": options.hours}
    )
    print(hours(job))
    return EXIT_DONE


def part(options: argparse.Namespace) -> int:
    """Write down a part that was replaced."""
    keys = ("designator", "what", "replaced_with", "origin", "matched_with", "lot")
    job = _added(options.folder, "part", {key: getattr(options, key) for key in keys})
    print(f"{options.designator} written down; {len(job.part)} in all")
    return EXIT_DONE


def check(options: argparse.Namespace) -> int:
    """Write down a check that was made, or was not."""
    made = options.result.replace("-", " ")
    entry = {"what": options.what, "result": made, **(options.reads or {}), "limit": options.limit, "by": options.by}
    job = _added(options.folder, "check", {**entry, "date": options.date or _today()})
    print(f"{options.what}: {made}{f', {job.check[-1].reads}' if job.check[-1].reads else ''}")
    return EXIT_DONE


def caution(options: argparse.Namespace) -> int:
    """Write down what the customer is told."""
    job = _added(options.folder, "caution", {"text": options.text})
    print(f"written down; {len(job.caution)} in all")
    return EXIT_DONE


def close(options: argparse.Namespace) -> int:
    """Close a job that lacks nothing, or is closed all the same."""
    job, _, missing = _seen(options.folder)
    origin = str(options.folder / "job.toml")
    if job.closed is not None:
        raise JobError(origin, [f"was closed on {job.closed} already"])
    if missing and not options.unfinished:
        how = "not closed. To close it all the same, such as one that goes back unrepaired: --unfinished"
        raise JobError(origin, [*(f"missing: {one.text}" for one in missing), how])
    day = options.date or _today()
    job = change_job(options.folder, lambda text: with_value(text, ("closed",), day), {"closed"})
    print(f"closed on {job.closed}{', unfinished' if missing else ''}; {hours(job)}")
    return EXIT_DONE


def _added(folder: Path, name: str, entry: Mapping[str, Any]) -> Job:
    for line in leftovers(folder):  # this write takes its place
        _say(line)
    return change_job(folder, lambda text: with_entry(text, name, entry), {name})


def _seen(folder: Path) -> tuple[Job, tuple[FoundCapture, ...], tuple[Missing, ...]]:
    job = read_job(folder)
    captures = captures_of(folder, job)
    return job, captures, missing_of(job, captures)


def _today() -> dt.date:
    return dt.datetime.now().astimezone().date()


def _at_a_terminal() -> bool:
    return sys.stdin is not None and sys.stdin.isatty()


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


def _prompt(text: str) -> str:
    print(text, end="", file=sys.stderr, flush=True)
    return input()


BY_NAME = {
    "new": new,
    "show": show,
    "ask": ask,
    "log": log,
    "part": part,
    "check": check,
    "caution": caution,
    "close": close,
}
"""Each command by its name."""
