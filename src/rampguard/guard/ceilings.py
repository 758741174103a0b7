"""Layer 1: plain ceilings, and too little current.

Each check is a function of the limits, the memory before and after an observation, and the observation. It yields
what it has to say: nothing means it was evaluated and passed. All checks run at every observation, so that a
reading too old is found by time passing as well as by a reading arriving.
"""

from __future__ import annotations

from collections.abc import Iterator

from rampguard.guard.case import INRUSH, STAGE_CURRENT, Case, not_evaluated, trip, warn, words
from rampguard.guard.decision import Finding
from rampguard.guard.windows import MADE_OF_CYCLES, denser, windows
from rampguard.quantities import (
    LINE_CURRENT,
    LINE_VOLTAGE,
    REAL_POWER,
    SHAPE_QUANTITIES,
    Quantity,
    Reading,
    Signal,
    Validity,
)

RAILS_SETTLE_S = 2.0
"""So long after an expected event's window rails may still be coming up; common practice, no source."""
RAILS_FROM_FRACTION = 0.05
"""Rails are compared from this part of the line voltage ceiling on."""


def absolute_ceilings(case: Case) -> Iterator[Finding]:
    """Each new reading against the ceiling of its quantity; over range counts as above any ceiling.

    The shape of line current has none: its rms value has.
    """
    for reading in case.observation.readings:
        if reading.signal.quantity in SHAPE_QUANTITIES:
            continue
        ceiling = case.limits.ceiling(reading.signal.quantity, in_event=case.in_event, driven=case.driven)
        if ceiling is None:
            yield not_evaluated("ceiling", f"{words(reading.signal)}: no ceiling is set")
        elif reading.signal.quantity is Quantity.DC_OFFSET and not offset_means_something(case):
            yield not_evaluated(
                "dc-offset", f"{words(reading.signal)}: rails not up and settled, so it means nothing yet"
            )
        else:
            yield from _against_ceiling(case, reading, ceiling)


def _against_ceiling(case: Case, reading: Reading, ceiling: float) -> Iterator[Finding]:
    name, unit = words(reading.signal), reading.signal.unit
    check = _ceiling_check(case, reading.signal)
    if reading.validity is Validity.OVER_RANGE:
        yield trip(check, f"{name} is beyond the meter's range (ceiling {ceiling:.4g} {unit})")
    elif reading.value is not None:
        size, at_once = abs(reading.value), denser(reading.signal, case.cycles) * ceiling
        if size > at_once:
            yield trip(check, f"{name} {size:.4g} {unit} is above its ceiling of {at_once:.4g} {unit}")
            return
        if case.cycles > 1 and reading.signal in MADE_OF_CYCLES:
            held = windows(case.memory.recent.get(reading.signal, ())[-case.cycles :], reading.signal, case.cycles)
            size = held[-1][1] if held else 0.0
        if size > ceiling:
            yield trip(check, f"{name} {size:.4g} {unit} is above its ceiling of {ceiling:.4g} {unit}")
        # Line voltage lives near its ceiling at full line: there a warning would only teach people to ignore it.
        elif reading.signal != LINE_VOLTAGE and size > _warns_above(case, reading) * ceiling:
            yield warn(check, f"{name} {size:.4g} {unit} nears its ceiling of {ceiling:.4g} {unit}")


def _ceiling_check(case: Case, signal: Signal) -> str:
    """What passing this ceiling speaks of."""
    if signal.quantity is Quantity.EMITTER_RESISTOR:
        return STAGE_CURRENT
    return INRUSH if case.in_event and signal in (LINE_CURRENT, REAL_POWER) else "ceiling"


def lasting_inrush(case: Case) -> Iterator[Finding]:
    """Within an expected event: current or power that stays where an inrush only passes through."""
    limits = case.limits
    ceilings = ((LINE_CURRENT, limits.event_lasting_current_a), (REAL_POWER, limits.event_lasting_power_w))
    for signal, ceiling in ceilings:
        fresh = [r.value for r in case.observation.readings if r.signal == signal and r.value is not None]
        if ceiling is None or not case.in_event or not fresh or fresh[-1] <= ceiling:
            continue
        since_s = case.memory.rates_excused_until_s - limits.expected_event_window_s
        above = [t for t, value in case.memory.recent[signal] if t >= since_s and value > ceiling]
        lasts_s = case.now_s - min(above, default=case.now_s)
        if lasts_s >= limits.inrush_s:
            yield trip(
                INRUSH,
                f"{words(signal)} {fresh[-1]:.4g} {signal.unit} does not fall after power was pressed: above"
                f" {ceiling:.4g} {signal.unit} for {lasts_s:.2g} s, longer than an inrush",
            )


def _warns_above(case: Case, reading: Reading) -> float:
    on_line = reading.signal in (LINE_CURRENT, REAL_POWER)
    return case.limits.line_warn_fraction if on_line else case.limits.warn_fraction


def offset_means_something(case: Case) -> bool:
    """Ahead of the speaker relay, a DC offset means something once the rails are up and line voltage is still."""
    limits, memory = case.limits, case.memory
    line_voltage_v = memory.value(LINE_VOLTAGE)
    if line_voltage_v is None:
        return False
    rails = _rail_sizes(case)
    if rails:
        up = min(rails) > limits.offset_from_rail_v
    else:
        up = limits.offset_from_line_v is not None and line_voltage_v >= limits.offset_from_line_v
    return up and is_still(case)


