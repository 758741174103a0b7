"""What an instrument's reply means. Pure.

Special numbers of SCPI-1999: 9.9E37 is infinity (here: over range) and 9.91E37 is not a number; neither ever passes as
a reading. Source: SCPI-99 vol. 1, 7.2.1.4 and 7.2.1.5, as quoted in several makers' manuals.
"""

from __future__ import annotations

import math
import re
from typing import Final

from instruments.errors import BadReply
from rampguard.quantities import Quantity, Validity

INFINITY: Final = 9.9e37
NOT_A_NUMBER: Final = 9.91e37
MOST_CHARACTERS: Final = 4096
"""A longer reply is no reply to anything that is asked here."""

UNITS: Final[dict[str, tuple[str, float]]] = {
    "V": ("V", 1.0),
    "mV": ("V", 1e-3),
    "kV": ("V", 1e3),
    "A": ("A", 1.0),
    "mA": ("A", 1e-3),
    "uA": ("A", 1e-6),
    "W": ("W", 1.0),
    "mW": ("W", 1e-3),
    "kW": ("W", 1e3),
    "ohm": ("ohm", 1.0),
    "degC": ("degC", 1.0),
}
"""Units a dialect may state, each with its SI unit and factor: the one place where units are converted."""

_NUMBER = re.compile(r"[+-]?(?:\d+\.?\d*|\.\d+)(?:[eE][+-]?\d+)?", re.ASCII)
_ERROR = re.compile(r'([+-]?\d{1,6}),\s*"(.*)"', re.DOTALL | re.ASCII)

# Below these a reading cannot be: rms is never negative, nor is it colder than this on any bench. Noise about zero is.
_LEAST: Final = {Quantity.LINE_VOLTAGE: -1.0, Quantity.LINE_CURRENT: -0.1, Quantity.TEMPERATURE: -60.0}


def parse_number(text: str) -> tuple[float | None, Validity]:
    """A numeric reply (NR1, NR2 or NR3) as a value, or why it is none. Raises BadReply for what is no number at all."""
    plain = text.strip()
    if plain.lower().lstrip("+-") in ("nan", "inf", "infinity"):
        return None, Validity.INVALID if "nan" in plain.lower() else Validity.OVER_RANGE
    if len(plain) > 64 or not _NUMBER.fullmatch(plain):
        raise BadReply(f"{text[:80]!r} is not a number")
    value = float(plain)
    size = abs(value)
    if math.isclose(size, NOT_A_NUMBER, rel_tol=1e-4):
        return None, Validity.INVALID
    if size >= 0.99 * INFINITY:
        return None, Validity.OVER_RANGE
    return value, Validity.VALID


def parse_reading(text: str, quantity: Quantity, unit: str) -> tuple[float | None, Validity]:
    """A reply as a value of a quantity in its SI unit, or why it is none. Raises BadReply."""
    value, validity = parse_number(text)
    if value is None:
        return None, validity
    value *= UNITS[unit][1]
    if value < _LEAST.get(quantity, -math.inf) or not math.isfinite(value):
        return None, Validity.INVALID
    return value, Validity.VALID


def split_fields(text: str, separator: str, count: int) -> list[str]:
    """The fields of a compound reply. Raises BadReply unless there are exactly ``count``."""
    fields = text.split(separator)
    if len(fields) != count:
        raise BadReply(f"{text[:80]!r} has {len(fields)} fields, {count} were asked for")
    return fields


def parse_error(text: str) -> tuple[int, str]:
    """An entry of the error queue, ``-113,"Undefined header"``: its number and words; 0 is none. Raises BadReply."""
    match = _ERROR.fullmatch(text.strip())
    if match is None:
        raise BadReply(f"{text[:80]!r} is no entry of an error queue")
    return int(match[1]), match[2]
