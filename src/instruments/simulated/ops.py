"""The few operations in which plain floats and numpy arrays differ, so that one step function serves both.

Scalars are for one unit at a time (a Python float is some twenty times faster than an array of one); arrays are for
batches of hundreds.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any, Protocol, TypeAlias

import numpy as np

Real: TypeAlias = Any
"""A float, or an array of float64 with one value a unit."""
Truth: TypeAlias = Any
"""A bool, or an array of them."""


class Ops(Protocol):
    """What the step functions need beyond arithmetic."""

    def least(self, a: Real, b: Real) -> Real:
        """The smaller of two."""
        ...

    def most(self, a: Real, b: Real) -> Real:
        """The larger of two."""
        ...

    def above_zero(self, a: Real) -> Real:
        """The value, or zero where it is negative."""
        ...

    def size(self, a: Real) -> Real:
        """The absolute value."""
        ...

    def sign(self, a: Real) -> Real:
        """+1, or -1 where it is negative."""
        ...

    def within_unit(self, a: Real) -> Real:
        """The value held between 0 and 1."""
        ...

    def log(self, a: Real) -> Real:
        """The natural logarithm of a positive value."""
        ...

    def exp(self, a: Real) -> Real:
        """The exponential function."""
        ...

    def power(self, a: Real, exponent: float) -> Real:
        """A value that is not negative, raised to a power."""
        ...

    def either(self, condition: Truth, a: Real, b: Real) -> Real:
        """``a`` where the condition holds, else ``b``."""
        ...

    def both(self, a: Truth, b: Truth) -> Truth:
        """Whether both conditions hold."""
        ...

    def anywhere(self, condition: Truth) -> bool:
        """Whether it holds for any unit."""
        ...

    def meet(self, brought: Real, alone: Real, paths: Sequence[tuple[Real, Real]]) -> Real:
        """The voltage v at which ``alone v + sum of max(0, g v - c) = brought`` over the paths (g, c)."""
        ...


class ScalarOps:
    """For floats."""

    @staticmethod
    def least(a: float, b: float) -> float:
        """The smaller of two."""
        return a if a < b else b

    @staticmethod
    def most(a: float, b: float) -> float:
        """The larger of two."""
        return a if a > b else b

    @staticmethod
    def above_zero(a: float) -> float:
        """The value, or zero where it is negative."""
        return a if a > 0.0 else 0.0

    size = staticmethod(abs)

    @staticmethod
    def sign(a: float) -> float:
        """+1, or -1 where it is negative."""
        return 1.0 if a >= 0.0 else -1.0

    @staticmethod
    def within_unit(a: float) -> float:
        """The value held between 0 and 1."""
        return 0.0 if a < 0.0 else 1.0 if a > 1.0 else a

    log = staticmethod(math.log)
    exp = staticmethod(math.exp)

    @staticmethod
    def power(a: float, exponent: float) -> float:
        """A value that is not negative, raised to a power."""
        return float(a**exponent)

    @staticmethod
    def either(condition: bool, a: float, b: float) -> float:  # noqa: FBT001 - as in numpy
        """``a`` where the condition holds, else ``b``."""
        return a if condition else b

    @staticmethod
    def both(a: bool, b: bool) -> bool:  # noqa: FBT001 - as in numpy
        """Whether both conditions hold."""
        return a and b

    @staticmethod
    def anywhere(condition: bool) -> bool:  # noqa: FBT001 - as in numpy
        """Whether it holds."""
        return condition

    @staticmethod
    def meet(brought: float, alone: float, paths: Sequence[tuple[float, float]]) -> float:
        """See `Ops.meet`. Newton's method from the right, where each step can only take paths away."""
        v, before = brought / alone, 0
        for _ in paths:
            slope, rest, taking = alone, brought, 0
            for g, c in paths:
                if g * v > c:
                    slope += g
                    rest += c
                    taking += 1
            if taking == before:
                break
            v, before = rest / slope, taking
        return v


class ArrayOps:
    """For arrays."""

    @staticmethod
    def least(a: Real, b: Real) -> Real:
        """The smaller of two, each."""
        return np.minimum(a, b)

    @staticmethod
    def most(a: Real, b: Real) -> Real:
        """The larger of two, each."""
        return np.maximum(a, b)

    @staticmethod
    def above_zero(a: Real) -> Real:
        """The value, or zero where it is negative, each."""
        return np.maximum(a, 0.0)

    size = staticmethod(np.abs)

    @staticmethod
    def sign(a: Real) -> Real:
        """+1, or -1 where it is negative, each."""
        return np.where(a >= 0.0, 1.0, -1.0)

    @staticmethod
    def within_unit(a: Real) -> Real:
        """The value held between 0 and 1, each."""
        return np.minimum(np.maximum(a, 0.0), 1.0)

    log = staticmethod(np.log)
    exp = staticmethod(np.exp)

    @staticmethod
    def power(a: Real, exponent: float) -> Real:
        """Values that are not negative, raised to a power."""
        return np.power(a, exponent)

    @staticmethod
    def either(condition: Truth, a: Real, b: Real) -> Real:
        """``a`` where the condition holds, else ``b``, each."""
        return np.where(condition, a, b)

    @staticmethod
    def both(a: Truth, b: Truth) -> Truth:
        """Whether both conditions hold, each."""
        return np.logical_and(a, b)

    @staticmethod
    def anywhere(condition: Truth) -> bool:
        """Whether it holds for any."""
        return bool(np.any(condition))

    @staticmethod
    def meet(brought: Real, alone: Real, paths: Sequence[tuple[Real, Real]]) -> Real:
        """See `Ops.meet`. Newton's method from the right, as often as there are paths."""
        v = brought / alone
        for _ in paths:
            slope, rest = alone, brought
            for g, c in paths:
                takes = g * v > c
                slope = slope + g * takes
                rest = rest + c * takes
            v = rest / slope
        return v


SCALAR: Ops = ScalarOps()
ARRAY: Ops = ArrayOps()
