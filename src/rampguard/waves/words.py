"""Kept waveforms as tables for a terminal. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from rampguard.archive.waveforms import WaveformFile
from rampguard.waves.figures import CycleFigures, Figures, Harmonic

WIDTH: Final = 79
SEEN: Final = 1e-3
"""Of the fundamental: a harmonic below this has no angle worth telling."""
_COLUMNS: Final = (("ms", 9), ("V rms", 8), ("A rms", 9), ("W", 9), ("PF", 7), ("crest", 7), ("DC A", 9))
_LAST: Final = (("unlike", 8), ("THD", 8))
LEGEND: Final = (
    "ms: when the cycle began, after the event. PF: P/S. crest, DC, THD: the current's; THD against its fundamental,"
    " DC included. unlike: how unlike its two half waves are, 0 alike, 1 one of them missing. -: cannot be told: no"
    " current, or no line voltage to go by. IEEE 1459-2010, cycle by cycle."
)


def told(file: WaveformFile, figures: Figures, lasts_s: tuple[float, float]) -> str:
    """One waveform. ``lasts_s``: how much of it lies before the event, and after it."""
    lines = [*_wrapped(_head(file, figures, lasts_s))]
    if not figures.cycles:
        return "\n".join([*lines, "  no whole cycle in it"])
    lines.append("".join(name.rjust(width) for name, width in (*_COLUMNS, *_LAST)))
    for cycle in figures.cycles:
        lines.append(_row(cycle))
        lines += _events_in(file, cycle)
    if figures.harmonics and figures.harmonics_at_s is not None:
        lines += ["", *_harmonics(figures.harmonics, figures.harmonics_at_s)]
    return "\n".join(lines)


def legend() -> str:
    """What the columns are."""
    return "\n".join(_wrapped(LEGEND, ""))


def _head(file: WaveformFile, figures: Figures, lasts_s: tuple[float, float]) -> str:
    at = "" if file.time_s is None else f", at {file.time_s:.3f} s"
    before_s, after_s = lasts_s
    parts = [f"{file.name}{at}: {before_s:.3f} s before it to {after_s:.3f} s after, {1e-3 * figures.rate_hz:g} kS/s"]
    parts += [f"{file.lost} samples are missing"] if file.lost else []
    parts += [file.problem] if file.problem else []
    return "; ".join(parts)


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    return textwrap.wrap(text, WIDTH, subsequent_indent=indent, break_on_hyphens=False)


def _row(cycle: CycleFigures) -> str:
    cells = (
        _fixed(1e3 * cycle.to_event_s, 1),
        _fixed(cycle.line_voltage_v, 2),
        _fixed(cycle.line_current_a, 4),
        _fixed(cycle.real_power_w, 2),
        _fixed(cycle.power_factor, 3),
        _fixed(cycle.crest_factor, 2),
        _fixed(cycle.current_dc_a, 4),
        _fixed(cycle.unlike_halves, 3),
        _fixed(cycle.thd, 3),
    )
    return "".join(cell.rjust(width) for cell, (_, width) in zip(cells, (*_COLUMNS, *_LAST), strict=True))


def _fixed(value: float | None, places: int) -> str:
    """A number with so many places, never a minus before nothing."""
    return "-" if value is None else f"{round(value, places) + 0.0:.{places}f}"


def _events_in(file: WaveformFile, cycle: CycleFigures) -> Iterator[str]:
    """A line for each event that came while this cycle was under way."""
    if file.time_s is None:
        return
    for kind, time_s in file.events:
        after_s = time_s - file.time_s
        if cycle.to_event_s <= after_s < cycle.to_event_s + cycle.duration_s:
            yield f"{1e3 * after_s:9.1f}  {kind}"


def _harmonics(found: Sequence[Harmonic], at_s: float) -> Iterator[str]:
    yield f"  harmonics of the cycle that began at {1e3 * at_s:.1f} ms; % of the fundamental"
    yield f"{'order':>9}{'V rms':>10}{'%':>8}{'deg':>8}{'A rms':>12}{'%':>8}{'deg':>8}"
    one = found[0]
    for each in found:
        volts = f"{each.voltage_v:10.3f}{_part(each.voltage_v, one.voltage_v, each.voltage_deg)}"
        amperes = f"{each.current_a:12.5f}{_part(each.current_a, one.current_a, each.current_deg)}"
        yield f"{each.order:9d}{volts}{amperes}"


def _part(value: float, of: float, degrees: float) -> str:
    """In per cent, and its angle, which says nothing where there is hardly anything."""
    part = value / of if of > 0.0 else None
    percent = _fixed(None if part is None else 100.0 * part, 2)
    angle = _fixed(degrees if part is not None and part >= SEEN else None, 1)
    return f"{percent:>8}{angle:>8}"
