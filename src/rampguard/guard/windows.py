"""Cycles taken together: ceilings and rates of rise are numbers of a window of 0.1 s, as most meters average.

What is over within a cycle is the more in it, the shorter it is: a reservoir's charge when a soft start's bypass closes
is no more than before because it is seen cycle by cycle. So each cycle is held against what would reach the ceiling in
its window by itself, and each window's mean against the ceiling.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Final

from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, LINE_WINDOW_S, REAL_POWER, Signal

RMS: Final = frozenset({LINE_VOLTAGE, LINE_CURRENT})
"""Signals whose squares add; the values of all others do."""
MADE_OF_CYCLES: Final = frozenset({LINE_CURRENT, REAL_POWER})
"""What is taken together."""
Recent = Sequence[tuple[float, float]]
"""Times, s, and values."""


def cycles_in_window(line_window_s: float) -> int:
    """How many readings of the line make up a window; 1 where each is one."""
    return max(1, round(LINE_WINDOW_S / line_window_s)) if line_window_s > 0.0 else 1


def denser(signal: Signal, count: int) -> float:
    """How many times a window's value may be in one of so many cycles, the others having nothing."""
    if signal not in MADE_OF_CYCLES:
        return 1.0
    return math.sqrt(count) if signal == LINE_CURRENT else float(count)


def taken_together(values: Sequence[float], signal: Signal) -> float:
    """What a signal is over some readings of the same length: rms of what is rms, the mean of anything else."""
    if signal in RMS:
        return math.sqrt(sum(value * value for value in values) / len(values))
    return sum(values) / len(values)


def windows(recent: Recent, signal: Signal, count: int) -> list[tuple[float, float]]:
    """The windows that end with each reading, from the first that has enough: rms of current, means of power."""
    if count == 1:
        return list(recent)
    values = [value for _, value in recent]
    ends = range(count, len(recent) + 1)
    return [(recent[end - 1][0], taken_together(values[end - count : end], signal)) for end in ends]
