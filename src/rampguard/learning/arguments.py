"""What `rampguard learn` takes."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.argument_types import Act, command


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "learn",
        acts["learn"],
        "known-good captures of a model become the next unit's band",
        "rampguard learn JOB-1/captures/after JOB-2/captures/after --out MODEL.toml",
    )
    parser.add_argument(
        "captures",
        metavar="[UNIT=]CAPTURE",
        nargs="+",
        help="capture folders of good units; captures of one job, or of one UNIT, count as one unit",
    )
    parser.add_argument("--out", metavar="MODEL", type=Path, required=True, help="file to write (TOML)")
    parser.add_argument("--model", metavar="TITLE", help="the model's title (default: as the first capture has it)")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
