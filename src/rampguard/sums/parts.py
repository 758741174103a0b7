"""Resistors as they are bought: the E12 row (IEC 60063), and ohms in words. Pure."""

from __future__ import annotations

import math
from typing import Final

from rampguard.sums.told import plain

E12: Final = (1.0, 1.2, 1.5, 1.8, 2.2, 2.7, 3.3, 3.9, 4.7, 5.6, 6.8, 8.2)
"""IEC 60063, as printed by others."""


def e12_at_most(ohm: float) -> float:
    """The greatest of the row that is no more than this, ohms."""
    decade = math.floor(math.log10(ohm))
    choices = [value * 10.0**exponent for exponent in (decade - 1, decade, decade + 1) for value in E12]
    return max(choice for choice in choices if choice <= ohm * (1.0 + 1e-9))


def ohms(value: float) -> str:
    """``47 ohm``, ``4.7 kohm``, ``1 Mohm``."""
    for size, unit in ((1e6, "Mohm"), (1e3, "kohm")):
        if value >= size:
            return f"{plain(value / size)} {unit}"
    return f"{plain(value)} ohm"
