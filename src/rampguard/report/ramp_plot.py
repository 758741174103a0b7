"""ramp.png: the picture of a power-up.

On the left what the unit drew against line voltage, on the right everything against time. Meant to be read in print,
in grey and by eyes that do not tell red from green: colours are Okabe and Ito's, and every difference is also one of
line style or marker.
"""

from __future__ import annotations

import itertools
import textwrap
from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rampguard.archive.reader import Capture
from rampguard.archive.rows import CaptureEvent
from rampguard.quantities import BEHIND_RELAY, UNIT, Quantity
from rampguard.report import band_area
from rampguard.report.saved import save_whole
from rampguard.report.series import Array, Series, Stage, Trace, gather
from rampguard.report.thin import shown
from rampguard.report.words import event_lines, facts, not_proven_off, outcome, title

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure
    from matplotlib.gridspec import SubplotSpec

WIDTH_PX: Final = 1600
HEIGHT_PX: Final = 1200
DPI: Final = 100

_BLUE, _VERMILION, _GREEN, _PURPLE, _BLACK = "#0072B2", "#D55E00", "#009E73", "#CC79A7", "#000000"
STYLES: Final = ((_BLUE, "-"), (_VERMILION, "--"), (_GREEN, "-."), (_PURPLE, ":"), (_BLACK, (0, (6, 2, 1, 2, 1, 2))))
_GREY: Final = "#6b6b6b"
_FEW_POINTS: Final = 60
"""A trace of at most so many readings shows each of them by a dot."""
_MOST_NAMED: Final = 8
"""Of more traces in a panel those behind speaker relays have one name."""
_OFF_THE_PICTURE: Final = 4.0
"""A ceiling more than so many times the largest reading is named, but does not flatten the picture."""
_MOST_EVENTS: Final = 7
_EVENT_CEILINGS: Final = {Quantity.LINE_CURRENT: "event_current_a", Quantity.REAL_POWER: "event_power_w"}
_STRIP_PX: Final = 108
"""Height of the strip with the stages' names."""
_NAMES: Final = {
    Quantity.LINE_VOLTAGE: "line voltage",
    Quantity.LINE_CURRENT: "line current",
    Quantity.REAL_POWER: "real power",
    Quantity.EMITTER_RESISTOR: "emitter resistor",
    Quantity.DC_OFFSET: "DC offset",
    Quantity.RAIL: "rail",
    Quantity.TEMPERATURE: "temperature",
}
_UNITS: Final = {**UNIT, Quantity.TEMPERATURE: "°C", Quantity.LINE_VOLTAGE: "V rms", Quantity.LINE_CURRENT: "A rms"}
_Style = dict[str, Any]

_ALWAYS: Final = (Quantity.LINE_VOLTAGE, Quantity.LINE_CURRENT, Quantity.REAL_POWER)


def draw_ramp(capture: Capture, out: Path) -> None:
    """Draw a capture, whole or cut short, into a PNG of 1600 x 1200 pixels. Raises ArchiveError, OSError.

    The same capture gives the same picture; the file is there whole or not at all.
    """
    metadata = {"Software": None, "Title": title(capture)}
    save_whole(lambda: ramp_figure(capture), out, dpi=DPI, metadata=metadata)


def ramp_figure(capture: Capture) -> Figure:
    """The picture as a figure, for whoever wants another format than `draw_ramp` writes. Raises ArchiveError."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor="white")
    _compose(figure, capture, gather(capture))
    return figure


def _compose(figure: Figure, capture: Capture, series: Series) -> None:
    events = event_lines(capture.events(), _MOST_EVENTS)
    top_px = _head(figure, capture, series)
    bottom_px = _foot(figure, [facts(capture), *events])
    edges = {"left": 0.058, "right": 0.982, "top": 1.0 - top_px / HEIGHT_PX, "bottom": bottom_px / HEIGHT_PX}
    outer = figure.add_gridspec(1, 2, width_ratios=[4, 6], wspace=0.18, **edges)
    _against_voltage(figure, outer[0, 0], capture, series)
    _against_time(figure, outer[0, 1], capture, series, HEIGHT_PX - top_px - bottom_px)


def _head(figure: Figure, capture: Capture, series: Series) -> int:
    """The title and the outcome in words. Returns its height in pixels."""
    lines = textwrap.wrap(drawable(outcome(capture, series)), 165, max_lines=3, placeholder=" …")
    parts = [(drawable(title(capture)), 16, "bold", 34)]
    if not_proven_off(capture):
        parts.append(("NOT PROVEN OFF when this record ended", 24, "bold", 46))
    parts += [(line, 12, "normal", 21) for line in lines]
    height_px = 10
    for text, size, weight, pixels in parts:
        style: _Style = {"ha": "left", "va": "top", "parse_math": False, "fontweight": weight}
        figure.text(0.02, 1.0 - height_px / HEIGHT_PX, text, fontsize=size, **style)
        height_px += pixels
    return height_px + 48


def _foot(figure: Figure, lines: Sequence[str]) -> int:
    """What is known of the run, and its events. Returns its height in pixels, with room for the axes' labels."""
    style: _Style = {"fontsize": 9.5, "family": "monospace", "ha": "left", "va": "bottom", "parse_math": False}
    for number, line in enumerate(reversed(lines)):
        figure.text(0.02, (8 + 17 * number) / HEIGHT_PX, _shorten(line, 190), **style)
    return 70 + 17 * len(lines)


