"""What a run's readings come to: what it drew, each channel's idle and offset, what the soak changed. Pure."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from pydantic import ValidationError

from rampguard.quantities import BEHIND_RELAY, LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Signal
from rampguard.report.series import Array, Series, Trace
from rampguard.warmup.course import Phase
from rampguard.warmup.idle import Idle, idle_from
from rampguard.warmup.sheet import UnitSheet

AT_AN_END_S: Final = 10.0
"""At a soak's beginning and end readings are averaged over so long."""
AT_THE_TOP: Final = 0.97
"""Readings at so much of a ramp's highest line voltage and more belong to its top."""
_COURSE: Final = tuple(str(phase) for phase in (Phase.WARM_UP, Phase.SOAK, Phase.AFTER_SOAK, Phase.DONE))


@dataclass(frozen=True, slots=True)
class Ramp:
    """What was drawn on the way up: line voltage, V rms; current, A rms; and the band's edges, A rms, by volts."""

    line_v: Array
    current_a: Array
    band_v: Array
    low_a: Array
    high_a: Array
    trip: tuple[float, float] | None
    """Where it tripped: volts and amperes."""
    most_a: float | None
    """The most that a healthy unit was expected to draw when it tripped; None where that was not evaluated."""


@dataclass(frozen=True, slots=True)
class Top:
    """What was drawn at the top of the ramp, as medians, and the band there; None where there is none."""

    line_v: float
    current_a: float
    power_w: float | None
    band_a: tuple[float, float] | None


@dataclass(frozen=True, slots=True)
class Channel:
    """A channel, warm. Volts across its test points and at its output; None where no meter read it."""

    name: str
    idle_v: float | None
    idle: Idle | None
    ahead_v: float | None
    behind_v: float | None
    right: bool | None


@dataclass(frozen=True, slots=True)
class Soaked:
    """One signal in the soak: averages over its first and last ten seconds, and the extremes between."""

    signal: Signal
    first: float
    last: float
    least: float
    most: float


def ramp_of(series: Series) -> Ramp | None:
    """The ramp of a run, without what followed at full line; None where no current was read against a voltage."""
    trace = series.traces.get(LINE_CURRENT)
    if trace is None:
        return None
    up = _on_the_ramp(series, trace.time_s) & trace.live & np.isfinite(trace.line_v)
    if not up.any():
        return None
    volts, amperes = trace.line_v[up], trace.value[up]
    empty = np.array([], dtype=np.float64)
    edges = (empty, empty, empty)
    band = series.bands.get(Quantity.LINE_CURRENT)
    if band is not None:
        told = _on_the_ramp(series, band.time_s) & np.isfinite(band.line_v) & np.isfinite(band.high)
        edges = (band.line_v[told], band.low[told], band.high[told])
    trip = _trip_point(series, trace.time_s[up], volts, amperes)
    return Ramp(volts, amperes, *edges, trip, None if trip is None else _most_at_trip(series))


def _most_at_trip(series: Series) -> float | None:
    band, trip_s = series.bands.get(Quantity.LINE_CURRENT), series.trip_s
    if band is None or trip_s is None:
        return None
    until = band.high[(band.time_s <= trip_s + 1e-6) & np.isfinite(band.high)]
    return float(until[-1]) if len(until) else None


def _trip_point(series: Series, time_s: Array, volts: Array, amperes: Array) -> tuple[float, float] | None:
    if series.trip_s is None or not len(time_s):
        return None
    at = max(int(np.searchsorted(time_s, series.trip_s + 1e-6)) - 1, 0)
    return float(volts[at]), float(amperes[at])


def _on_the_ramp(series: Series, time_s: Array) -> Any:
    ends = min((stage.begin_s for stage in series.stages if stage.name in _COURSE), default=np.inf)
    return time_s < ends


def top_of(series: Series) -> Top | None:
    """What was drawn at the top of a run's ramp."""
    ramp = ramp_of(series)
    if ramp is None:
        return None
    least_v = AT_THE_TOP * float(ramp.line_v.max())
    at_top = ramp.line_v >= least_v
    banded = ramp.band_v >= least_v
    power = series.traces.get(REAL_POWER)
    power_w = None
    if power is not None:
        kept = _on_the_ramp(series, power.time_s) & power.live & (power.line_v >= least_v)
        power_w = float(np.median(power.value[kept])) if kept.any() else None
    band = (float(np.median(ramp.low_a[banded])), float(np.median(ramp.high_a[banded]))) if banded.any() else None
    return Top(float(np.median(ramp.line_v[at_top])), float(np.median(ramp.current_a[at_top])), power_w, band)


