"""Layer 1's numbers for a load class and a nameplate. All ratios are common practice, no source."""

from __future__ import annotations

from collections.abc import Iterable
from math import ceil
from typing import Final

from rampguard.guard.limits import GROSS_NATS, SUBTLE_NATS, Limits
from rampguard.loads.classes import LoadClass
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, LINE_WINDOW_S, Quantity, Signal
from rampguard.ramp.plan import MAINS_TOLERANCE
from rampguard.warmup.drive import Drive

_RISE_PER_SECOND = 0.6  # of the current ceiling
_RISE_PER_READING = 0.5  # a soft start's bypass lets the current jump
_OVERSHOOT = 0.05  # of mains
_OFFSET_FROM = 0.4  # of mains
_NO_CURRENT = 0.0005  # of nameplate current
_EMITTER_RESISTOR_V = 0.1
_IDLE_TIMES = 3.0  # of the idle that the unit's sheet wants
_CYCLES = 2.5
_EVENT_WINDOW_S = 1.0
_INRUSH_S = 0.15
_INRUSH_CYCLES = 2.7  # a healthy receiver's falls below what lasts within two cycles
_DIRECT_WINDOW_S = 3.0  # cold heaters and soft starts take their time
_DIRECT_RATIO = 30.0  # of nameplate, in a window of 0.1 s: a core's first half cycles
_DIRECT_LASTING_RATIO = 8.0
_NEVER_NATS = 1000.0
_DRIVEN_POWER_FACTOR = 0.55  # of a rectifier into reservoirs, at its worst
_DC_OFFSET_V = 1.0
_TEMPERATURE_DEGC = 80.0
_RAIL_DIFFERENCE_V = 5.0
_STALE_LINE_S = 0.5
_STALE_OTHER_S = 2.0
_BAD_IN_A_ROW = 2
SOURCE_LIMIT_RATIO: Final = 1.5
"""The source's own current limit, against the guard's ceiling: a backstop, not the first to act."""
LEAST_PERIOD_S = 0.05
"""Wall time between two readings of a meter that answers at once with its newest window."""


