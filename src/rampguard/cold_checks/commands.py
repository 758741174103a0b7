"""`rampguard cold`: prints, asks, writes. 0: all good; 2: something is wrong, not measured, or unreadable."""

from __future__ import annotations

import json
import sys
import textwrap
from collections.abc import Callable, Sequence
from pathlib import Path

from instruments.errors import InstrumentError
from rampguard.cautions import NO_SAFETY_DEVICE
from rampguard.cold.fresh import fresh_sheet
from rampguard.cold.judgement import judge
from rampguard.cold.sheet import ColdSheetError, load_cold_sheet, parse_cold_sheet
from rampguard.cold_checks.asking import ask_for
from rampguard.cold_checks.by_meter import HOW, answering, meter_of
from rampguard.cold_checks.words import UNPLUGGED, WIDTH, told
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE


def judged(path: Path, *, as_json: bool) -> int:
    """Print what a sheet comes to."""
    try:
        sheet = load_cold_sheet(path)
    except ColdSheetError as error:
        print(error, file=sys.stderr)
        if as_json:
            print(json.dumps({"format": 1, "outcome": "unreadable", "problems": error.problems}), flush=True)
        return EXIT_BAD_INPUT
    judgement = judge(sheet)
    print(json.dumps(judgement.as_message) if as_json else told(sheet, judgement), flush=True)
    return EXIT_DONE if judgement.outcome == "good" else EXIT_BAD_INPUT


def asked(
    path: Path, ask: Callable[[str], str], *, as_json: bool, bench: Path | None = None, meter: str | None = None
) -> int:
    """Ask for what a sheet lacks, or have a bench's meter read it; then print what it comes to.

    Questions go to standard error.
    """

    def say(text: str) -> None:
        print(text, file=sys.stderr, flush=True)

    def prompt(text: str) -> str:
        print(text, end="", file=sys.stderr, flush=True)
        return ask("")

    say("\n".join(textwrap.wrap(f"{UNPLUGGED} {NO_SAFETY_DEVICE}", WIDTH)) + "\n")
    try:
        if bench is None:
            ask_for(path, prompt, say)
        else:
            wires = load_cold_sheet(path).meter.wires
            with meter_of(bench, meter) as reads:
                ask_for(path, prompt, say, answering(reads, wires, say), HOW.format(name=reads.name))
    except (ColdSheetError, InstrumentError, OSError) as error:
        say(f"{error}")
        return EXIT_BAD_INPUT
    return judged(path, as_json=as_json)


def new(path: Path, channels: Sequence[str]) -> int:
    """Write a fresh sheet."""
    if path.exists():
        print(f"{path}: is there already; choose another name, or fill it in: --ask", file=sys.stderr)
        return EXIT_BAD_INPUT
    text = fresh_sheet(channels)
    try:
        parse_cold_sheet(text, "--channels")
        path.write_text(text, encoding="utf-8")
    except (ColdSheetError, OSError) as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    print(f"{path}: written. Correct its points, then: rampguard cold {path} --ask")
    return EXIT_DONE
