"""What `rampguard waveforms` takes."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.argument_types import Act, command

# As in `instruments.cycle_power` and `rampguard.waveform.comtrade`, which would bring numpy along with every command.
HARMONICS: Final = 40
KINDS: Final = ("ASCII", "BINARY", "BINARY32", "FLOAT32")


def order(text: str) -> int:
    """A harmonic's order."""
    if not text.isascii() or not text.isdigit() or not 1 <= int(text) <= HARMONICS:
        raise argparse.ArgumentTypeError(f"{text!r}: write a whole number from 1 to {HARMONICS}")
    return int(text)


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command."""
    parser = command(
        commands,
        "waveforms",
        acts["waveforms"],
        "tell, draw or export the waveforms that a capture kept around events",
        "rampguard waveforms CAPTURE --only trip --harmonics 9",
    )
    parser.add_argument("capture", metavar="CAPTURE", type=Path, help="capture folder")
    parser.add_argument("--only", metavar="EVENT", help="one kind of event (trip), or one waveform (02-trip, or 2)")
    parser.add_argument(
        "--harmonics", metavar="N", type=order, help=f"harmonics 1 to N (at most {HARMONICS}) of one cycle, too"
    )
    parser.add_argument(
        "--at-ms",
        metavar="MS",
        type=float,
        help="the cycle under way so long after its event, below zero before it (default: the one that draws most)",
    )
    parser.add_argument(
        "--plot", metavar="FILE", type=Path, help="draw one waveform (default: the first trip, or the first)"
    )
    parser.add_argument("--comtrade", metavar="DIR", type=Path, help="export them into a folder, as COMTRADE files")
    parser.add_argument(
        "--kind", choices=KINDS, default="FLOAT32", help="how --comtrade writes samples (default: %(default)s)"
    )
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")
