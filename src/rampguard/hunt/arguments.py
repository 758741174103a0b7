"""What the hunt takes on the command line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command, mains, positive


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "hunt",
        acts["hunt"],
        "find the section at fault: short, gentle ramps, one section more unplugged each time",
        "rampguard hunt --bench BENCH.toml --sections SECTIONS.toml --nameplate-w 300",
    )
    parser.add_argument("--bench", required=True, type=Path, help="bench file: which instrument plays which role")
    parser.add_argument("--sections", required=True, type=Path, help="sections file: what can be unplugged")
    parser.add_argument("--into", metavar="DIR", type=Path, help="folder the captures go into (default: captures)")
    parser.add_argument("--job", metavar="DIR", type=Path, help="job folder; the captures go into its captures/")
    parser.add_argument("--load-class", metavar="C", help="kind of unit (default: the bench file's)")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="power on the unit's nameplate, watts")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains, such as 230/50; must agree with the bench")
    parser.add_argument(
        "--permissives-confirmed",
        action="store_true",
        help="a person has confirmed every pre-power check; the captures record that it was given this way",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
