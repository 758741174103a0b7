"""How the sheet says things: numbers with their units, roles, outcomes. English; another language is another module."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from rampguard.quantities import BEHIND_RELAY, Quantity, Signal

ROLES: Final = {
    "as-found": "as found",
    "after-repair": "after the repair",
    "known-good": "a unit known to be good",
    "hunt": "hunt for the section at fault",
    "warm-up": "after the repair, with warm-up",
    "cold-start": "switched on at full mains",
    "other": "other",
}
OUTCOMES: Final = {
    "passed": "passed",
    "tripped": "TRIPPED",
    "stopped": "stopped early",
    "unproven": "NOT PROVEN OFF",
    "recording": "cut short",
    "unreadable": "cannot be read",
    "refused": "refused, not energised",
}
VERDICTS: Final[dict[bool | None, str]] = {True: "in order", False: "NOT IN ORDER", None: "not checked"}
NOT_READ: Final = "not read"
_SHOWN: Final[dict[Quantity, tuple[float, str]]] = {
    Quantity.LINE_VOLTAGE: (1.0, "V"),
    Quantity.LINE_CURRENT: (1.0, "A"),
    Quantity.REAL_POWER: (1.0, "W"),
    Quantity.RAIL: (1.0, "V"),
    Quantity.TEMPERATURE: (1.0, "°C"),
    Quantity.EMITTER_RESISTOR: (1e3, "mV"),
    Quantity.DC_OFFSET: (1e3, "mV"),
}
"""What a value is multiplied by to be shown, and the unit that it then has."""
_NAMES: Final = {
    Quantity.LINE_VOLTAGE: "line voltage",
    Quantity.LINE_CURRENT: "line current",
    Quantity.REAL_POWER: "power from the line",
    Quantity.TEMPERATURE: "temperature",
    Quantity.EMITTER_RESISTOR: "idle",
    Quantity.DC_OFFSET: "offset",
    Quantity.RAIL: "rail",
}


def signal_name(signal: Signal) -> str:
    """What is measured, in words."""
    name = _NAMES[signal.quantity]
    channel = signal.channel.removesuffix(BEHIND_RELAY)
    at = " at its terminals" if signal.channel.endswith(BEHIND_RELAY) else ""
    if signal.quantity is Quantity.RAIL:
        return f"{channel} rail"
    return f"{name}, {channel}{at}" if channel else name


def shown(value: float, quantity: Quantity, digits: int = 3) -> str:
    """A value with its unit, as it is read on the bench: idles and offsets in millivolts."""
    factor, unit = _SHOWN[quantity]
    return f"{number(factor * value, digits)} {unit}"


def changed(first: float, last: float, quantity: Quantity, digits: int) -> str:
    """By how much a value changed, with its sign, to the decimals that the value itself is shown with."""
    factor, unit = _SHOWN[quantity]
    places = _places(factor * max(abs(first), abs(last)), digits)
    change = round(factor * (last - first), places)
    return f"{change:+.{places}f} {unit}".replace("-", "−") if change else f"0 {unit}"


def number(value: float, digits: int = 3) -> str:
    """A number of so many digits, without an exponent and with a true minus sign."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    return f"{value:.{_places(value, digits)}f}".replace("-", "−")


def _places(value: float, digits: int) -> int:
    """Decimals by which a number shows so many digits."""
    return max(0, digits - 1 - math.floor(math.log10(abs(value)))) if value else 0


def counted(count: int, what: str) -> str:
    """How many of something."""
    return f"{count} {what}" if count == 1 else f"{count} {what}s"


def with_uncertainty(value: float, uncertainty: float, unit: str) -> str:
    """A value with its standard uncertainty, both to the uncertainty's two digits (GUM 7.2.6)."""
    if uncertainty <= 0.0:
        return f"{number(value)} {unit}"
    places = max(0, 1 - math.floor(math.log10(uncertainty)))
    return f"{value:.{places}f} ± {uncertainty:.{places}f} {unit}".replace("-", "−")


def minutes(value: float) -> str:
    """How long, for a reader: minutes, or hours from two hours on."""
    if value < 120.0:
        whole = round(value)
        return "less than a minute" if whole < 1 else "1 minute" if whole == 1 else f"{whole} minutes"
    return f"{value / 60.0:.1f} hours"


def times(count: int) -> str:
    """How often."""
    return {1: "once", 2: "twice"}.get(count, f"{count} times")


def listed(words: Sequence[str]) -> str:
    """Words one after the other, with 'and' before the last."""
    return " and ".join(filter(None, (", ".join(words[:-1]), words[-1] if words else "")))


def in_one_line(text: str) -> str:
    """A user's text for a cell or an entry of a list."""
    return " ".join(text.split())


def paragraphs(text: str) -> list[str]:
    """A user's text as paragraphs, one a line."""
    return [line for part in text.splitlines() if (line := in_one_line(part))]


def ended(text: str) -> str:
    """A sentence with a full stop at its end, where it has none."""
    return text if not text or text[-1] in ".!?…:;" else f"{text}."