def sheet_in(described: Mapping[str, Any]) -> UnitSheet | None:
    """The unit sheet that a capture went by; None where it had none, or none that can be read."""
    try:
        return None if described.get("sheet") is None else UnitSheet.model_validate(described["sheet"])
    except ValidationError:
        return None


def channels_of(sheet: UnitSheet, result: Mapping[str, Any], series: Series) -> Iterator[Channel]:
    """Every channel of the sheet as it was checked at the end of its warm-up, with what no meter read left open."""
    checks = result.get("checks") or []
    values = {check["what"]: check["value"] for check in checks if check["value"] is not None}
    for name in sheet.channels:
        idle_v = values.get(f"idle of {name}")
        verdicts = [check["right"] for check in checks if is_of(check["what"], name)]
        right = None if None in verdicts or not verdicts else all(verdicts)
        yield Channel(
            name,
            idle_v,
            None if idle_v is None else _idle(sheet, series, name, idle_v, values),
            values.get(f"offset of {name}"),
            values.get(f"offset of {name} at its terminals"),
            False if False in verdicts else right,
        )


def is_of(what: str, channel: str) -> bool:
    """Whether a check of this name is of a channel's idle or offset."""
    return what in (f"idle of {channel}", f"offset of {channel}", f"offset of {channel} at its terminals")


def _idle(sheet: UnitSheet, series: Series, name: str, idle_v: float, values: Mapping[str, float]) -> Idle:
    """Amperes of one device with standard uncertainty; the meter's bound is that of the reading nearest to it."""
    trace = series.traces.get(Signal(Quantity.EMITTER_RESISTOR, name))
    bound = 0.0
    if trace is not None and len(trace.value):
        bound = float(trace.bound[np.abs(np.abs(trace.value) - idle_v).argmin()])
    measured_v = values.get("plus rail", 0.0) - values.get("minus rail", 0.0)
    both = "plus rail" in values and ("minus rail" in values or sheet.rails.minus_v is None)
    rails_v = measured_v if both else sheet.rails.across_v
    return idle_from(idle_v, bound, sheet.idle.span, rails_v=rails_v, pairs=sheet.idle.pairs)


def soak_minutes(series: Series) -> float | None:
    """How long the soak lasted, minutes; None where there was none."""
    found = [stage for stage in series.stages if stage.name == Phase.SOAK]
    return (found[-1].end_s - found[0].begin_s) / 60.0 if found else None


def soaked(series: Series, channels: Sequence[str]) -> list[Soaked]:
    """What was read in the soak: the line, temperatures, then idles, offsets and rails in the order of ``channels``."""
    found = [stage for stage in series.stages if stage.name == Phase.SOAK]
    if not found:
        return []
    order = (REAL_POWER.quantity, LINE_CURRENT.quantity, Quantity.TEMPERATURE, Quantity.EMITTER_RESISTOR)
    rest = (Quantity.DC_OFFSET, Quantity.RAIL)
    told = (_soaked(signal, trace, found[0].begin_s, found[-1].end_s) for signal, trace in series.traces.items())
    kept = [one for one in told if one is not None]
    ranks = {quantity: rank for rank, quantity in enumerate((LINE_VOLTAGE.quantity, *order, *rest))}
    places = {name: place for place, name in enumerate(channels)}

    def place(one: Soaked) -> tuple[int, int, str]:
        name = one.signal.channel
        return ranks[one.signal.quantity], places.get(name.removesuffix(BEHIND_RELAY), len(places)), name

    return sorted(kept, key=place)


def _soaked(signal: Signal, trace: Trace, begin_s: float, end_s: float) -> Soaked | None:
    inside = trace.live & (trace.time_s >= begin_s) & (trace.time_s <= end_s)
    if not inside.any():
        return None
    time_s, value = trace.time_s[inside], trace.value[inside]
    first = value[time_s <= time_s[0] + AT_AN_END_S].mean()
    last = value[time_s >= time_s[-1] - AT_AN_END_S].mean()
    return Soaked(signal, float(first), float(last), float(value.min()), float(value.max()))
