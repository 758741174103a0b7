"""`rampguard compare`: from the captures that were named to what is printed and drawn."""

from __future__ import annotations

import argparse
import math
import sys
from collections.abc import Mapping
from pathlib import Path
from typing import Any, Final

from rampguard.archive.errors import ArchiveError, CaptureError
from rampguard.archive.reader import Capture, Completeness, read_capture
from rampguard.compare.differences import compare
from rampguard.compare.gather import side_of
from rampguard.compare.judging import SAME_UNIT, TWINS
from rampguard.compare.side import Side
from rampguard.compare.story import message, told
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.printed import print_json

MOST: Final = 5
"""More captures cannot be told apart on one plot."""


def compare_captures(options: argparse.Namespace) -> int:
    """Compare captures. 0: done, whatever differs; 2: one cannot be read, or the picture not be drawn."""
    try:
        _check(options.captures, options.out)
        sides = [_side(path) for path in options.captures]
        if options.out is not None:
            _draw(sides, options.out)
    except (ArchiveError, OSError) as error:
        print(f"nothing compared: {error}", file=sys.stderr)
        return EXIT_BAD_INPUT
    spread = SAME_UNIT if options.same_unit else TWINS
    comparisons = [compare(sides[0], other, options.at, spread) for other in sides[1:]]
    if options.json:
        print_json(message(sides, comparisons))
    else:
        print("\n".join(told(sides, comparisons)))
    return EXIT_DONE


def _check(captures: list[Path], out: Path | None) -> None:
    if not 2 <= len(captures) <= MOST:
        raise CaptureError(f"{len(captures)} captures; name two to {MOST}, the reference first")
    if out is not None and out.suffix.lower() not in (".png", ".svg"):
        raise CaptureError(f"{out}: is neither .png nor .svg; give it one of these endings")


def _side(path: Path) -> Side:
    capture = read_capture(path)
    _warn(path, capture)
    wrong = [name for name, fits in _fits(capture.descriptor).items() if not fits]
    if wrong:
        raise CaptureError(f"{path}: its descriptor has no {', '.join(wrong)} that can be used; it cannot be compared")
    return side_of(str(path), capture.descriptor, capture.rows())


def _fits(found: Mapping[str, Any]) -> dict[str, bool]:
    """Whether what a comparison rests on is as it is written, by name: a changed descriptor may hold anything."""
    lamp_w, hertz, out = (found.get(name) for name in ("series_lamp_w", "mains_frequency_hz", "unplugged"))
    trip = (found.get("result") or {}).get("trip")
    return {
        "nameplate_v": _is_positive(found.get("nameplate_v")),
        "nameplate_w": _is_positive(found.get("nameplate_w")),
        "mains_frequency_hz": hertz is None or _is_positive(hertz),
        "series_lamp_w": lamp_w is None or _is_positive(lamp_w),
        "unplugged": out is None or (isinstance(out, list) and all(isinstance(name, str) for name in out)),
        "trip": trip is None or (isinstance(trip, dict) and _is_positive(trip.get("time_s"))),
    }


def _is_positive(value: object) -> bool:
    return isinstance(value, int | float) and not isinstance(value, bool) and 0.0 < value < math.inf


def _warn(path: Path, capture: Capture) -> None:
    """A record that is not whole is compared all the same, and it is said."""
    if capture.completeness is Completeness.TAMPERED:
        print(f"{path}: was changed after it was sealed; rampguard verify tells what", file=sys.stderr)
    elif capture.completeness is Completeness.CUT_SHORT:
        print(f"{path}: was cut short; what was written is compared", file=sys.stderr)


def _draw(sides: list[Side], out: Path) -> None:
    from rampguard.compare.picture import draw_comparison

    draw_comparison(sides, out)
    print(f"picture: {out}", file=sys.stderr)
