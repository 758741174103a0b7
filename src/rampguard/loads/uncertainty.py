"""Uncertainty of what is worked out from readings: linear propagation, with correlations.

JCGM 100:2008 (GUM), 5.1.2 and 5.2.2: the combined variance of y = f(x) is the sum over i and j of c_i c_j u_i u_j r_ij,
with the sensitivities c_i = df/dx_i. A meter's stated bound is taken as even within it: u = bound / sqrt(3) (4.3.7).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from typing import Final

ROOT3: Final = math.sqrt(3.0)


def standard(bound: float) -> float:
    """Standard uncertainty of a reading whose meter states a bound, in the reading's unit."""
    return bound / ROOT3


def combined(
    sensitivities: Sequence[float],
    uncertainties: Sequence[float],
    correlations: Mapping[tuple[int, int], float] | None = None,
) -> float:
    """Combined standard uncertainty. ``correlations`` gives r of pairs (i, j), i < j; those left out are 0.

    Raises ValueError for sequences of different lengths and for an r beyond -1 to 1.
    """
    parts = [c * u for c, u in zip(sensitivities, uncertainties, strict=True)]
    variance = sum(part * part for part in parts)
    for (i, j), r in (correlations or {}).items():
        if not -1.0 <= r <= 1.0:
            raise ValueError(f"a correlation is from -1 to 1, not {r}")
        variance += 2.0 * r * parts[i] * parts[j]
    return math.sqrt(max(variance, 0.0))
