"""`rampguard estimates`: what it takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command
from rampguard.estimates.nominal import NAMES


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "estimates",
        acts["estimates"],
        "what a healthy ramp says about its unit: idle, reservoirs, windings, soft start, each with an interval",
        "rampguard estimates captures/healthy-amplifier --nominal reservoir=10000uF",
    )
    parser.add_argument("capture", metavar="CAPTURE", type=Path, help="capture folder of a ramp that passed")
    parser.add_argument(
        "--nominal",
        metavar="NAME=N,..",
        default="",
        help=f"what the unit should have, with its unit, to compare with: {', '.join(NAMES)}",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")
