"""Fits of one or two exponentials on a constant: how something warms, cools or runs away.

Least squares. For given time constants the rest is linear, so that a coarse search over them needs no guess at all;
from its best place Levenberg and Marquardt's method refines everything together. Checked against certified values (NIST
StRD: Misra1a, BoxBOD, MGH17) in the tests.
"""

from __future__ import annotations

import itertools
import math
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

SEARCHED: Final = 48
"""So many time constants are tried, evenly in their logarithm."""
ROUNDS: Final = 200
CLOSE: Final = 1e-15
"""Refining ends once a step changes the residual sum of squares by no more than this part."""


class FitError(ValueError):
    """Too few points, or points that no such curve can be fitted to."""


@dataclass(frozen=True, slots=True)
class Fit:
    """``value + sum(amplitude exp(-t / time constant))``, each with its standard uncertainty, in the data's units.

    ``value`` is what it comes to; a time constant below zero grows. ``residual_sd`` is of the points about the curve.
    """

    value: float
    amplitudes: tuple[float, ...]
    time_constants_s: tuple[float, ...]
    value_u: float
    amplitudes_u: tuple[float, ...]
    time_constants_u: tuple[float, ...]
    residual_sd: float
    sum_of_squares: float

    def at(self, time_s: float) -> float:
        """The curve at a time."""
        pairs = zip(self.amplitudes, self.time_constants_s, strict=True)
        return self.value + sum(float(a * np.exp(-time_s / tau)) for a, tau in pairs)


def last_digit_u(values: Floats) -> float:
    """Standard uncertainty of a display's last digit, by the smallest step between what was shown: even within it."""
    steps = np.diff(np.unique(values))
    return float(steps.min()) / math.sqrt(12.0) if len(steps) else 0.0


def fit_exponentials(time_s: Floats, values: Floats, *, terms: int = 1, from_zero: bool = False) -> Fit:
    """The least-squares fit, of one or two ``terms``, longest time constant first; both arrays of shape (n,).

    ``from_zero``: the curve is nothing at time zero, so that the amplitudes add up to minus the value. Raises FitError.
    """
    needs = 2 * terms + (2 if not from_zero else 1)
    if len(time_s) < needs or not (np.isfinite(time_s).all() and np.isfinite(values).all()):
        raise FitError(f"{len(time_s)} points: {needs} finite ones at least are needed")
    span_s = float(np.ptp(time_s))
    if span_s <= 0.0:
        raise FitError("all points are of one moment")
    rates = _refined(time_s, values, _searched(time_s, values, terms, span_s, from_zero=from_zero), from_zero=from_zero)
    return _fit(time_s, values, rates, from_zero=from_zero)


def _columns(time_s: Floats, rates: Floats, *, from_zero: bool) -> Floats:
    """What the linear parameters multiply: shape (n, parameters). The last is the constant, where there is one."""
    decays = np.exp(-np.outer(time_s, rates))
    if from_zero:
        return np.asarray(decays - 1.0)
    return np.column_stack((decays, np.ones_like(time_s)))


def _searched(time_s: Floats, values: Floats, terms: int, span_s: float, *, from_zero: bool) -> Floats:
    """The best rates of a coarse search, 1/s, slowest first."""
    shortest_s = max(float(np.min(np.diff(np.unique(time_s)))), span_s / 1000.0) / 3.0
    tried = 1.0 / np.geomspace(5.0 * span_s, shortest_s, SEARCHED)
    return min(
        (np.array(some) for some in itertools.combinations(tried, terms)),
        key=lambda rates: _left(time_s, values, rates, from_zero=from_zero),
    )


def _left(time_s: Floats, values: Floats, rates: Floats, *, from_zero: bool) -> float:
    """The residual sum of squares at the best linear parameters."""
    columns = _columns(time_s, rates, from_zero=from_zero)
    return float(np.sum((values - columns @ _linear(columns, values)) ** 2))


def _linear(columns: Floats, values: Floats) -> Floats:
    """The linear parameters of the best curve."""
    return np.asarray(np.linalg.lstsq(columns, values, rcond=None)[0], dtype=np.float64)


def _jacobian(time_s: Floats, rates: Floats, linear: Floats, *, from_zero: bool) -> Floats:
    """How the curve goes with its linear parameters, and then with its rates."""
    amplitudes = linear[: len(rates)]
    by_rates = -time_s[:, None] * np.exp(-np.outer(time_s, rates)) * amplitudes
    return np.column_stack((_columns(time_s, rates, from_zero=from_zero), by_rates))


def _refined(time_s: Floats, values: Floats, rates: Floats, *, from_zero: bool) -> Floats:
    damping, left = 1e-3, _left(time_s, values, rates, from_zero=from_zero)
    for _ in range(ROUNDS):
        columns = _columns(time_s, rates, from_zero=from_zero)
        linear = _linear(columns, values)
        jacobian = _jacobian(time_s, rates, linear, from_zero=from_zero)
        residuals = values - columns @ linear
        scale = np.linalg.norm(jacobian, axis=0)
        scaled = jacobian / scale
        damped = np.vstack((scaled, np.sqrt(damping) * np.eye(scaled.shape[1])))
        step = np.linalg.lstsq(damped, np.append(residuals, np.zeros(scaled.shape[1])), rcond=None)[0] / scale
        tried = rates + step[-len(rates) :]
        then = _left(time_s, values, tried, from_zero=from_zero) if np.all(np.isfinite(tried)) else np.inf
        if then < left:
            small = left - then <= CLOSE * left
            rates, left, damping = tried, then, damping / 10.0
            if small:
                break
        elif damping > 1e12:
            break
        else:
            damping *= 10.0
    return rates


def _fit(time_s: Floats, values: Floats, rates: Floats, *, from_zero: bool) -> Fit:
    order = np.argsort(rates)
    rates = rates[order]
    columns = _columns(time_s, rates, from_zero=from_zero)
    linear = _linear(columns, values)
    left = float(np.sum((values - columns @ linear) ** 2))
    jacobian = _jacobian(time_s, rates, linear, from_zero=from_zero)
    free = len(time_s) - jacobian.shape[1]
    sd = float(np.sqrt(left / free)) if free > 0 else 0.0
    scale = np.linalg.norm(jacobian, axis=0)
    covariance = np.linalg.pinv((jacobian / scale).T @ (jacobian / scale)) / np.outer(scale, scale) * sd * sd
    uncertain = np.sqrt(np.diag(covariance))
    terms = len(rates)
    amplitudes = linear[:terms]
    if from_zero:
        value, value_u = -float(amplitudes.sum()), float(np.sqrt(covariance[:terms, :terms].sum()))
    else:
        value, value_u = float(linear[terms]), float(uncertain[terms])
    return Fit(
        value=value,
        amplitudes=tuple(map(float, amplitudes)),
        time_constants_s=tuple(float(1.0 / rate) for rate in rates),
        value_u=value_u,
        amplitudes_u=tuple(map(float, uncertain[:terms])),
        time_constants_u=tuple(float(u / rate**2) for u, rate in zip(uncertain[-terms:], rates, strict=True)),
        residual_sd=sd,
        sum_of_squares=left,
    )
