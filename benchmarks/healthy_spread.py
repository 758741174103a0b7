"""What healthy specimens of one kind draw, beside each other: where the healthy spread of `rampguard compare` is from.

Each specimen is powered up by the demo, on meters as they are there; `rampguard.compare` reads their captures. A ratio
counts where the meters can tell the two apart at all.
"""

from __future__ import annotations

import argparse
import itertools
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from figures import write_result

from rampguard.archive.reader import read_capture
from rampguard.compare.curve import current_curve, power_curve
from rampguard.compare.differences import AT_PARTS, compare
from rampguard.compare.gather import side_of
from rampguard.compare.judging import Seen
from rampguard.compare.side import Measured, Side

KINDS = ("healthy-amplifier", "healthy-receiver", "healthy-switch-mode", "healthy-valve")


def recorded(into: Path, specimens: int) -> None:
    """Power up specimens of every kind."""
    for kind, seed in itertools.product(KINDS, range(1, specimens + 1)):
        words = [
            "demo",
            "--unit",
            kind,
            "--seed",
            str(seed),
            "--no-screen",
            "--speed",
            "50",
            "--into",
            str(into / kind),
        ]
        subprocess.run([sys.executable, "-m", "rampguard", *words], check=True, stdout=subprocess.DEVNULL)


def sides_of(folder: Path) -> list[Side]:
    """The specimens of one kind that passed."""
    captures = [read_capture(path) for path in sorted(folder.iterdir())]
    passed = [capture for capture in captures if capture.descriptor["outcome"] == "passed"]
    return [side_of(capture.folder.name, capture.descriptor, capture.rows()) for capture in passed]


def on(sides: list[Side]) -> list[Side]:
    """Those that drew more than a tenth of their nameplate power or a tenth of the most at full line: switched on."""
    watts = [power_curve(side).at(side.nameplate_v) for side in sides]
    most = max(one.value for one in watts if one is not None)
    return [side for side, one in zip(sides, watts, strict=True) if one is not None and one.value > 0.1 * most]


def largest_ratio(values: list[Measured | None]) -> float | str:
    """Of two of them, where the meters tell them apart."""
    known = [one for one in values if one is not None]
    ratios = [
        max(a.value, b.value) / min(a.value, b.value)
        for a, b in itertools.combinations(known, 2)
        if abs(a.value - b.value) > a.bound + b.bound and min(a.value, b.value) > 0.0
    ]
    return round(max(ratios), 2) if ratios else "not told apart"


def row_of(kind: str, sides: list[Side]) -> dict[str, Any]:
    """One kind's ratios, by line voltage."""
    live = on(sides)
    row: dict[str, Any] = {"kind": kind, "specimens": len(sides), "switched on": len(live)}
    for part in AT_PARTS:
        row[f"current at {100 * part:.0f} %"] = largest_ratio(
            [current_curve(side).at(part * side.nameplate_v) for side in live]
        )
    row["power at full line"] = largest_ratio([power_curve(side).at(side.nameplate_v) for side in live])
    pairs = [compare(a, b) for a, b in itertools.permutations(live, 2)]
    told = [one for pair in pairs for one in (*pair.differences, *pair.at_holds)]
    wrong = [one for one in told if one.seen in (Seen.HIGHER, Seen.LOWER)]
    print(kind, *sorted({one.what for one in wrong}), sep="; ")
    return row | {"values of all pairs": len(told), "called different": len(wrong)}


def main() -> None:
    """Power up, or take what was recorded, and keep the figures."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--specimens", type=int, default=10, help="seeds 1 to so many of each kind")
    parser.add_argument("--recorded", type=Path, help="a folder with a folder of captures for each kind")
    options = parser.parse_args()
    with tempfile.TemporaryDirectory() as place:
        folder = options.recorded or Path(place)
        if options.recorded is None:
            recorded(folder, options.specimens)
        rows = [row_of(kind, sides_of(folder / kind)) for kind in KINDS]
    for row in rows:
        print(row)
    write_result("healthy_spread", "Healthy specimens beside each other: the largest ratio of two", rows, seed=1)


if __name__ == "__main__":
    main()
