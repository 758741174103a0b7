"""What `rampguard cold` takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command


def channels(text: str) -> tuple[str, ...]:
    """``left,right``: names of channels, in order; whether they can be is checked with the sheet."""
    return tuple(name for name in map(str.strip, text.split(",")) if name)


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "cold",
        acts["cold"],
        "judge what an unpowered unit measures, before any power: its cold sheet",
        "rampguard cold unit-cold.toml",
    )
    parser.add_argument("sheet", metavar="SHEET", type=Path, help="cold sheet: points, readings, mains checks")
    does = parser.add_mutually_exclusive_group()
    does.add_argument("--ask", action="store_true", help="ask for each missing reading, and write it down at once")
    does.add_argument("--new", action="store_true", help="write a fresh sheet with a class-AB channel's usual points")
    parser.add_argument(
        "--channels", metavar="NAMES", type=channels, default=("left", "right"), help="of --new (default: left,right)"
    )
    parser.add_argument("--bench", type=Path, help="with --ask: bench file whose multimeter reads ohms and diode test")
    parser.add_argument("--meter", metavar="NAME", help="which instrument of that bench (default: the first that can)")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