def _rail_sizes(case: Case) -> list[float]:
    newest = case.memory.latest.items()
    return [abs(r.value) for signal, r in newest if signal.quantity is Quantity.RAIL and r.value is not None]


def is_still(case: Case) -> bool:
    """Whether line voltage has been still for long enough."""
    return case.now_s - case.memory.still_since_s >= case.limits.offset_settle_s


def held_up(case: Case) -> bool:
    """Whether the line holds the rails up: there, still, and off not commanded."""
    if case.observation.is_off:
        return False
    line_voltage_v = case.memory.value(LINE_VOLTAGE) or 0.0
    return line_voltage_v >= RAILS_FROM_FRACTION * case.limits.line_voltage_v and is_still(case)


def rail_difference(case: Case) -> Iterator[Finding]:
    """The sizes of two rails against each other, while the line holds them up: falling, each empties by itself."""
    ceiling = case.limits.rail_difference_v
    if ceiling is None or not any(r.signal.quantity is Quantity.RAIL for r in case.observation.readings):
        return
    if not held_up(case):
        yield not_evaluated("rail-difference", "rail difference: line voltage is low, or not still yet")
        return
    # Two meters do not read at the same moment: while rails come up, one of them is ahead of the other.
    if case.now_s <= case.memory.rates_excused_until_s + RAILS_SETTLE_S:
        yield not_evaluated("rail-difference", "rail difference: power was pressed just now, the rails are coming up")
        return
    rails = _rail_sizes(case)
    if len(rails) < 2:
        yield not_evaluated("rail-difference", "rail difference: only one rail is measured")
        return
    difference_v = max(rails) - min(rails)
    if difference_v > ceiling:
        yield trip(
            "rail-difference",
            f"the rails differ by {difference_v:.3g} V, more than {ceiling:.3g} V: one is pulled down",
        )


def overshoot(case: Case) -> Iterator[Finding]:
    """Line voltage well above its set-point, or well below it for too long."""
    limits, set_v = case.limits, case.observation.set_voltage_v
    line_voltage_v = case.memory.value(LINE_VOLTAGE)
    if limits.overshoot_v is None or set_v is None or line_voltage_v is None:
        return
    if line_voltage_v > case.memory.highest_set_v(set_v) + limits.overshoot_v:
        yield trip(
            "overshoot",
            f"line voltage {line_voltage_v:.4g} V is above its set-point of {set_v:.4g} V by more than"
            f" {limits.overshoot_v:.3g} V",
        )
    since_s = case.memory.lagging_since_s
    if since_s is not None and case.now_s - since_s >= limits.lag_s:
        yield trip(
            "lag",
            f"line voltage {line_voltage_v:.4g} V has not followed its set-point of {set_v:.4g} V for"
            f" {limits.lag_s:.3g} s: source in current limit, cut-off dropped out, or meter misplaced",
        )


def rates_of_rise(case: Case) -> Iterator[Finding]:
    """Line current and real power against what they were at the reading before, and within the last second."""
    limits = case.limits
    yield from _rise(case, LINE_CURRENT, limits.current_rise_a, limits.current_rise_a_per_s)
    yield from _rise(case, REAL_POWER, limits.power_rise_w, limits.power_rise_w_per_s)


def _rise(case: Case, signal: Signal, per_reading: float | None, per_second: float | None) -> Iterator[Finding]:
    fresh = [r.value for r in case.observation.readings if r.signal == signal and r.value is not None]
    if not fresh or (per_reading is None and per_second is None):
        return
    name, unit = words(signal), signal.unit
    if case.in_event or case.driven:
        yield not_evaluated("rise", f"rise of {name}: an expected event explains it for the moment")
        return
    seen = windows(case.memory.recent[signal], signal, case.cycles)
    earlier = [v for t, v in seen[: -case.cycles] if t > case.before.rates_excused_until_s]
    if not earlier:
        return
    value = seen[-1][1]
    if per_reading is not None and value - earlier[-1] > per_reading:
        yield trip(
            "rise",
            f"{name} rose by {value - earlier[-1]:.3g} {unit} from one reading to the next,"
            f" more than {per_reading:.3g} {unit}",
        )
    elif per_second is not None and value - min(earlier) > per_second:
        yield trip(
            "rise",
            f"{name} rose by {value - min(earlier):.3g} {unit} within a second, more than {per_second:.3g} {unit}",
        )


def too_little_current(case: Case) -> Iterator[Finding]:
    """No current though voltage is there: a switch, a fuse or a lead. The switch must not be thrown at full line."""
    since_s = case.memory.no_current_since_s
    if since_s is None:
        reading = case.memory.latest.get(LINE_CURRENT)
        if reading is not None and not case.memory.current_seen and case.limits.no_current_from_v is not None:
            yield not_evaluated("no-current", "too little current: the meter cannot tell it from zero yet")
    elif case.now_s - since_s >= case.limits.no_current_s:
        what = "no current" if _nothing_flows(case) else "current, but no power,"
        yield trip(
            "no-current",
            f"{what} at {case.memory.value(LINE_VOLTAGE):.4g} V: power switch off, fuse open or lead loose."
            " Bring the line back to zero before touching the switch",
        )


def _nothing_flows(case: Case) -> bool:
    reading = case.memory.latest[LINE_CURRENT]
    return reading.value is None or reading.value <= max(reading.bound, case.limits.no_current_a)
