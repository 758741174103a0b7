"""What a person types, as values of a job: numbers, readings, days, results. Raise ValueError, saying what to type."""

from __future__ import annotations

import datetime as dt
import re
from typing import Any, Final

_READING: Final = re.compile(
    r"\s*(?P<over>>|over\s)?\s*(?P<value>[-+]?\d+(?:[.,]\d+)?)\s*(?P<unit>[^\d\s].*?)\s*", re.IGNORECASE
)
_PRICE: Final = re.compile(r"(\d+(?:[.,]\d+)?)\s+([A-Za-z]{3})")
_RESULTS: Final = {"passed": "passed", "failed": "failed", "not made": "not made"}


def number(text: str) -> float:
    """A plain number; a decimal comma is understood."""
    try:
        return float(text.strip().replace(",", "."))
    except ValueError:
        raise ValueError(f"{text!r} is not a number; type it without its unit, such as 2.5") from None


def reading(text: str) -> dict[str, Any]:
    """``0.08 ohm``, or ``over 1000 Mohm`` where the meter shows more than it can read: value, unit and over_range."""
    found = _READING.fullmatch(text)
    if found is None:
        raise ValueError(f"{text!r}: type number and unit, such as 0.08 ohm, or over 1000 Mohm")
    said: dict[str, Any] = {"value": number(found["value"]), "unit": found["unit"]}
    return said | ({"over_range": True} if found["over"] else {})


def price(text: str) -> dict[str, Any]:
    """``240 EUR``: price and currency."""
    found = _PRICE.fullmatch(text.strip())
    if found is None:
        raise ValueError(f"{text!r}: type price and currency, such as 240 EUR")
    return {"price": number(found[1]), "currency": found[2].upper()}


def result(text: str) -> str:
    """``passed``, ``failed`` or ``not made``, or as much of it as tells which."""
    said = text.strip().lower().replace("-", " ")
    for name in _RESULTS:
        if said and name.startswith(said):
            return name
    raise ValueError(f"{text!r}: type passed, failed or not made (p, f or n)")


def day(text: str) -> dt.date:
    """``2026-03-14``."""
    try:
        return dt.date.fromisoformat(text.strip())
    except ValueError:
        raise ValueError(f"{text!r} is not a date; type it such as 2026-03-14") from None


def names(text: str) -> tuple[str, ...]:
    """``left,right``: names, parted by commas."""
    return tuple(name for name in map(str.strip, text.split(",")) if name)


def mains(text: str) -> tuple[float, float]:
    """``230/50``: volts rms and hertz."""
    volts, slash, hertz = text.partition("/")
    if not slash:
        raise ValueError(f"{text!r}: type volts and hertz, such as 230/50")
    return number(volts), number(hertz)