# -- against line voltage -----------------------------------------------------------------------------------------


def _against_voltage(figure: Figure, place: SubplotSpec, capture: Capture, series: Series) -> None:
    grid = place.subgridspec(2, 1, hspace=0.24)
    for number, quantity in enumerate((Quantity.LINE_CURRENT, Quantity.REAL_POWER)):
        axes = figure.add_subplot(grid[number, 0])
        axes.set_xlabel("line voltage, V rms")
        _dress(axes, quantity)
        traces = list(series.of(quantity).values())
        if not traces or not np.isfinite(traces[0].line_v).any():
            _say_nothing(axes, quantity)
            continue
        trace = traces[0]
        kept = trace.live & np.isfinite(trace.line_v)
        volts, values = trace.line_v[kept], trace.value[kept]
        few = shown(volts, values)
        axes.plot(volts[few], values[few], color=_BLUE, linewidth=1.2, marker=".", markersize=3.5, label="readings")
        band_area.against_voltage(axes, series, quantity, values)
        _stage_ends(axes, trace, series.stages)
        _trip_point(axes, trace, series)
        _ceilings(axes, capture, quantity, values)
        axes.set_xlim(min(0.0, float(volts.min(initial=0.0))), 1.03 * max(1.0, float(volts.max(initial=0.0))))
        _from_zero(axes, quantity)
        _legend(axes, columns=3)  # these axes are narrow: two rows


def _stage_ends(axes: Axes, trace: Trace, stages: Sequence[Stage]) -> None:
    points = []
    for stage in stages:
        inside = (trace.time_s >= stage.begin_s) & (trace.time_s <= stage.end_s) & trace.live
        inside &= np.isfinite(trace.line_v)
        if inside.any():
            last = int(np.flatnonzero(inside)[-1])
            points.append((trace.line_v[last], trace.value[last]))
    if points:
        volts, values = np.array(points).T
        style: _Style = {"linestyle": "none", "marker": "s", "markersize": 6, "markerfacecolor": "white"}
        axes.plot(volts, values, color=_BLACK, label="stage ends", **style)


def _trip_point(axes: Axes, trace: Trace, series: Series) -> None:
    if series.trip_s is None:
        return
    before = np.flatnonzero((trace.time_s <= series.trip_s) & np.isfinite(trace.line_v))
    if len(before) == 0:
        return
    volts, value = trace.line_v[before[-1]], trace.value[before[-1]]
    style: _Style = {"linestyle": "none", "marker": "X", "markersize": 13, "markeredgecolor": _BLACK}
    axes.plot([volts], [value], color=_VERMILION, label=f"TRIP at {volts:.4g} V", zorder=5, **style)


# -- against time -------------------------------------------------------------------------------------------------


def _against_time(figure: Figure, place: SubplotSpec, capture: Capture, series: Series, height_px: int) -> None:
    panelled = [quantity for quantity in _NAMES if quantity in _ALWAYS or series.of(quantity)]
    unit, scale_s = ("min", 60.0) if series.end_s > 600 else ("s", 1.0)
    heights = [1.5 if quantity is Quantity.LINE_VOLTAGE else 1.0 for quantity in panelled]
    strip = _STRIP_PX / (height_px - _STRIP_PX - 40 * len(panelled)) * sum(heights)
    grid = place.subgridspec(1 + len(panelled), 1, height_ratios=[strip, *heights], hspace=0.3)
    first = figure.add_subplot(grid[0, 0])
    first.set_xlim(0.0, max(series.end_s / scale_s, 1e-3) * 1.01)
    _stage_strip(first, series, scale_s)
    _event_marks(first, capture.events(), scale_s)
    panels = [figure.add_subplot(grid[number, 0], sharex=first) for number in range(1, 1 + len(panelled))]
    for quantity, axes in zip(panelled, panels, strict=True):
        _dress(axes, quantity)
        _time_panel(axes, capture, series, quantity, scale_s)
        axes.tick_params(labelbottom=axes is panels[-1])
    panels[-1].set_xlabel(f"time, {unit}")
    figure.align_ylabels(panels)


