"""What `rampguard probe` takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command, positive
from rampguard.probe import PROBED


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "probe",
        acts["probe"],
        "ask before powering: a few volts at several frequencies, by a programmable source",
        "rampguard probe --bench BENCH.toml --load-class linear-amplifier --nameplate-w 300",
    )
    parser.add_argument("--bench", required=True, type=Path, help="bench file, with a programmable source")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="power on the unit's nameplate, watts")
    parser.add_argument("--load-class", metavar="C", help=f"one of {', '.join(PROBED)}")
    parser.add_argument(
        "--permissives-confirmed", action="store_true", help="a person has confirmed every pre-power check"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
