"""`rampguard sums`: what each sum takes."""

from __future__ import annotations

import argparse
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.argument_types import Act, command, mains, positive
from rampguard.sums.reform import FedBy
from rampguard.sums.touch import LIMITS

_DEFAULT_MAINS: Final = (230.0, 50.0)


def add(commands: Any, acts: Mapping[str, Act]) -> None:
    """Add the command, one part a sum."""
    parser = commands.add_parser(
        "sums", help="sums of the bench, with sources: lamp, fuse, discharge, reforming, soft start, touch current"
    )
    parts = parser.add_subparsers(title="which sum", required=True, metavar="WHAT")
    for name, (help_, example, options) in _SUMS.items():
        part = command(parts, name, acts["sums"], help_, f"rampguard sums {name} {example}")
        options(part)
        part.add_argument("--json", action="store_true", help="print one JSON object on standard output")
        part.set_defaults(sum=name)


def _number(parser: Any, name: str, help_: str, *, required: bool = False) -> None:
    unit = name.rsplit("-", 1)[-1].upper()
    parser.add_argument(name, metavar=unit, type=positive, required=required, help=help_)


def _mains(parser: Any) -> None:
    parser.add_argument(
        "--mains", metavar="V/HZ", type=mains, default=_DEFAULT_MAINS, help="mains, such as 120/60 (default: 230/50)"
    )


def _lamp(parser: argparse.ArgumentParser) -> None:
    _number(parser, "--nameplate-w", "power on the unit's nameplate", required=True)
    _mains(parser)
    _number(parser, "--idle-w", "what it draws idling at full line (default: a tenth of the nameplate)")
    _number(parser, "--lamp-w", "only the lamp that is at hand")


def _fuse(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("mark", metavar="MARK", help="what is on its cap: T1.6AL, T500mAH, F2AL")
    load = parser.add_mutually_exclusive_group(required=True)
    _number(load, "--current-a", "the current, rms")
    load.add_argument("--multiple", metavar="N", type=positive, help="the current, times the fuse's rating")
    _number(parser, "--off-s", "how soon your bench is off (default: what is promised, and what is usual)")


def _discharge(parser: argparse.ArgumentParser) -> None:
    _number(parser, "--capacitance-uf", "microfarads of the capacitor", required=True)
    charge = parser.add_mutually_exclusive_group(required=True)
    _number(charge, "--charged-v", "what it is charged to, DC")
    charge.add_argument(
        "--mains", metavar="V/HZ", type=mains, help="it sits across these mains; the plug's pins are judged"
    )
    by = parser.add_mutually_exclusive_group(required=True)
    _number(by, "--resistor-ohm", "the resistor there is")
    _number(by, "--within-s", "find the resistor that gets it down in this time")


def _reform(parser: argparse.ArgumentParser) -> None:
    _number(parser, "--capacitance-uf", "microfarads of the capacitor", required=True)
    _number(parser, "--rated-v", "voltage on the capacitor", required=True)
    _number(parser, "--to-v", "what it has to bear in the unit (default: its rating)")
    _number(parser, "--resistor-ohm", "the series resistor there is (default: one is found)")
    parser.add_argument(
        "--fed-by",
        choices=[str(way) for way in FedBy],
        default=str(FedBy.SUPPLY),
        help="what brings the voltage (default: %(default)s, the capacitor disconnected)",
    )
    _mains(parser)
    parser.add_argument(
        "--plan", metavar="FILE", type=Path, help="with --fed-by transformer: write the steps as a plan"
    )


def _soft_start(parser: argparse.ArgumentParser) -> None:
    _number(parser, "--resistor-ohm", "the soft-start resistor", required=True)
    _number(parser, "--rating-w", "its rated power", required=True)
    _number(parser, "--reservoir-uf", "microfarads of one rail, all its capacitors together", required=True)
    _number(parser, "--rail-v", "one rail at full line, DC", required=True)
    parser.add_argument("--rails", type=int, default=2, help="how many rails there are (default: %(default)s)")
    _number(parser, "--idle-w", "what the unit draws idling at full line", required=True)
    _mains(parser)
    _number(parser, "--pulse-j", "joules it bears in one go, by its data sheet (default: 25 a watt)")


def _touch(parser: argparse.ArgumentParser) -> None:
    limits = "; ".join(f"{name}: {limit.ma:g} mA, {limit.what}" for name, limit in LIMITS.items())
    parser.add_argument("limit", metavar="LIMIT", choices=list(LIMITS), help=limits)
    parser.add_argument(
        "--reading",
        metavar="PLUG/SWITCH=VALUE",
        action="append",
        default=[],
        help="normal/on=62mV across the body network's output, or mA; plug normal or reversed, switch on or off;"
        " all four are needed",
    )


_SUMS: Final[Mapping[str, tuple[str, str, Callable[[argparse.ArgumentParser], None]]]] = {
    "lamp": (
        "which filament lamp to put in series, and what it does to the ramp",
        "--nameplate-w 300 --idle-w 25",
        _lamp,
    ),
    "fuse": ("whether the guard or the fuse is first", "T1.6AL --current-a 8", _fuse),
    "discharge": (
        "how long a capacitor takes to 60 V and 2 V, and which resistor",
        "--capacitance-uf 10000 --charged-v 65 --resistor-ohm 100",
        _discharge,
    ),
    "reform": ("steps to reform an electrolytic by", "--capacitance-uf 47 --rated-v 450", _reform),
    "soft-start": (
        "what a soft-start resistor bears: a start, a hold below its bypass",
        "--resistor-ohm 47 --rating-w 10 --reservoir-uf 10000 --rail-v 45 --idle-w 40",
        _soft_start,
    ),
    "touch": (
        "touch current after repair against its limit",
        "class-ii --reading normal/on=62mV --reading normal/off=58mV",
        _touch,
    ),
}
