"""What `rampguard hand-back` takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command to the command line."""
    parser = command(
        commands,
        "hand-back",
        acts["hand-back"],
        "write the sheet that goes back with a repaired unit, as HTML and PDF",
        "rampguard hand-back jobs/2026-014",
    )
    parser.add_argument("job", metavar="JOB", type=Path, help="job folder")
    parser.add_argument("--out", metavar="DIR", type=Path, help="where the sheets go (default: hand-back/ in the job)")
    parser.add_argument(
        "--language", choices=("en",), default="en", help="language of the sheet (default: %(default)s)"
    )
    parser.add_argument(
        "--with-customer", action="store_true", help="put name, contact and address of private.toml on it"
    )
    parser.add_argument("--with-price", action="store_true", help="put hours, and the price quoted, on it")
    parser.add_argument(
        "--draft",
        action="store_true",
        help="write it although something is missing; every page says that it is a draft",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