def limits_for(
    load_class: LoadClass | None,
    *,
    nameplate_w: float | None,
    nameplate_v: float,
    signals: Iterable[Signal],
    driven: bool,
    speed: float = 1.0,
    line_gap_s: float = 0.0,
    cycle_s: float = 0.0,
    line_window_s: float = LINE_WINDOW_S,
    idle_v: float | None = None,
    direct: bool = False,
    drive: Drive | None = None,
) -> Limits:
    """The limits of a run or replay.

    ``nameplate_w`` None leaves every ceiling that scales with it unset, hence not evaluated. ``driven`` says that a
    source follows set-points. ``speed`` is bench seconds a wall second on an accelerated simulated bench: what the
    computer's own delays cost in bench time grows with it. ``line_gap_s`` is for how long the line's meters may
    have nothing to say, being slow or changing range; ``cycle_s`` in what time the slowest other meter reads all that
    it is wired to. ``line_window_s`` is what one reading of the line averages: a cycle, or 0.1 s. ``idle_v`` is what
    the unit's sheet wants across its emitter resistors. ``direct``: it is switched on at full mains. ``drive`` is what
    it is driven with in its soak. Volts rms, watts.
    """
    signals = tuple(signals)
    watched = tuple(dict.fromkeys((LINE_VOLTAGE, LINE_CURRENT, *signals)))
    nameplate_a = None if nameplate_w is None else nameplate_w / nameplate_v
    if load_class is None:
        current_a = power_w = event_a = event_w = lasting_a = lasting_w = None
    else:
        current_a = _times(load_class.current_ratio, nameplate_a)
        power_w = _times(load_class.power_ratio, nameplate_w)
        event_a = _times(load_class.event_current_ratio, nameplate_a)
        event_w = _times(load_class.event_power_ratio, nameplate_w)
        lasting_a = _times(load_class.event_lasting_current_ratio, nameplate_a)
        lasting_w = _times(load_class.event_lasting_power_ratio, nameplate_w)
    if direct:  # whatever its class, an inrush comes
        event_a, event_w = _times(_DIRECT_RATIO, nameplate_a), _times(_DIRECT_RATIO, nameplate_w)
        lasting_a, lasting_w = _times(_DIRECT_LASTING_RATIO, nameplate_a), _times(_DIRECT_LASTING_RATIO, nameplate_w)
    by_cycle = line_window_s < LINE_WINDOW_S
    # A unit that starts at once rises as far as its ceiling: there the ceiling is all that can tell.
    rise_a, rise_w = (None, None) if load_class is not None and load_class.starts_at_once else (current_a, power_w)
    quantities = {signal.quantity for signal in signals}
    return Limits(
        line_voltage_v=nameplate_v * (1.0 + MAINS_TOLERANCE),
        line_current_a=current_a,
        real_power_w=power_w if Quantity.REAL_POWER in quantities else None,
        event_current_a=event_a,
        event_power_w=event_w if Quantity.REAL_POWER in quantities else None,
        event_lasting_current_a=lasting_a,
        event_lasting_power_w=lasting_w if Quantity.REAL_POWER in quantities else None,
        inrush_s=_INRUSH_CYCLES * line_window_s if by_cycle and not direct else _INRUSH_S,
        line_window_s=min(line_window_s, LINE_WINDOW_S),
        rail_difference_v=_RAIL_DIFFERENCE_V if _rails(signals) > 1 else None,
        emitter_resistor_v=_emitter_resistor_v(idle_v) if Quantity.EMITTER_RESISTOR in quantities else None,
        temperature_degc=_TEMPERATURE_DEGC if Quantity.TEMPERATURE in quantities else None,
        # A unit that is driven little may draw what it may draw idling.
        driven_current_a=None
        if drive is None
        else max(drive.power_w / (_DRIVEN_POWER_FACTOR * nameplate_v), current_a or 0.0),
        driven_power_w=None if drive is None else max(drive.power_w, power_w or 0.0),
        driven_emitter_resistor_v=None if drive is None else max(drive.emitter_resistor_v, _emitter_resistor_v(idle_v)),
        dc_offset_v=_DC_OFFSET_V if Quantity.DC_OFFSET in quantities else None,
        overshoot_v=_OVERSHOOT * nameplate_v if driven else None,
        lag_s=max(1.0, 0.25 * speed),
        current_rise_a=_times(_RISE_PER_READING, rise_a),
        current_rise_a_per_s=_times(_RISE_PER_SECOND, rise_a),
        power_rise_w=_times(_RISE_PER_READING, rise_w),
        power_rise_w_per_s=_times(_RISE_PER_SECOND, rise_w),
        no_current_from_v=None if load_class is None else load_class.no_current_from_fraction * nameplate_v,
        no_current_a=0.0 if nameplate_a is None else _NO_CURRENT * nameplate_a,
        # On a range for an inrush a standby supply's current cannot be told from zero.
        current_seen_by_v=None if load_class is None or direct else load_class.current_seen_by_fraction * nameplate_v,
        power_seen_by_v=None
        if load_class is None or direct
        else _times(load_class.power_seen_by_fraction, nameplate_v),
        expected_event_window_s=_DIRECT_WINDOW_S if direct else _EVENT_WINDOW_S,
        offset_from_line_v=_OFFSET_FROM * nameplate_v,
        stale_line_s=max(_STALE_LINE_S, _STALE_LINE_S * speed, line_gap_s),
        # Where readings may be absent for a while, how long says more than how often it was asked meanwhile.
        bad_in_a_row=_BAD_IN_A_ROW + (ceil(line_gap_s / LEAST_PERIOD_S) if line_gap_s > _STALE_LINE_S else 0),
        stale_other_s=max(_STALE_OTHER_S, _STALE_OTHER_S * speed, line_gap_s, _CYCLES * cycle_s),
        # The causes are told apart by how a unit wakes on a ramp; of one that wakes at once they tell nothing.
        evidence_gross_nats=_NEVER_NATS
        if direct
        else _or(GROSS_NATS, None if load_class is None else load_class.evidence_gross_nats),
        evidence_subtle_nats=_NEVER_NATS
        if direct
        else _or(SUBTLE_NATS, None if load_class is None else load_class.evidence_subtle_nats),
        watched=watched,
    )


def source_limit_a(limits: Limits) -> float | None:
    """The source's own current limit, A rms: by what an inrush may draw in 0.1 s, whatever meter reads the line."""
    if limits.line_current_a is None:
        return None
    return SOURCE_LIMIT_RATIO * max(limits.line_current_a, limits.event_current_a or 0.0)


def _emitter_resistor_v(idle_v: float | None) -> float:
    return _EMITTER_RESISTOR_V if idle_v is None else _IDLE_TIMES * idle_v


def _or(usual: float, own: float | None) -> float:
    return usual if own is None else own


def _times(ratio: float | None, of: float | None) -> float | None:
    return None if ratio is None or of is None else ratio * of


def _rails(signals: tuple[Signal, ...]) -> int:
    return sum(1 for signal in signals if signal.quantity is Quantity.RAIL)
