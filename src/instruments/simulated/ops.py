"""The few operations in which plain floats and numpy arrays differ, so that one step function serves both.

Scalars are for one unit at a time (a Python float is some twenty times faster than an array of one); arrays are for
batches of hundreds.
"""

from __future__ import annotations

from typing import Any, Protocol, TypeAlias

import numpy as np

Real: TypeAlias = Any
"""A float, or an array of float64 with one value a unit."""


class Ops(Protocol):
    """What the step functions need beyond arithmetic."""

    def least(self, a: Real, b: Real) -> Real:
        """The smaller of two."""
        ...

    def above_zero(self, a: Real) -> Real:
        """The value, or zero where it is negative."""
        ...

    def sign(self, a: Real) -> Real:
        """+1, or -1 where it is negative."""
        ...

    def within_unit(self, a: Real) -> Real:
        """The value held between 0 and 1."""
        ...


class ScalarOps:
    """For floats."""

    @staticmethod
    def least(a: float, b: float) -> float:
        """The smaller of two."""
        return a if a < b else b

    @staticmethod
    def above_zero(a: float) -> float:
        """The value, or zero where it is negative."""
        return a if a > 0.0 else 0.0

    @staticmethod
    def sign(a: float) -> float:
        """+1, or -1 where it is negative."""
        return 1.0 if a >= 0.0 else -1.0

    @staticmethod
    def within_unit(a: float) -> float:
        """The value held between 0 and 1."""
        return 0.0 if a < 0.0 else 1.0 if a > 1.0 else a


class ArrayOps:
    """For arrays."""

    @staticmethod
    def least(a: Real, b: Real) -> Real:
        """The smaller of two, each."""
        return np.minimum(a, b)

    @staticmethod
    def above_zero(a: Real) -> Real:
        """The value, or zero where it is negative, each."""
        return np.maximum(a, 0.0)

    @staticmethod
    def sign(a: Real) -> Real:
        """+1, or -1 where it is negative, each."""
        return np.where(a >= 0.0, 1.0, -1.0)

    @staticmethod
    def within_unit(a: Real) -> Real:
        """The value held between 0 and 1, each."""
        return np.minimum(np.maximum(a, 0.0), 1.0)


SCALAR: Ops = ScalarOps()
ARRAY: Ops = ArrayOps()
