"""The sheet's plots, as SVG: what the unit drew before and after the repair.

For print in grey and for eyes that do not tell colours apart: line style, marker and hatch tell things apart. The same
readings give the same bytes. Text stays text, so that it can be selected and found.
"""

from __future__ import annotations

import io
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rampguard.handback.measured import Ramp
from rampguard.report.series import Array

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_IN: Final = 7.0
_BLACK, _DARK, _MIDDLE, _LIGHT = "#000000", "#404040", "#767676", "#d9d9d9"
_SALT: Final = "rampguard"
_NEAR_ZERO: Final = 0.25
"""A trip below this part of the whole ramp gets a panel of its own: on the whole ramp it is a stroke at the edge."""
_Style = dict[str, Any]


def ramp_svg(before: Ramp | None, after: Ramp | None) -> bytes:
    """Current against line voltage: as found, after the repair, and what was expected after it."""
    from matplotlib.figure import Figure

    whole_v = max(float(ramp.line_v.max()) for ramp in (before, after) if ramp is not None)
    close_v = _closer(before, whole_v)
    figure = Figure(figsize=(WIDTH_IN, 3.3), facecolor="white")
    panels = figure.subplots(1, 1 if close_v is None else 2, squeeze=False)[0]
    _panel(panels[0], before, after, 1.04 * whole_v, before if after is None else after)
    if close_v is not None:
        _panel(panels[1], before, after, close_v, before)
        panels[1].set_title("the first volts, larger", fontsize=9, loc="left")
        panels[0].set_title("the whole ramp", fontsize=9, loc="left")
    handles, labels = panels[-1].get_legend_handles_labels()
    figure.legend(handles, labels, loc="lower center", ncols=3, frameon=False, fontsize=8.5)
    figure.subplots_adjust(left=0.09, right=0.985, top=0.92, bottom=0.27, wspace=0.24)
    return svg_of(figure)


def _closer(before: Ramp | None, whole_v: float) -> float | None:
    """To how many volts a second panel goes, or None where one is enough."""
    if before is None or before.trip is None or float(before.line_v.max()) > _NEAR_ZERO * whole_v:
        return None
    return 2.5 * max(float(before.line_v.max()), 0.01 * whole_v)


def _panel(axes: Axes, before: Ramp | None, after: Ramp | None, to_v: float, expected: Ramp | None) -> None:
    """Both runs up to ``to_v``, and what was ``expected`` in one of them."""
    tops = [0.0]
    if expected is not None:
        _band(axes, expected, to_v)
    if after is not None:
        kept = after.line_v <= to_v
        axes.plot(after.line_v[kept], after.current_a[kept], label="after the repair", **_AFTER)
        tops.append(float(after.current_a[kept].max(initial=0.0)))
    if before is not None:
        kept = before.line_v <= to_v
        axes.plot(before.line_v[kept], before.current_a[kept], label="as found", **_BEFORE)
        tops.append(float(before.current_a[kept].max(initial=0.0)))
        if before.trip is not None:
            volts, amperes = before.trip
            axes.plot([volts], [amperes], label=f"tripped at {volts:.3g} V", **_TRIPPED)
            tops.append(amperes)
            if before.most_a is not None and before.most_a < 2.0 * amperes and volts > _NEAR_ZERO * to_v:
                axes.plot([volts], [before.most_a], label=f"expected then: {before.most_a:.3g} A at most", **_MOST)
    axes.set_xlim(-0.01 * to_v, to_v)
    axes.set_ylim(0.0, 1.25 * max(tops) or 1.0)
    _dress(axes)


_AFTER: Final[_Style] = {"color": _BLACK, "linewidth": 1.4, "linestyle": "-", "marker": ".", "markersize": 3.0}
_BEFORE: Final[_Style] = {"color": _DARK, "linewidth": 1.4, "linestyle": "--", "marker": "s", "markersize": 3.0}
_TRIPPED: Final[_Style] = {
    "color": _BLACK,
    "linestyle": "none",
    "marker": "x",
    "markersize": 9.0,
    "markeredgewidth": 2.2,
    "zorder": 5,
}
_MOST: Final[_Style] = {
    "color": _BLACK,
    "linestyle": "none",
    "marker": "v",
    "markersize": 7.0,
    "markerfacecolor": "white",
    "zorder": 5,
}


def _band(axes: Axes, ramp: Ramp, to_v: float) -> None:
    """The band's widest edges for each part of the ramp, so that one line of each is drawn."""
    kept = ramp.band_v <= to_v
    if not kept.any():
        return
    volts, low, high = binned(ramp.band_v[kept], ramp.low_a[kept], ramp.high_a[kept])
    look: _Style = {"facecolor": _LIGHT, "edgecolor": _MIDDLE, "hatch": "///", "linewidth": 0.6}
    axes.fill_between(volts, low, high, label="expected of a healthy unit", zorder=0.5, **look)


def binned(volts: Array, low: Array, high: Array, bins: int = 60) -> tuple[Array, Array, Array]:
    """The band's edges over equal parts of the voltage: the lowest low and the highest high of each part."""
    edges = np.linspace(float(volts.min()), float(volts.max()), bins + 1)
    place = np.clip(np.digitize(volts, edges) - 1, 0, bins - 1)
    filled = np.unique(place)
    middle = np.array([float(np.median(volts[place == one])) for one in filled])
    lows = np.array([float(low[place == one].min()) for one in filled])
    highs = np.array([float(high[place == one].max()) for one in filled])
    return middle, lows, highs


def _dress(axes: Axes) -> None:
    axes.set_xlabel("line voltage, V rms", fontsize=9)
    axes.set_ylabel("line current, A rms", fontsize=9)
    axes.grid(visible=True, color="#e6e6e6", linewidth=0.6)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=8.5)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def svg_of(figure: Figure) -> bytes:
    """A figure as SVG: text as text, no date, and the same names every time."""
    import matplotlib as mpl

    out = io.BytesIO()
    with mpl.rc_context({"svg.fonttype": "none", "svg.hashsalt": _SALT, "font.family": "DejaVu Sans"}):
        figure.savefig(out, format="svg", metadata={"Date": None, "Creator": None})
    return out.getvalue()
