"""What `rampguard verify` and `rampguard export` take."""

from __future__ import annotations

import argparse
import re
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.argument_types import Act, command

LEAST_DIGITS: Final = 16
"""So much of a digest is not hit by chance, nor within anybody's reach by trying."""


def digest(text: str) -> str:
    """A seal's digest as it is on paper: hexadecimal, in groups or not, at least its first 16 digits."""
    digits = re.sub(r"[\s:-]", "", text).lower()
    if not re.fullmatch(r"[0-9a-f]+", digits) or not LEAST_DIGITS <= len(digits) <= 64:
        raise argparse.ArgumentTypeError(
            f"{text!r}: write the seal's digest, at least its first {LEAST_DIGITS} of 64 digits, 0-9 and a-f"
        )
    return digits


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add both commands."""
    parser = command(
        commands,
        "verify",
        acts["verify"],
        "say whether captures are whole, cut short, or changed after they were sealed",
        "rampguard verify captures/healthy-amplifier",
    )
    parser.add_argument(
        "paths", metavar="PATH", nargs="+", type=Path, help="capture, job folder, or folder of captures"
    )
    parser.add_argument(
        "--seal-of",
        metavar="HEX",
        type=digest,
        action="append",
        default=[],
        help="the seal's own digest, from paper: tells a seal that was made anew; once for each capture",
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
    parser = command(
        commands,
        "export",
        acts["export"],
        "write a capture in a form that other programs read",
        "rampguard export captures/healthy-amplifier --parquet healthy.parquet",
    )
    parser.add_argument("capture", metavar="CAPTURE", type=Path, help="capture folder")
    parser.add_argument("--parquet", metavar="FILE", type=Path, help="its rows as a Parquet file")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
