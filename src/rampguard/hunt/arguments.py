"""What the hunt takes on the command line."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, add_outputs, add_unit_on_bench, command


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "hunt",
        acts["hunt"],
        "find the section at fault: short, gentle ramps, one section more unplugged each time",
        "rampguard hunt --bench BENCH.toml --sections SECTIONS.toml --nameplate-w 300",
    )
    add_unit_on_bench(parser)
    add_outputs(parser)
    parser.add_argument("--sections", required=True, type=Path, help="sections file: what can be unplugged")
