"""The odd one out among channels that should be alike: by the median, which one bad channel cannot move.

A channel is odd that lies further from the median than 3.5 robust standard deviations (1.4826 times the median of the
distances; Iglewicz and Hoaglin, "How to Detect and Handle Outliers", 1993, from memory), and further than the meters
and the parts' tolerance can explain. Of two channels that differ nobody can say which is odd.
"""

from __future__ import annotations

from collections.abc import Mapping
from statistics import median
from typing import Final

ROBUST_SIGMAS: Final = 3.5
TO_SIGMA: Final = 1.4826
"""From the median of distances to a standard deviation, of a normal distribution."""
LEAST: Final = 3
"""Of fewer channels none can be told to be the odd one."""


def odd_ones(values: Mapping[str, float], explained: float) -> dict[str, float]:
    """The channels that are odd, and by how much each is off the median. ``explained`` is what needs no fault.

    Values and ``explained`` are in one unit. Nothing is odd among fewer than three.
    """
    if len(values) < LEAST:
        return {}
    middle = median(values.values())
    spread = TO_SIGMA * median(abs(value - middle) for value in values.values())
    limit = max(ROBUST_SIGMAS * spread, explained)
    return {name: value - middle for name, value in values.items() if abs(value - middle) > limit}
