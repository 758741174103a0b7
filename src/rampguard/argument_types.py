"""What the command line's arguments may be, and how a command is added.

Each type raises argparse.ArgumentTypeError, saying what to write.
"""

from __future__ import annotations

import argparse
from collections.abc import Callable
from pathlib import Path
from typing import Any

from rampguard.loads.classes import LOAD_CLASSES

Act = Callable[[argparse.Namespace], int]
"""A command: its arguments in, its exit code out."""


def command(commands: Any, name: str, act: Act, help_: str, example: str) -> argparse.ArgumentParser:
    """Add a command, with an example at the end of its help."""
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_,
        description=help_[0].upper() + help_[1:] + ".",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(command=act)
    return parser


def add_unit_on_bench(parser: argparse.ArgumentParser) -> None:
    """A unit on a bench: what every power-up takes."""
    parser.add_argument("--bench", required=True, type=Path, help="bench file: which instrument plays which role")
    add_job(parser)
    parser.add_argument("--load-class", metavar="C", help=f"one of {', '.join(LOAD_CLASSES)}")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="power on the unit's nameplate, watts")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains, such as 230/50; must agree with the bench")
    parser.add_argument(
        "--permissives-confirmed",
        action="store_true",
        help="a person has confirmed every pre-power check; the capture records that it was given this way",
    )


def add_job(parser: argparse.ArgumentParser) -> None:
    """The job folder."""
    parser.add_argument(
        "--job",
        metavar="DIR",
        type=Path,
        help="job folder: its job.toml says what the unit is, the capture goes into its captures/ and is entered there",
    )


def add_outputs(parser: argparse.ArgumentParser) -> None:
    """Where what a power-up leaves goes, and what it prints."""
    parser.add_argument("--into", metavar="DIR", type=Path, help="folder the capture goes into (default: captures)")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")


def positive(text: str) -> float:
    """A number above zero."""
    try:
        value = float(text)
    except ValueError:
        raise argparse.ArgumentTypeError(f"{text!r} is not a number; write it without its unit") from None
    if not 0 < value < float("inf"):
        raise argparse.ArgumentTypeError(f"{text} must be a number above zero")
    return value


def mains(text: str) -> tuple[float, float]:
    """``230/50``: volts rms and hertz."""
    volts, slash, hertz = text.partition("/")
    if not slash:
        raise argparse.ArgumentTypeError(f"{text!r}: write volts and hertz, such as 230/50")
    return positive(volts), positive(hertz)


def override(text: str) -> tuple[str, str]:
    """``earth-continuity=no protective earth``: a pre-power check, and the reason to go on without it."""
    check, _, reason = text.partition("=")
    if not reason.strip():
        raise argparse.ArgumentTypeError(f"{text!r}: write the check and the reason, such as earth-continuity=REASON")
    return check.strip(), reason.strip()


def facts(text: str) -> dict[str, float]:
    """``va=400,idle_w=30``: facts by name; which there are, and whether they can be, is checked with the load class."""
    found = {}
    for part in filter(None, map(str.strip, text.split(","))):
        name, _, value = part.partition("=")
        try:
            found[name] = float(value)
        except ValueError:
            raise argparse.ArgumentTypeError(f"{part!r}: write name=number, such as va=400,idle_w=30") from None
    return found


def address(text: str) -> tuple[str, int]:
    """``8080`` or ``192.0.2.7:8080``: where to listen; loopback where no host is given."""
    host, _, port = text.rpartition(":")
    if not port.isdigit() or int(port) > 65535:
        raise argparse.ArgumentTypeError(f"{text!r}: write a port, such as 8080, or HOST:PORT")
    return host or "127.0.0.1", int(port)
