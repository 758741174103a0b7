"""Plots in text: what is drawn against line voltage, with what a healthy unit may draw; and idles against time.

What is expected is shaded, what was read is dots, and the newest reading is a mark of its own: told apart without
colour.
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Mapping, Sequence
from operator import itemgetter
from typing import Final

from rich.text import Text

from rampguard.screen.braille import Dots
from rampguard.screen.view import BINS, HEADROOM

SHADE: Final = "░"
NOW: Final = "●"
CEILING: Final = "╌"
LABEL: Final = 8
"""Cells for the labels at the left."""
_BLANK: Final = (" ", "")
LEAST_TOP: Final = {"A": 0.05, "W": 2.0, "mV": 5.0}
"""A plot's vertical axis reaches so far at least, by unit."""


def nice_top(value: float) -> float:
    """The next of 1, 1.5, 2, 3, 5, 7.5 times a power of ten at or above a value."""
    if value <= 0.0:
        return 1.0
    power = 10.0 ** math.floor(math.log10(value))
    return next(
        (step * power for step in (1.0, 1.5, 2.0, 3.0, 5.0, 7.5) if step * power >= value * 0.999), 10.0 * power
    )


def against_line(
    width: int,
    height: int,
    *,
    points: Sequence[tuple[float, float]],
    bounds: Mapping[int, tuple[float, float]],
    ceiling: float | None,
    nameplate_v: float,
    unit: str,
    title: str,
) -> list[Text]:
    """Current or power against line voltage, in so many cells. ``bounds`` by part of line voltage, as in the view."""
    inner_w, inner_h = max(8, width - LABEL - 1), max(3, height - 3)
    right_v = HEADROOM * nameplate_v
    newest = points[-1] if points else None
    most = max((y for _, y in points), default=0.0)
    at_now = [
        high for at, (_, high) in bounds.items() if newest and abs(at / BINS * right_v - newest[0]) < 0.1 * right_v
    ]
    most = max(most, min(max(at_now, default=0.0), 4.0 * most))  # a wide band is cut off, not the trace made small
    top = nice_top(max(1.1 * most, LEAST_TOP[unit]))
    dots = Dots(inner_w, inner_h)
    dots.plot((x / right_v, y / top) for x, y in points)
    # In layers, the last on top.
    cells = dict.fromkeys(_shaded(inner_w, inner_h, drawn_through(bounds), top), (SHADE, "green"))
    if ceiling is not None and ceiling <= top:
        row = int((1.0 - ceiling / top) * inner_h)
        cells |= {(column, row): (CEILING, "red") for column in range(inner_w)}
    cells |= {at: (dot, "bold") for at, dot in dots.drawn()}
    if newest is not None:
        row = min(inner_h - 1, max(0, int((1.0 - newest[1] / top) * inner_h)))
        cells[min(inner_w - 1, int(newest[0] / right_v * inner_w)), row] = NOW, "bold"
    return [
        Text(title[: width - 1], "bold"),
        *_rows(cells, inner_w, inner_h, top, unit),
        Text(_x_labels(inner_w, nameplate_v), "dim"),
    ]


_Cells = Mapping[tuple[int, int], tuple[str, str]]
"""By (column, row from the top): what stands in a cell, and its style."""


def _rows(cells: _Cells, width: int, height: int, top: float, unit: str) -> list[Text]:
    """What was painted, between its axes."""
    lines = []
    for row in range(height):
        line = Text(_y_label(row, height, top, unit) + "│", no_wrap=True)
        line.stylize("dim")
        painted = (cells.get((column, row), _BLANK) for column in range(width))
        for style, run in itertools.groupby(painted, key=itemgetter(1)):  # runs, not cells: it is drawn often
            line.append("".join(map(itemgetter(0), run)), style)
        lines.append(line)
    return [*lines, Text(" " * LABEL + "└" + "─" * width, "dim")]


NEAR_PARTS: Final = 14
"""Between two parts of line voltage no farther apart than this (some 6 % of it) the band is drawn through."""


def drawn_through(bounds: Mapping[int, tuple[float, float]]) -> dict[int, tuple[float, float]]:
    """The bounds, and between near ones straight lines from one to the next: a line that rises fast leaves gaps."""
    through = dict(bounds)
    for left, right in itertools.pairwise(sorted(bounds)):
        if right - left <= NEAR_PARTS:
            for part in range(left + 1, right):
                share = (part - left) / (right - left)
                (low, high), (next_low, next_high) = bounds[left], bounds[right]
                through[part] = (low + share * (next_low - low), high + share * (next_high - high))
    return through


def _shaded(width: int, height: int, bounds: Mapping[int, tuple[float, float]], top: float) -> set[tuple[int, int]]:
    """The cells between the bounds; a cell more on either side than is sure, rather than none at all."""
    cells = set()
    for part, (low, high) in bounds.items():
        column = int((part + 0.5) / BINS * width)
        first = max(0, int((1.0 - min(1.0, high / top)) * height))
        last = min(height - 1, int((1.0 - min(1.0, low / top)) * height))
        if low <= top:
            cells |= {(column, row) for row in range(first, last + 1)}
    return cells


def _y_label(row: int, height: int, top: float, unit: str) -> str:
    value = {0: top, height // 2: 0.5 * top, height - 1: 0.0}.get(row)
    if value is None:
        return " " * LABEL
    small = unit == "A" and top < 1.0
    return f"{1e3 * value if small else value:.3g} {'mA' if small else unit}".rjust(LABEL - 1) + " "


def _x_labels(width: int, nameplate_v: float) -> str:
    line = [" "] * (width + LABEL + 1)
    for part in (0.0, 0.25, 0.5, 0.75, 1.0):
        said = f"{part * nameplate_v:.0f}" + (" V" if part == 1.0 else "")
        at = LABEL + 1 + int(part / HEADROOM * width) - len(said) // 2
        line[max(0, at) : max(0, at) + len(said)] = said
    return "".join(line)[: width + LABEL + 1]


def against_minutes(width: int, height: int, idles: Mapping[str, Sequence[tuple[float, float]]]) -> list[Text]:
    """Each channel's idle, mV, against minutes; the newest reading of each is marked by its number."""
    inner_w, inner_h = max(8, width - LABEL - 1), max(3, height - 3)
    every = [point for points in idles.values() for point in points]
    right = max(1.0, max((x for x, _ in every), default=1.0))
    top = nice_top(max(1.1 * max((y for _, y in every), default=0.0), LEAST_TOP["mV"]))
    dots, marks = Dots(inner_w, inner_h), dict[tuple[int, int], str]()
    for number, points in enumerate(idles.values(), 1):
        dots.plot((x / right * 0.98, y / top) for x, y in points)
        if points:
            row = min(inner_h - 1, max(0, int((1.0 - points[-1][1] / top) * inner_h)))
            marks[(inner_w - 1, row)] = "*" if (inner_w - 1, row) in marks else str(number % 10)
    cells = {at: (drawn, "bold") for at, drawn in itertools.chain(dots.drawn(), marks.items())}
    return [
        Text("idle, mV, against minutes at full line", "bold"),
        *_rows(cells, inner_w, inner_h, top, "mV"),
        Text(" " * LABEL + f"0{f'{right:.1f} min'.rjust(inner_w - 1)}", "dim"),
    ]
