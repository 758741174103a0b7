"""Cycles taken together: ceilings and rates of rise are numbers of a window of 0.1 s, as most meters average.

What is over within a cycle is the more in it, the shorter it is: a reservoir's charge when a soft start's bypass closes
is no more than before because it is seen cycle by cycle. So each cycle is held against what would reach the ceiling in
its window by itself, and each window's mean against the ceiling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from rampguard.quantities import LINE_CURRENT, REAL_POWER, Signal

WINDOW_S: Final = 0.1
"""What one reading of most line meters averages."""
MADE_OF_CYCLES: Final = frozenset({LINE_CURRENT, REAL_POWER})
"""What is taken together."""
Recent = Sequence[tuple[float, float]]
"""Times, s, and values."""


def cycles_in_window(line_window_s: float) -> int:
    """How many readings of the line make up a window; 1 where each is one."""
    return max(1, round(WINDOW_S / line_window_s)) if line_window_s > 0.0 else 1


def denser(signal: Signal, count: int) -> float:
    """How many times a window's value may be in one of so many cycles, the others having nothing."""
    if signal not in MADE_OF_CYCLES:
        return 1.0
    return math.sqrt(count) if signal == LINE_CURRENT else float(count)


def windows(recent: Recent, signal: Signal, count: int) -> list[tuple[float, float]]:
    """The windows that end with each reading, from the first that has enough: rms of current, means of power."""
    if count == 1:
        return list(recent)
    squared = signal == LINE_CURRENT
    sums = [value * value if squared else value for _, value in recent]
    found = []
    for end in range(count, len(recent) + 1):
        mean = sum(sums[end - count : end]) / count
        found.append((recent[end - 1][0], math.sqrt(mean) if squared else mean))
    return found
