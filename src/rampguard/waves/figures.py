"""A kept waveform in figures, cycle by cycle. Definitions of IEEE 1459-2010 (`instruments.cycle_power`). Pure."""

from __future__ import annotations

import cmath
import math
from collections.abc import Iterator, Sequence
from dataclasses import asdict, dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from instruments.cycle_power import cycle_power, distortion, harmonics
from instruments.cycles import Cycle, CycleCutter
from rampguard.waveform.errors import WaveformError
from rampguard.waveform.keeper import LINE_CURRENT_NAME, LINE_VOLTAGE_NAME
from rampguard.waveform.record import Record


@dataclass(frozen=True, slots=True)
class CycleFigures:
    """One cycle: when it began and how long it lasted, s after the event; V and A rms, W.

    ``power_factor`` is P / S, ``crest_factor`` the current's; ``unlike_halves`` is 0 where the half waves of the
    current are alike and 1 where one is missing; ``thd`` is the current's total harmonic distortion, DC included,
    against its fundamental. None where it cannot be told: no current, or no line voltage to go by.
    """

    to_event_s: float
    duration_s: float
    line_voltage_v: float
    line_current_a: float
    real_power_w: float
    power_factor: float | None
    crest_factor: float | None
    current_dc_a: float
    unlike_halves: float | None
    thd: float | None


@dataclass(frozen=True, slots=True)
class Harmonic:
    """One harmonic: V and A rms, and degrees, as sines referred to the beginning of the cycle."""

    order: int
    voltage_v: float
    voltage_deg: float
    current_a: float
    current_deg: float


@dataclass(frozen=True, slots=True)
class Figures:
    """A waveform's cycles, and the harmonics of the one that began ``harmonics_at_s`` after the event, where asked."""

    rate_hz: float
    cycles: tuple[CycleFigures, ...]
    harmonics: tuple[Harmonic, ...] = ()
    harmonics_at_s: float | None = None


def figures_of(record: Record, most: int | None = None, at_s: float | None = None) -> Figures:
    """The figures of a record.

    ``most`` harmonics of the cycle under way ``at_s`` after the event, or else of the one that draws most.
    Raises WaveformError for a record that cannot be told so.
    """
    cycles = list(cycles_of(record))
    event_s = (record.trigger - record.begins).total_seconds()
    told = tuple(_figures(cycle, event_s) for cycle in cycles)
    rate_hz = rate_of(record)
    if most is None or not cycles:
        return Figures(rate_hz, told)
    which = _which(told, at_s)
    return Figures(rate_hz, told, _harmonics(cycles[which], most), told[which].to_event_s)


def rate_of(record: Record) -> float:
    """Samples a second. Raises WaveformError where there are too few to say."""
    if len(record.at_s) < 2:
        raise WaveformError("holds a single sample: there is no cycle in it")
    return round(float((len(record.at_s) - 1) / record.at_s[-1]), 3)


def signals_of(record: Record) -> tuple[npt.NDArray[np.float64], npt.NDArray[np.float64]]:
    """Line voltage and line current, V and A. Raises WaveformError for a record without one of them."""
    by_name = {channel.name: channel.values for channel in record.channels}
    missing = [name for name in (LINE_VOLTAGE_NAME, LINE_CURRENT_NAME) if name not in by_name]
    if missing:
        raise WaveformError(f"has no channel {' and no '.join(missing)}; was it written by another program?")
    return by_name[LINE_VOLTAGE_NAME], by_name[LINE_CURRENT_NAME]


def cycles_of(record: Record) -> Iterator[Cycle]:
    """The whole cycles of a record, in order; none spans samples that are missing. Raises WaveformError."""
    volts, amperes = signals_of(record)
    try:
        cutter = CycleCutter(rate_of(record), record.line_frequency_hz)
    except (ValueError, ZeroDivisionError) as error:
        raise WaveformError(str(error)) from None
    known = np.isfinite(volts) & np.isfinite(amperes)
    for piece in np.split(np.arange(len(known)), np.flatnonzero(np.diff(known)) + 1):
        if known[piece[0]]:
            yield from cutter.feed(volts[piece], amperes[piece])
        else:
            cutter.gap(len(piece))


def _figures(cycle: Cycle, event_s: float) -> CycleFigures:
    power = cycle_power(cycle)
    seen = cycle.by_crossing  # else its length is a guess, and which half wave is which is not known
    thd = distortion(cycle.amperes, cycle.at_s)
    return CycleFigures(
        to_event_s=cycle.begins_s - event_s,
        duration_s=cycle.duration_s,
        line_voltage_v=power.voltage_v,
        line_current_a=power.current_a,
        real_power_w=power.real_power_w,
        power_factor=power.power_factor if seen else None,
        crest_factor=power.crest_factor,
        current_dc_a=power.current_dc_a,
        unlike_halves=power.unlike_halves if seen and power.current_a > 0.0 else None,
        thd=thd if seen and math.isfinite(thd) else None,
    )


def _which(cycles: Sequence[CycleFigures], at_s: float | None) -> int:
    """The cycle under way then, or the nearest one; without a time the one of the largest current."""
    if at_s is None:
        return max(range(len(cycles)), key=lambda k: cycles[k].line_current_a)
    return min(range(len(cycles)), key=lambda k: _away_s(cycles[k], at_s))


def _away_s(cycle: CycleFigures, at_s: float) -> float:
    return max(0.0, cycle.to_event_s - at_s, at_s - cycle.to_event_s - cycle.duration_s)


def _harmonics(cycle: Cycle, most: int) -> tuple[Harmonic, ...]:
    volts, amperes = (harmonics(signal, cycle.at_s, most) for signal in (cycle.volts, cycle.amperes))
    return tuple(
        Harmonic(order, abs(v), math.degrees(cmath.phase(v)), abs(a), math.degrees(cmath.phase(a)))
        for order, (v, a) in enumerate(zip(map(complex, volts), map(complex, amperes), strict=True))
        if order
    )


def message_of(figures: Figures) -> dict[str, Any]:
    """Figures as plain values."""
    return asdict(figures)
