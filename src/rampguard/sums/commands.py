"""`rampguard sums`: from what was typed to a sum, told as text or JSON."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable, Mapping
from pathlib import Path
from typing import Final

from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.sums.discharge import told_discharge
from rampguard.sums.fuse import parse_fuse, told_fuse
from rampguard.sums.lamp import told_lamp
from rampguard.sums.reform import FedBy, told_reform, variac_plan
from rampguard.sums.soft_start import Started, told_soft_start
from rampguard.sums.told import SumError, Told
from rampguard.sums.touch import parse_reading, told_touch


def sums(options: argparse.Namespace) -> int:
    """Do one sum. 0: done; 2: it cannot be done, or what it judges has not passed."""
    try:
        told = _SUMS[options.sum](options)
    except SumError as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    print(json.dumps(told.as_message, allow_nan=False) if options.json else told.as_text, flush=True)
    return EXIT_BAD_INPUT if told.passed is False else EXIT_DONE


def _lamp(options: argparse.Namespace) -> Told:
    return told_lamp(options.nameplate_w, options.mains[0], options.idle_w, options.lamp_w)


def _fuse(options: argparse.Namespace) -> Told:
    fuse = parse_fuse(options.mark)
    current_a = options.current_a if options.multiple is None else options.multiple * fuse.rated_a
    return told_fuse(fuse, current_a, options.off_s)


def _discharge(options: argparse.Namespace) -> Told:
    charged_v = options.charged_v if options.mains is None else options.mains[0]
    return told_discharge(
        options.capacitance_uf, charged_v, options.resistor_ohm, options.within_s, mains=options.mains is not None
    )


def _reform(options: argparse.Namespace) -> Told:
    fed_by = FedBy(options.fed_by)
    told = told_reform(
        options.capacitance_uf, options.rated_v, options.to_v, options.resistor_ohm, fed_by, options.mains
    )
    if options.plan is not None:
        if fed_by is not FedBy.TRANSFORMER:
            raise SumError(["--plan is for the variac: it goes with --fed-by transformer"])
        _write(options.plan, variac_plan(*options.mains).as_toml())
    return told


def _write(path: Path, text: str) -> None:
    """A file that is not there yet."""
    try:
        with path.open("x", encoding="utf-8") as file:
            file.write(text)
    except FileExistsError:
        raise SumError([f"{path}: is there already; choose another name, or move it away"]) from None
    except OSError as error:
        raise SumError([f"{path}: cannot be written ({error.strerror}); choose another place"]) from None


def _soft_start(options: argparse.Namespace) -> Told:
    given = Started(
        options.resistor_ohm,
        options.rating_w,
        options.reservoir_uf,
        options.rail_v,
        options.rails,
        options.mains[0],
        options.idle_w,
        options.pulse_j,
    )
    return told_soft_start(given)


def _touch(options: argparse.Namespace) -> Told:
    return told_touch(options.limit, tuple(parse_reading(text) for text in options.reading))


_SUMS: Final[Mapping[str, Callable[[argparse.Namespace], Told]]] = {
    "lamp": _lamp,
    "fuse": _fuse,
    "discharge": _discharge,
    "reform": _reform,
    "soft-start": _soft_start,
    "touch": _touch,
}
