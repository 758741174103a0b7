"""How many standard deviations hold most of a model's units, where the deviation itself was measured on a few of them.

The two-sided tolerance factor of a normal distribution by Howe's method (NIST/SEMATECH e-Handbook of Statistical
Methods, section 7.2.6.3; W. G. Howe 1969). From five units on it is within 2 % of the exact factor, for two to four
2 to 7 % above it: on the careful side. Plain arithmetic, the same on every computer.
"""

from __future__ import annotations

import math
from functools import cache
from statistics import NormalDist
from typing import Final

BISECTIONS: Final = 90
"""After so many the two ends are neighbours, or nearly."""


@cache
def tolerance_factor(units: int, coverage: float, confidence: float) -> float:
    """k, so that mean +/- k standard deviations hold ``coverage`` of all units, with so much ``confidence``.

    Mean and deviation are of a sample of ``units``. Raises ValueError for fewer than two, and for parts not within
    0 and 1.
    """
    if units < 2:
        raise ValueError(f"{units} units have no spread; two at least")
    if not (0.0 < coverage < 1.0 and 0.0 < confidence < 1.0):
        raise ValueError("coverage and confidence are parts above 0 and below 1")
    freedom = units - 1
    z = NormalDist().inv_cdf(0.5 + 0.5 * coverage)
    return z * math.sqrt(freedom * (1.0 + 1.0 / units) / chi_squared(1.0 - confidence, freedom))


def chi_squared(part: float, freedom: int) -> float:
    """The value below which so great a ``part`` of a chi-squared distribution lies."""
    low, high = 0.0, 10.0 * (freedom + 10.0)
    for _ in range(BISECTIONS):
        middle = 0.5 * (low + high)
        if _below(middle, freedom) < part:
            low = middle
        else:
            high = middle
    return 0.5 * (low + high)


def _below(x: float, freedom: int) -> float:
    """The part of the distribution below ``x``: two degrees of freedom more take one term off."""
    if x <= 0.0:
        return 0.0
    half = 0.5 * x
    even = freedom % 2 == 0
    first = 2 if even else 1
    part = -math.expm1(-half) if even else math.erf(math.sqrt(half))
    for of in range(first, freedom, 2):
        part -= math.exp(0.5 * of * math.log(half) - half - math.lgamma(0.5 * of + 1.0))
    return part