def _time_panel(axes: Axes, capture: Capture, series: Series, quantity: Quantity, scale_s: float) -> None:
    if quantity is Quantity.LINE_VOLTAGE and len(series.set_s):
        dashed: _Style = {"color": _VERMILION, "linestyle": "--", "linewidth": 2.6, "label": "set-point"}
        few = shown(series.set_s, series.set_v)
        axes.step(series.set_s[few] / scale_s, series.set_v[few], where="post", **dashed)
    traces = series.of(quantity)
    many = len(traces) > _MOST_NAMED
    behind = [signal for signal in traces if many and signal.channel.endswith(BEHIND_RELAY)]
    named = ((signal, trace) for signal, trace in traces.items() if signal not in behind)
    for (signal, trace), (colour, line) in zip(named, itertools.cycle(STYLES), strict=False):
        _draw_trace(axes, trace, signal.channel or "reading", {"color": colour, "linestyle": line}, scale_s)
    for number, signal in enumerate(behind):  # of one colour: a legend has room for the channels alone
        label = "_" if number else "behind the relays"
        _draw_trace(axes, traces[signal], label, {"color": _GREY, "linestyle": (0, (1, 2))}, scale_s)
    if not traces:
        _say_nothing(axes, quantity)
    values = np.concatenate([np.empty(0), *(trace.value for trace in traces.values())])
    band_area.over_time(axes, series, quantity, values, scale_s)
    _ceilings(axes, capture, quantity, values)
    _from_zero(axes, quantity)
    for stage in series.stages:
        axes.axvline(stage.begin_s / scale_s, color="#c4c4c4", linewidth=0.8, zorder=0)
    if series.trip_s is not None:
        axes.axvline(series.trip_s / scale_s, color=_BLACK, linewidth=2.0, linestyle=(0, (2, 1)), zorder=1)
    _legend(axes)


def _draw_trace(axes: Axes, trace: Trace, label: str, style: _Style, scale_s: float) -> None:
    dots = "." if len(trace.value) <= _FEW_POINTS else ""
    few = shown(trace.time_s, trace.value)
    axes.plot(
        trace.time_s[few] / scale_s, trace.value[few], label=label, linewidth=1.2, marker=dots, markersize=4, **style
    )
    if len(trace.fault_s):
        hollow: _Style = {"linestyle": "none", "marker": "v", "markersize": 6, "markerfacecolor": "white"}
        high = np.full(len(trace.fault_s), 0.97)
        at_the_top: _Style = {"transform": axes.get_xaxis_transform(), "clip_on": False, "zorder": 4}
        axes.plot(
            *(trace.fault_s / scale_s, high),
            label=f"{label}: no value",
            color=style["color"],
            **hollow | at_the_top,
        )


def _stage_strip(axes: Axes, series: Series, scale_s: float) -> None:
    """The stages' names over the time panels, upright where they fit, on end where they do not; none where neither."""
    axes.set_ylim(0.0, 1.0)
    axes.set_yticks([])
    axes.tick_params(bottom=False, labelbottom=False)
    width_px = axes.get_position().width * WIDTH_PX
    begin, end = axes.get_xlim()
    for number, stage in enumerate(series.stages):
        left, right = stage.begin_s / scale_s, stage.end_s / scale_s
        shade = "#e4e4e4" if number % 2 else "#f7f7f7"
        axes.axvspan(left, right, color=shade, linewidth=0)
        room_px = (right - left) / (end - begin) * width_px
        turned = room_px < 7.0 * len(stage.name) + 8
        if room_px >= 15:
            name = _shorten(stage.name, 13 if turned and room_px < 100 else max(13, int(room_px / 7.0)))
            box = {"facecolor": shade, "edgecolor": "none", "pad": 0.5}
            style: _Style = {"ha": "center", "va": "center", "fontsize": 8.5, "parse_math": False, "zorder": 5}
            turn = 90 if turned and room_px < 100 else 0
            axes.text((left + right) / 2, 0.57, name, rotation=turn, bbox=box, **style)
    if series.trip_s is not None:
        at = series.trip_s / scale_s
        axes.axvline(at, color=_BLACK, linewidth=2.0, linestyle=(0, (2, 1)))
        axes.set_title(
            f"TRIP at {series.trip_s:.4g} s (heavy broken line)", loc="right", fontsize=10, pad=4, weight="bold"
        )


