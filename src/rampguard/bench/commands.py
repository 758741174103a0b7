"""`rampguard bench`: list what is connected, write a bench file by questions, check one."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any, Final

from instruments.bench import BenchFile, load_bench_file
from instruments.errors import BenchFileError
from rampguard.bench.check import BenchCheck
from rampguard.bench.listing import serial_ports, visa_resources
from rampguard.bench.questions import Cancelled, bench_file_by_questions
from rampguard.cautions import NO_SAFETY_DEVICE, NOT_PROVEN_OFF_BANNER
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_TRIPPED, EXIT_UNPROVEN
from rampguard.guard.permissives import Standing

MARKS: Final = {Standing.HOLDS: "ok  ", Standing.FAILS: "FAIL", Standing.NOT_EVALUATED: "?   "}
UNPLUGGED: Final = (
    "The unit is unplugged, a filament lamp of {watts:g} W for {volts:g} V stands in its place, and the variac, where a"
    " person turns one, is at zero. It will be live at {part:.0f} V for some seconds."
)


def check(path: Path, lamp_w: float | None, *, unplugged: bool, as_json: bool) -> int:
    """Check a bench. 0: all as it should be; 2: not, nothing energised; 3: not, off proven; 4: off not proven."""
    try:
        bench_file = load_bench_file(path)
    except BenchFileError as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    if lamp_w is not None and not (unplugged or _confirmed(bench_file, lamp_w)):
        print("not confirmed; nothing was energised", file=sys.stderr)
        return EXIT_BAD_INPUT
    checked = BenchCheck(path, bench_file, lamp_w, say=lambda text: print(f"... {text}", file=sys.stderr, flush=True))
    checked.run()
    sheet = checked.sheet
    if as_json:
        print(json.dumps(_message(checked)), flush=True)
    else:
        for finding in sheet.findings:
            print(f"{MARKS[finding.standing]}  {finding.check}: {finding.said}")
    if sheet.off_unproven:
        print(NOT_PROVEN_OFF_BANNER, file=sys.stderr)
        return EXIT_UNPROVEN
    if not sheet.failed():
        return EXIT_DONE
    return EXIT_TRIPPED if sheet.was_live else EXIT_BAD_INPUT


def _message(checked: BenchCheck) -> dict[str, Any]:
    sheet = checked.sheet
    outcome = "unproven" if sheet.off_unproven else "failed" if sheet.failed() else "passed"
    found = [{"check": f.check, "standing": str(f.standing), "said": f.said} for f in sheet.findings]
    return {"format": 1, "outcome": outcome, "bench": checked.bench_file.kind_in_words, "findings": found}


def _confirmed(bench_file: BenchFile, lamp_w: float) -> bool:
    volts = bench_file.mains.voltage_v
    said = UNPLUGGED.format(watts=lamp_w, volts=volts, part=0.1 * volts)
    print(f"{NO_SAFETY_DEVICE}\n\n{said}\nconfirmed? [y/N] ", end="", file=sys.stderr, flush=True)
    return sys.stdin.readline().strip().lower() in ("y", "yes")


def listed(*, as_json: bool) -> int:
    """Print VISA resources and serial ports."""
    resources, problem = visa_resources()
    ports = serial_ports()
    if as_json:
        said = [{"device": device, "what": what} for device, what in ports]
        print(json.dumps({"format": 1, "resources": resources, "serial_ports": said, "problem": problem}), flush=True)
        return EXIT_DONE
    print("VISA resources:")
    print("\n".join(f"  {resource}" for resource in resources) or "  none found")
    if problem:
        print(f"  ({problem})")
    print("serial ports:")
    print("\n".join(f"  {device}  {what}" for device, what in ports) or "  none found")
    print("Instruments on the network that do not announce themselves are not found: give their address.")
    return EXIT_DONE


def new(path: Path, ask: Callable[[str], str]) -> int:
    """Write a bench file by questions."""
    if path.exists():
        print(f"{path}: is there already; choose another name, or change it by hand", file=sys.stderr)
        return EXIT_BAD_INPUT
    try:
        text = bench_file_by_questions(ask)
    except Cancelled:
        print("\nnothing was written", file=sys.stderr)
        return EXIT_BAD_INPUT
    path.write_text(text, encoding="utf-8")
    try:
        load_bench_file(path)
    except BenchFileError as error:
        print(f"{error}\nwritten all the same: correct it by hand", file=sys.stderr)
        return EXIT_BAD_INPUT
    print(f"{path}: written. Next: rampguard bench check {path} --lamp-w 60")
    return EXIT_DONE
