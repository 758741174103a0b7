"""Captures on one plot: current and power against line voltage, told apart in grey by their dashes and markers."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rampguard.compare.side import Side
from rampguard.report.ramp_plot import DPI, STYLES, drawable
from rampguard.report.saved import save_whole

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_PX: Final = 1600
HEIGHT_PX: Final = 800
MARKERS: Final = ("o", "s", "^", "D", "v", "P")
_Style = dict[str, Any]
MOST: Final = len(STYLES)
"""More captures cannot be told apart in grey."""
_LONGEST: Final = 70


def draw_comparison(sides: Sequence[Side], out: Path) -> None:
    """Draw captures beside each other into a PNG or SVG file, by its ending; it is there whole or not at all.

    Each is scaled to the first one's nameplate voltage. Raises OSError.
    """
    form = "svg" if out.suffix.lower() == ".svg" else "png"
    metadata = {"Date": None} if form == "svg" else {"Software": None}
    settings = {"svg.hashsalt": "rampguard"}
    save_whole(lambda: comparison_figure(sides), out, dpi=DPI, metadata=metadata, form=form, settings=settings)


def comparison_figure(sides: Sequence[Side]) -> Figure:
    """The picture as a figure."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor="white")
    current, power = figure.subplots(1, 2)
    top = 1.0 - (70 + 26 * len(sides)) / HEIGHT_PX
    figure.subplots_adjust(left=0.06, right=0.985, bottom=0.09, top=top, wspace=0.16)
    full_v = sides[0].nameplate_v
    for number, side in enumerate(sides):
        _draw(current, power, side, number, full_v / side.nameplate_v)
    _dress(current, "line current, A rms", full_v)
    _dress(power, "real power, W", full_v)
    handles, names = current.get_legend_handles_labels()
    place: _Style = {"loc": "upper left", "bbox_to_anchor": (0.055, 0.935), "frameon": False, "fontsize": 11}
    figure.legend(handles, names, handlelength=5.0, **place)
    figure.text(0.02, 0.985, "Captures beside each other", fontsize=16, fontweight="bold", va="top")
    return figure


def _draw(current: Axes, power: Axes, side: Side, number: int, scale: float) -> None:
    colour, line = STYLES[number % MOST]
    volts, amps, watts = np.array(side.way, dtype=np.float64).reshape(-1, 3).T
    name = f"{'ABCDEFGH'[number]}  {_short(side.name)}: {side.outcome}"
    look: _Style = {"color": colour, "linestyle": line, "linewidth": 1.6}
    for axes, values, factor in ((current, amps, 1.0 / scale), (power, watts, 1.0)):
        axes.plot(scale * volts, factor * values, label=f"_{name}", **look)
        holds = [(h.line_v.value, (h.current_a if axes is current else h.power_w)) for h in side.holds]
        points = np.array([(scale * v, factor * one.value) for v, one in holds if one is not None]).reshape(-1, 2)
        marks: _Style = {"marker": MARKERS[number % len(MARKERS)], "markersize": 7, "markerfacecolor": "white"}
        axes.plot(*points.T, color=colour, linestyle="none", **marks)
        axes.plot([], [], label=drawable(name), **look, **marks)
        if side.trip is not None and len(volts):
            cross: _Style = {"marker": "X", "markersize": 13, "markeredgecolor": "#000000", "linestyle": "none"}
            axes.plot([scale * volts[-1]], [factor * values[-1]], color=colour, zorder=5, **cross)


def _dress(axes: Axes, name: str, full_v: float) -> None:
    axes.set_xlabel(f"line voltage, V rms (of {full_v:g} V); marks: where the line stood still; X: a trip")
    axes.set_ylabel(name)
    axes.grid(visible=True, color="#ececec", linewidth=0.8)
    axes.set_axisbelow(True)
    axes.set_xlim(0.0, 1.03 * full_v)
    axes.set_ylim(bottom=min(0.0, axes.get_ylim()[0]))
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _short(name: str) -> str:
    return name if len(name) <= _LONGEST else f"…{name[1 - _LONGEST :]}"
