"""What `rampguard compare` takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command, positive


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "compare",
        acts["compare"],
        "what differs between captures: before and after, one unit and its twin, channel and channel",
        "rampguard compare captures/healthy-amplifier captures/shorted-output --out both.png",
    )
    parser.add_argument(
        "captures", metavar="CAPTURE", nargs="+", type=Path, help="two or more; the first is the reference"
    )
    parser.add_argument(
        "--at", metavar="V", type=positive, action="append", default=[], help="tell current at this line voltage, too"
    )
    parser.add_argument(
        "--same-unit",
        action="store_true",
        help="all are of one and the same unit, which differs less from itself than two of one model do",
    )
    parser.add_argument("--out", metavar="FILE", type=Path, help="draw them on one plot: a .png or .svg file")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
