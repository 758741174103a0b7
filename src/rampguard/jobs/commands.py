"""`rampguard jobs ...`: from what was typed to what is printed. 0: done, whatever was found; 2: it cannot be."""

from __future__ import annotations

import argparse
import dataclasses
import sqlite3
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_OUR_ERROR
from rampguard.jobs.asking import NoWord, Question, Unreadable, count, find, ranks, unreadable
from rampguard.jobs.summing import sums_of
from rampguard.jobs.updating import Index, NoJobs, opened
from rampguard.jobs.words import told_found, told_index, told_problems, told_sums
from rampguard.printed import print_json

MOST_FOUND: Final = 20


def index(options: argparse.Namespace) -> int:
    """Bring the index up to date, and say what cannot be read."""
    with opened(options.root, _say, anew=options.anew) as found:
        jobs, captures = count(found.db)
        problems = unreadable(found.db)
        lines = [*told_index(found, jobs, captures), *told_problems(options.root, problems, len(problems))]
        message = {"index": None if found.place is None else str(found.place), "jobs": jobs, "captures": captures}
        message |= {"read": found.read, "gone": found.gone, "built_anew": found.why_anew or None}
        _print(options, lines, {**message, "full_text": ranks(found.db)}, problems)
    return EXIT_DONE


def find_jobs(options: argparse.Namespace) -> int:
    """Print the jobs that were looked for."""
    names = ("unit", "cause", "part", "since", "until")
    question = Question(words=tuple(options.words), **{name: getattr(options, name) for name in names})
    with opened(options.root, _say, as_is=options.as_is) as found:
        _tell_of(found, options.root)
        jobs, problems = find(found.db, question), unreadable(found.db)
        if question.words and not ranks(found.db):
            _say("this Python's SQLite has no full text (FTS5): the same jobs, the newest first instead of the best")
        lines = told_found(options.root, jobs, options.most or MOST_FOUND)
        told = [{**dataclasses.asdict(one), "path": str(options.root / one.folder)} for one in jobs[: options.most]]
        _print(options, [*lines, *told_problems(options.root, problems)], {"found": len(jobs), "jobs": told}, problems)
    return EXIT_DONE


def sums(options: argparse.Namespace) -> int:
    """Print what all jobs add up to."""
    with opened(options.root, _say, as_is=options.as_is) as found:
        _tell_of(found, options.root)
        summed = sums_of(found.db, options.unit)
        lines = [*told_sums(summed), *told_problems(options.root, summed.unreadable)]
        _print(options, lines, summed.as_message, summed.unreadable)
    return EXIT_DONE


def act(options: argparse.Namespace) -> int:
    """One of them, by its name."""
    try:
        return _BY_NAME[options.does](options)
    except (NoJobs, NoWord) as error:
        return _refused(options, str(error), EXIT_BAD_INPUT)
    except sqlite3.Error as error:
        why = f"the index cannot be read ({error}); make it anew: rampguard jobs index {options.root} --anew"
        return _refused(options, why, EXIT_OUR_ERROR)


def _refused(options: argparse.Namespace, why: str, code: int) -> int:
    _say(why)
    if options.json:
        print_json({"format": 1, "outcome": "refused", "reason": why})
    return code


def _tell_of(found: Index, root: Path) -> None:
    """A search that had to make its index anew says so; that there was none yet needs no alarm."""
    if found.why_anew and found.place is not None:
        _say(f"{root}: the index was built anew ({found.why_anew})")


def _print(
    options: argparse.Namespace, lines: list[str], message: Mapping[str, Any], problems: list[Unreadable]
) -> None:
    if options.json:
        told = [dataclasses.asdict(one) for one in problems]
        print_json({"format": 1, "outcome": "done", **message, "unreadable": told})
    else:
        print("\n".join(lines))


def _say(text: str) -> None:
    print(text, file=sys.stderr, flush=True)


_BY_NAME: Final[dict[str, Callable[[argparse.Namespace], int]]] = {"index": index, "find": find_jobs, "sums": sums}
