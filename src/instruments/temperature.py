"""Degrees from what a multimeter reads of a sensor: type K thermocouples (mV) and Pt100 resistors (ohm).

Reference functions of ITS-90 for type K (NIST's published coefficients) and of IEC 60751 for Pt100, turned round by
halving, so that the same coefficients serve both ways.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Final

_K_BELOW: Final = (
    0.0,
    0.394501280250e-01,
    0.236223735980e-04,
    -0.328589067840e-06,
    -0.499048287770e-08,
    -0.675090591730e-10,
    -0.574103274280e-12,
    -0.310888728940e-14,
    -0.104516093650e-16,
    -0.198892668780e-19,
    -0.163226974860e-22,
)
_K_ABOVE: Final = (
    -0.176004136860e-01,
    0.389212049750e-01,
    0.185587700320e-04,
    -0.994575928740e-07,
    0.318409457190e-09,
    -0.560728448890e-12,
    0.560750590590e-15,
    -0.320207200030e-18,
    0.971511471520e-22,
    -0.121047212750e-25,
)
_K_HUMP: Final = (0.1185976, -0.1183432e-03, 126.9686)
_PT100_A: Final = 3.9083e-3
_PT100_B: Final = -5.775e-7
_PT100_C: Final = -4.183e-12
TYPE_K_DEGC: Final = (-270.0, 1372.0)
PT100_DEGC: Final = (-200.0, 850.0)


def type_k_mv(degc: float) -> float:
    """What a type K junction gives at a temperature, mV, its other end at 0 degC."""
    terms = _K_BELOW if degc < 0.0 else _K_ABOVE
    smooth = sum(c * degc**n for n, c in enumerate(terms))
    a0, a1, a2 = _K_HUMP
    return smooth if degc < 0.0 else smooth + a0 * math.exp(a1 * (degc - a2) ** 2)


def type_k_degc(mv: float, *, reference_degc: float = 0.0) -> float:
    """The temperature of a type K junction, its other end at ``reference_degc``. Raises ValueError beyond its range."""
    return _turned_round(type_k_mv, mv + type_k_mv(reference_degc), TYPE_K_DEGC, "mV of a type K thermocouple")


def pt100_ohm(degc: float) -> float:
    """The resistance of a Pt100 at a temperature, ohm."""
    cold = _PT100_C * (degc - 100.0) * degc**3 if degc < 0.0 else 0.0
    return 100.0 * (1.0 + _PT100_A * degc + _PT100_B * degc**2 + cold)


def pt100_degc(ohm: float) -> float:
    """The temperature of a Pt100. Raises ValueError beyond its range."""
    return _turned_round(pt100_ohm, ohm, PT100_DEGC, "ohm of a Pt100")


def _turned_round(of: Callable[[float], float], value: float, within: tuple[float, float], what: str) -> float:
    low, high = within
    if not of(low) <= value <= of(high):
        raise ValueError(f"{value:g} {what} is beyond {low:g} to {high:g} degC; check the sensor and how it is wired")
    # Both rise all the way: halving always ends.
    for _ in range(80):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if of(middle) < value else (low, middle)
    return 0.5 * (low + high)
