"""Ranges of a load class's parameters, and samples that fill them evenly: the same on every computer.

Samples come from an additive recurrence with the powers of a generalised golden ratio (M. Roberts, The unreasonable
effectiveness of quasirandom sequences, 2018; from memory): a fixed low-discrepancy sequence of plain arithmetic, so
that nothing depends on a library's random stream.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from rampguard.loads.rectifier import Floats

COMMON: Final = "common practice, no source"
"""Where most ranges come from."""


@dataclass(frozen=True, slots=True)
class Range:
    """From ``low`` to ``high``, evenly or (``log``) evenly in the logarithm; and why, with its source.

    Where a parameter stands for an either-or, units below ``either`` are of one make, units from there on of another.
    """

    low: float
    high: float
    why: str
    log: bool = False
    either: float | None = None
    apart: bool = False
    """Whether units of one model differ in it by more than most parts do: by how much, only several of them say."""

    def __post_init__(self) -> None:
        if not (self.low <= self.high and (self.low > 0.0 or not self.log)):
            raise ValueError(f"{self.low} to {self.high} is no range{' of logarithms' if self.log else ''}")

    def at(self, part: Floats) -> Floats:
        """Values at parts from 0 to 1 of the range."""
        if self.log:
            return np.asarray(self.low * (self.high / self.low) ** part)
        return np.asarray(self.low + (self.high - self.low) * part)

    def along(self, value: float) -> float:
        """How far a value is from the low end: the difference, or (``log``) that of the logarithms."""
        return math.log(value / self.low) if self.log else value - self.low


@cache
def golden(dimensions: int) -> float:
    """The positive root of x^(d+1) = x + 1."""
    x = 1.5
    for _ in range(80):
        x = (1.0 + x) ** (1.0 / (dimensions + 1))
    return x


def even_parts(dimensions: int, count: int, after: int = 0) -> Floats:
    """``count`` points that fill a unit cube evenly, shape (dimensions, count); those ``after`` so many others."""
    steps = golden(dimensions)
    index = np.arange(after + 1, after + count + 1, dtype=np.float64)
    return np.array([(0.5 + index * steps ** -(place + 1.0)) % 1.0 for place in range(dimensions)])


def samples(ranges: Mapping[str, Range], count: int) -> dict[str, Floats]:
    """``count`` values of each parameter, shape (count,), spread over all ranges together."""
    parts = even_parts(len(ranges), count)
    return {name: item.at(parts[place]) for place, (name, item) in enumerate(ranges.items())}