def _event_marks(axes: Axes, events: Sequence[CaptureEvent], scale_s: float) -> None:
    """Warnings and the power switch, at the foot of the stages' strip."""
    marks = []
    for kind, marker, word in (("warn", "^", "warning"), ("power-pressed", "D", "power pressed")):
        times = np.array([event.time_s for event in events if event.kind == kind]) / scale_s
        if len(times):
            style: _Style = {"marker": marker, "markersize": 6, "color": _VERMILION, "markeredgecolor": _BLACK}
            axes.plot(times, np.full(len(times), 0.08), linestyle="none", clip_on=False, **style)
            marks.append(f"{'triangle' if marker == '^' else 'diamond'}: {word}")
    words = f" ({', '.join(marks)})" if marks else ""
    axes.set_title(f"stages of the plan{words}", loc="left", fontsize=10, pad=4)


# -- common to both -----------------------------------------------------------------------------------------------


def _dress(axes: Axes, quantity: Quantity) -> None:
    axes.set_ylabel(f"{_NAMES[quantity]},\n{_UNITS[quantity]}", fontsize=9.5)
    axes.grid(visible=True, color="#ececec", linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=9)
    axes.margins(x=0.02, y=0.12)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _from_zero(axes: Axes, quantity: Quantity) -> None:
    """Have the value axis show zero, so that a steady reading looks steady."""
    if quantity is not Quantity.TEMPERATURE:
        low, high = axes.get_ylim()
        axes.set_ylim(min(1.06 * low, -0.04 * high), max(1.06 * high, -0.04 * low))


def _say_nothing(axes: Axes, quantity: Quantity) -> None:
    axes.set_yticks([])
    style: _Style = {"ha": "center", "va": "center", "color": _GREY, "fontsize": 11}
    axes.text(0.5, 0.5, f"no readings of {_NAMES[quantity]}", transform=axes.transAxes, **style)


def _ceilings(axes: Axes, capture: Capture, quantity: Quantity, values: Array) -> None:
    """The quantity's ceiling as a line, or only named where it lies far off the picture."""
    ceiling = capture.limits.get(f"{quantity}_{UNIT[quantity].lower()}")
    if isinstance(ceiling, bool) or not isinstance(ceiling, int | float):
        return
    words = f"ceiling {ceiling:.4g} {_UNITS[quantity].split()[0]}"
    event = capture.limits.get(_EVENT_CEILINGS.get(quantity, ""))
    if isinstance(event, int | float):
        words += f" ({event:.4g} for an event)"
    if ceiling > _OFF_THE_PICTURE * float(np.abs(values).max(initial=0.0)):
        axes.plot([], [], linestyle="none", label=f"{words}, off scale")
        return
    line: _Style = {"color": _GREY, "linewidth": 1.3, "linestyle": (0, (8, 3))}
    axes.axhline(ceiling, label=words, **line)
    if quantity is Quantity.DC_OFFSET:
        axes.axhline(-ceiling, **line)


def _legend(axes: Axes, columns: int = 8) -> None:
    """Above the axes, where it can lie on nothing."""
    names = axes.get_legend_handles_labels()[1]
    if names:
        place: _Style = {"loc": "lower right", "bbox_to_anchor": (1.0, 1.0), "borderaxespad": 0.1}
        small: _Style = {"fontsize": 7, "columnspacing": 0.9, "handlelength": 1.4, "handletextpad": 0.4}
        usual: _Style = {"fontsize": 9, "columnspacing": 1.2, "handletextpad": 0.5}
        crowded = len(names) > _MOST_NAMED - 1 and columns >= _MOST_NAMED
        look = small if crowded else usual
        axes.legend(ncols=len(names) if crowded else columns, frameon=False, **look, **place)


def _shorten(text: str, longest: int) -> str:
    fitting = drawable(text)
    return fitting if len(fitting) <= longest else fitting[: longest - 1] + "…"


def drawable(text: str) -> str:
    """Text with a question mark for what the font cannot draw."""
    from matplotlib.font_manager import findfont, get_font

    glyphs = get_font(findfont("DejaVu Sans")).get_charmap()
    return "".join(c if ord(c) in glyphs else "?" for c in text)
