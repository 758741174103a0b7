"""What `rampguard jobs` takes."""

from __future__ import annotations

import argparse
import datetime as dt
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.argument_types import Act, command
from rampguard.job_desk import typed

_UNIT: Final = "with these words in its title, serial number, load class or job number"


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the commands."""
    parser = commands.add_parser("jobs", help="all jobs of a shop: search them, and what they add up to")
    parts = parser.add_subparsers(title="what to do", required=True, metavar="WHAT")

    def one(name: str, help_: str, example: str) -> argparse.ArgumentParser:
        added = command(parts, name, acts["jobs"], help_, f"rampguard jobs {name} {example}")
        added.add_argument("root", metavar="ROOT", type=Path, help="folder that the job folders lie in, however deep")
        added.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
        added.set_defaults(does=name)
        return added

    index = one("index", "bring the index up to date, and say which jobs cannot be read", "jobs")
    index.add_argument("--anew", action="store_true", help="make it of the folders alone")
    _add_find(
        one("find", "find jobs by words, unit, cause, part, date", 'jobs fuse "output transistor" --since 2026-01-01')
    )
    sums = one("sums", "what failed most, hours against quotes, what healthy units draw", "jobs")
    sums.add_argument("--unit", metavar="WORDS", help=_UNIT)
    _add_as_is(sums)


def _add_find(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "words",
        metavar="WORD",
        nargs="*",
        help='beginnings of words, all of which a job must have; several in quotes ("no sound") stand side by side',
    )
    parser.add_argument("--unit", metavar="WORDS", help=_UNIT)
    parser.add_argument("--cause", metavar="WORDS", help="of the cause, as written down or as the guard named it")
    parser.add_argument("--part", metavar="PART", help="a replaced part: its designator, or words of what it is")
    parser.add_argument("--since", metavar="DATE", type=_day, help="opened on that day or later, such as 2026-03-14")
    parser.add_argument("--until", metavar="DATE", type=_day, help="opened on that day or before")
    parser.add_argument("--most", metavar="N", type=_count, help="tell no more (default: 20; with --json, all)")
    _add_as_is(parser)


def _add_as_is(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--as-is", action="store_true", help="search the index as it is, without a look at the folders")


def _day(text: str) -> dt.date:
    try:
        return typed.day(text)
    except ValueError as error:
        raise argparse.ArgumentTypeError(str(error)) from None


def _count(text: str) -> int:
    if not text.isdecimal() or int(text) < 1:
        raise argparse.ArgumentTypeError(f"{text!r}: write a whole number above zero")
    return int(text)
