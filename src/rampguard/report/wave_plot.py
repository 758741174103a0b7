"""The picture of a waveform around an event: line voltage and line current, whole and close to the event.

In the style of `rampguard.report.ramp_plot`: for print, in grey, the same picture of the same record.
"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final

import numpy as np

from rampguard.archive.reader import Capture
from rampguard.archive.waveforms import WaveformFile
from rampguard.report.saved import save_whole
from rampguard.report.words import title
from rampguard.waveform.record import Channel, Record

if TYPE_CHECKING:
    from matplotlib.axes import Axes
    from matplotlib.figure import Figure

WIDTH_PX: Final = 1600
HEIGHT_PX: Final = 900
DPI: Final = 100
CLOSE_CYCLES: Final = (2.5, 2.5)
"""The cycles before the event and after it that are shown close by."""
_LOOKS: Final = (("#0072B2", "-"), ("#D55E00", "-"))
_BLACK: Final = "#000000"
_ROOM: Final = 0.36
"""Of a panel's height: room above the signal for the events' kinds."""
_Style = dict[str, Any]


def draw_waveform(capture: Capture, file: WaveformFile, record: Record, out: Path) -> None:
    """Draw a waveform into a PNG of 1600 x 900 pixels, whole or not at all. Raises OSError."""
    metadata = {"Software": None, "Title": title(capture)}
    in_pieces = {"agg.path.chunksize": 10_000}  # a line of many samples is drawn so
    save_whole(lambda: wave_figure(capture, file, record), out, dpi=DPI, metadata=metadata, settings=in_pieces)


def wave_figure(capture: Capture, file: WaveformFile, record: Record) -> Figure:
    """The picture as a figure: both signals, the whole record on the left and the event's cycles on the right."""
    from matplotlib.figure import Figure

    figure = Figure(figsize=(WIDTH_PX / DPI, HEIGHT_PX / DPI), dpi=DPI, facecolor="white")
    style: _Style = {"ha": "left", "va": "top", "parse_math": False}
    figure.text(0.02, 0.98, title(capture), fontsize=16, fontweight="bold", **style)
    figure.text(0.02, 0.935, _said(file, record), fontsize=12, **style)
    event_s = (record.trigger - record.begins).total_seconds()
    at_ms = 1e3 * (record.at_s - event_s)
    before, after = (1e3 * cycles / record.line_frequency_hz for cycles in CLOSE_CYCLES)
    spans = ((float(at_ms[0]), float(at_ms[-1])), (max(-before, float(at_ms[0])), min(after, float(at_ms[-1]))))
    grid = figure.add_gridspec(
        len(record.channels), 2, width_ratios=[3, 2], left=0.06, right=0.985, top=0.85, bottom=0.075, hspace=0.12
    )
    for column, span in enumerate(spans):
        panels = [figure.add_subplot(grid[row, column]) for row in range(len(record.channels))]
        for axes, channel, look in zip(panels, record.channels, _LOOKS, strict=False):
            _panel(axes, channel, at_ms, span, look)
            _events(axes, file, named=axes is panels[0])
            axes.tick_params(labelbottom=axes is panels[-1])
        panels[-1].set_xlabel("time after the event, ms")
        panels[0].set_title("the whole record" if not column else "around the event", loc="left", fontsize=10)
        if column == 0:
            figure.align_ylabels(panels)
    return figure


def _said(file: WaveformFile, record: Record) -> str:
    at = "" if file.time_s is None else f" at {file.time_s:.3f} s (broken line)"
    lost = f"; {file.lost} samples are missing" if file.lost else ""
    return f"waveform {file.name}: {file.event}{at}, {record.trigger:%Y-%m-%d %H:%M:%S} UTC{lost}"


def _panel(axes: Axes, channel: Channel, at_ms: np.ndarray, span_ms: Sequence[float], look: tuple[str, str]) -> None:
    low, high = np.searchsorted(at_ms, span_ms[0], "left"), np.searchsorted(at_ms, span_ms[1], "right")
    colour, line = look
    axes.plot(at_ms[low:high], channel.values[low:high], color=colour, linestyle=line, linewidth=1.1)
    axes.axhline(0.0, color="#6b6b6b", linewidth=0.8, zorder=0)
    axes.set_ylabel(f"{channel.name}, {channel.unit}", fontsize=9.5)
    axes.set_xlim(*span_ms)
    axes.grid(visible=True, color="#ececec", linewidth=0.8)
    axes.set_axisbelow(True)
    axes.tick_params(labelsize=9)
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)


def _events(axes: Axes, file: WaveformFile, *, named: bool) -> None:
    """The event as a heavy broken line, others in the record as thin ones; ``named``: with their kinds above."""
    if named:
        bottom, top = axes.get_ylim()
        axes.set_ylim(bottom, top + _ROOM * (top - bottom))
    axes.axvline(0.0, color=_BLACK, linewidth=2.0, linestyle=(0, (2, 1)), zorder=1)
    low, high = axes.get_xlim()
    for kind, time_s in file.events:
        at_ms = 0.0 if file.time_s is None else 1e3 * (time_s - file.time_s)
        if not low <= at_ms <= high:
            continue
        if named:
            style: _Style = {"rotation": 90, "fontsize": 8.5, "va": "top", "ha": "right", "parse_math": False}
            axes.text(at_ms, 0.99, f"{kind} ", transform=axes.get_xaxis_transform(), **style)
        if at_ms:
            axes.axvline(at_ms, color=_BLACK, linewidth=1.0, linestyle=(0, (1, 2)), zorder=1)
