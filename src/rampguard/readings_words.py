"""Readings, advice and reservoirs in words, for whoever looks on."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Final

from rampguard.quantities import LINE_QUANTITIES, LINE_VOLTAGE, SHAPE_QUANTITIES, Quantity, Signal


def advice_words(advice: dict[str, Any]) -> str:
    """What whoever turns the knob should do, in words."""
    if advice["too_fast"]:
        fast = f"{advice['speed_v_per_s']:.2g} V/s"
        return f"TOO FAST, wait: {fast}; this bench can protect the unit up to {advice['fastest_v_per_s']:.2g} V/s"
    if advice["blind"]:
        return "wait: a meter has no reading just now"
    most = advice["fastest_v_per_s"]
    words = {
        "up": f"turn up to {advice['target_v']:g} V, slowly" + ("" if most is None else f": up to {most:.2g} V/s"),
        "wait": "wait",
        "back": f"turn back to {advice['target_v']:g} V",
    }
    return words[advice["turn"]]


def reservoir_lines(held: dict[str, dict[str, float | None]]) -> list[str]:
    """What metered rails still hold, a line each; an estimate says that it is one."""
    return [_reservoir_line(column, item) for column, item in held.items()]


def _reservoir_line(column: str, item: dict[str, float | None]) -> str:
    signal, volts, in_s = Signal.from_column(column), item["volts"] or 0.0, item["below_2_v_in_s"]
    name = column if signal is None else f"rail {signal.channel}".strip()
    if in_s == 0.0:
        return f"{name}: {volts:.2g} V when last read."
    to_touch, wait = item["below_60_v_in_s"], "no telling when" if in_s is None else f"by estimate in {_about(in_s)}"
    touch = f"below 60 V by estimate in {_about(to_touch)}, " if to_touch else ""
    return f"{name}: STILL {volts:.3g} V when last read; {touch}below 2 V: {wait}. Measure."


def _about(seconds: float) -> str:
    return f"{seconds:.0f} s" if seconds < 90.0 else f"{seconds / 60.0:.0f} min"


_SHORT: Final = {
    Quantity.EMITTER_RESISTOR: "emitter",
    Quantity.DC_OFFSET: "offset",
    Quantity.RAIL: "rail",
    Quantity.TEMPERATURE: "temp",
}
MOST_IN_A_LINE: Final = 9
"""Of more signals (a scanner reads many) a line holds those that are not a channel's."""
_MILLI_BELOW: Final = {"A": 1.0, "V": 1.0}


def readings_line(values: dict[str, float]) -> str:
    """Readings, by column, in one line that fits a terminal: the line's first, small ones in thousandths.

    The shape of line current is left out: it is for the causes, and says little to whoever looks on.
    """
    known = [pair for pair in in_order(values) if pair[0].quantity not in SHAPE_QUANTITIES]
    if len(known) > MOST_IN_A_LINE:
        known = [pair for pair in known if pair[0].quantity in (*LINE_QUANTITIES, Quantity.RAIL, Quantity.TEMPERATURE)]
    return "  ".join(_with_unit(signal, value) for signal, value in known)


def in_order(values: Mapping[str, float]) -> list[tuple[Signal, float]]:
    """Readings, by column, as signals with their values: the line's first. A column that is no signal is left out."""
    named = ((Signal.from_column(column), value) for column, value in values.items())
    known = [(signal, value) for signal, value in named if signal is not None]
    known.sort(key=lambda pair: (pair[0].quantity not in LINE_QUANTITIES, list(Quantity).index(pair[0].quantity)))
    return known


def name_words(signal: Signal) -> str:
    """A channel's signal in short: ``emitter left``; of the line what it is."""
    if signal.quantity in LINE_QUANTITIES:
        return str(signal.quantity).replace("_", " ")
    return f"{_SHORT[signal.quantity]} {signal.channel}"


def value_words(signal: Signal, value: float) -> str:
    """A value with its unit, small ones in thousandths."""
    unit = signal.unit
    if abs(value) < _MILLI_BELOW.get(unit, 0.0) and signal != LINE_VOLTAGE:
        return f"{1000.0 * value:.1f} m{unit}"
    return f"{value:.1f} {unit}" if abs(value) >= 10.0 else f"{value:.2f} {unit}"


def _with_unit(signal: Signal, value: float) -> str:
    named = f"{name_words(signal)} " if signal.channel else ""
    return named + value_words(signal, value)
