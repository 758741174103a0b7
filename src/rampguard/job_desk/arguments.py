"""What `rampguard job` takes."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command, mains, positive
from rampguard.job_desk import typed
from rampguard.loads.classes import LOAD_CLASSES


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the commands."""
    parser = commands.add_parser(
        "job", help="a repair from intake to hand-back: begin it, show it, write down what was done"
    )
    parts = parser.add_subparsers(title="what to do", required=True, metavar="WHAT")

    def one(name: str, help_: str, example: str) -> argparse.ArgumentParser:
        added = command(parts, name, acts["job"], help_, f"rampguard job {name} {example}")
        added.add_argument("folder", metavar="DIR", type=Path, help="job folder")
        added.set_defaults(does=name)
        return added

    _add_new(one("new", "begin a job: asks, at a terminal, for what the flags do not say", "2026-014"))
    show = one("show", "one page: what it is, what was done, hours against the quote, what is missing", "2026-014")
    show.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
    one("ask", "ask for each thing that is missing; each answer is written at once", "2026-014")
    one("fill", "the same on a screen, as a form", "2026-014")
    _add_log(one("log", "write down work, and how long it took", '2026-014 "output stage rebuilt" --hours 2.5'))
    _add_part(
        one(
            "part",
            "write down a part that was replaced",
            '2026-014 Q701 "output transistor" --with "same type, new" --origin "authorised distributor"',
        )
    )
    _add_check(
        one(
            "check",
            "write down a check by hand, or that it was not made",
            '2026-014 "earth continuity" passed --reads "0.08 ohm"',
        )
    )
    caution = one("caution", "write down what the customer is told", '2026-014 "keep its vents free"')
    caution.add_argument("text", metavar="TEXT", help="what is passed on")
    close = one("close", "close a job that lacks nothing", "2026-014")
    _add_date(close)
    close.add_argument("--unfinished", action="store_true", help="close it though something is missing")


def _add_new(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--number", help="the job's number (default: the folder's name)")
    parser.add_argument("--opened", metavar="DATE", type=_typed(typed.day), help="when it came in (default: today)")
    parser.add_argument("--title", help="what the unit is; captures are called by it")
    parser.add_argument("--serial", help="its serial number")
    parser.add_argument("--load-class", metavar="C", help=f"one of {', '.join(LOAD_CLASSES)}")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="power on the unit's nameplate, watts")
    parser.add_argument("--nameplate-v", metavar="V", type=positive, help="voltage on the unit's nameplate, volts")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains that it is run on here, such as 230/50")
    parser.add_argument("--channels", metavar="NAMES", type=_typed(typed.names), help="such as left,right")
    parser.add_argument("--complaint", help="what the customer says is wrong")


def _add_log(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("text", metavar="TEXT", help="what was done")
    parser.add_argument("--hours", metavar="H", required=True, type=positive, help="how long it took, hours")
    _add_date(parser)


def _add_part(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("designator", metavar="DESIGNATOR", help="which part, such as Q701")
    parser.add_argument("what", metavar="WHAT", help="what it is, such as output transistor")
    parser.add_argument("--with", dest="replaced_with", metavar="TEXT", required=True, help="what it was replaced with")
    parser.add_argument("--origin", metavar="TEXT", required=True, help="where the new part is from")
    parser.add_argument("--matched-with", metavar="TEXT", help="the part that it is matched with")
    parser.add_argument("--lot", metavar="TEXT", help="the new part's lot")


def _add_check(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("what", metavar="CHECK", help="what was checked, such as earth continuity")
    parser.add_argument(
        "result", metavar="RESULT", choices=("passed", "failed", "not-made"), help="passed, failed, not-made"
    )
    parser.add_argument("--reads", metavar="READING", type=_typed(typed.reading), help='"0.08 ohm", "over 1000 Mohm"')
    parser.add_argument("--limit", metavar="TEXT", help="what it is held against, and whose limit that is")
    parser.add_argument("--by", metavar="TEXT", help="what it was measured with")
    _add_date(parser)


def _add_date(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--date", metavar="DATE", type=_typed(typed.day), help="such as 2026-03-14 (default: today)")


def _typed(understood: Callable[[str], Any]) -> Callable[[str], Any]:
    def taken(text: str) -> Any:
        try:
            return understood(text)
        except ValueError as error:
            raise argparse.ArgumentTypeError(str(error)) from None

    return taken
