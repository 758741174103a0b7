"""By how much what is read may be off what a model with the unit's own parameters draws, and how that hangs together.

All in the logarithm of current and of power. The meters: a gain and an offset for the whole run, within the stated
bound (evenly: GUM 4.3.7), and noise; the voltmeter's gain through what is drawn. The models: what their closed forms
leave out, which changes slowly along the line (a Gaussian process over the logarithm of its voltage), and is more where
the line has just moved otherwise. The models' part was learnt from simulated units, see docs/estimates.md.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.estimates.moments import Moment
from rampguard.loads.following import NEAR_ZERO
from rampguard.loads.rectifier import Floats
from rampguard.loads.uncertainty import standard

NOISE_OF_BOUND: Final = 0.1
"""A meter's noise, of its stated bound; common practice, no source."""
NOT_READ: Final = 1e4
"""Variance of what was not read."""
TYPICAL_FARAD: Final = 0.15
"""A reservoir, in seconds of nameplate current at nameplate voltage: large, of what its range holds."""


@dataclass(frozen=True, slots=True)
class ModelError:
    """Standard deviations of what the models leave out, in the logarithm."""

    current: float = 0.012
    """Of current, changing slowly along the line, and..."""
    current_low: float = 0.004
    """...what comes on top of it at full line, and more in proportion as line voltage is lower."""
    power: float = 0.006
    """The same of power,"""
    power_low: float = 0.002
    """and what comes on top of it."""
    along: float = 0.6
    """It hangs together over such a change of the logarithm of line voltage."""
    each: float = 0.005
    """Of each moment by itself,"""
    moving: float = 0.1
    """of what charges the reservoir while the line moves, and..."""
    jerk: float = 1.6
    """...of what charges it more or less than in the interval before, and..."""
    rough: float = 1.0
    """...than in those around."""


LEARNT: Final = ModelError()
MEAN_V: Final = (0.1, 0.2, 0.4, 0.6, 1.0)
MEAN_CURRENT: Final = (0.003, 0.005, -0.005, -0.0065, -0.0065)
MEAN_POWER: Final = (0.012, 0.019, 0.005, 0.003, 0.005)
"""What is read is more than a model with the unit's own parameters draws, on average, by so much at these voltages."""


def means(moments: Sequence[Moment]) -> Floats:
    """What residuals are on average, of current at the compared moments, then of power: shape (2 moments,)."""
    along = np.log([m.v for m in moments if m.compared])
    return np.concatenate([np.interp(along, np.log(MEAN_V), mean) for mean in (MEAN_CURRENT, MEAN_POWER)])


@dataclass(frozen=True, slots=True)
class Whitening:
    """Makes residuals of shape (2 moments, samples) independent of one another, each of standard deviation 1."""

    matrix: Floats
    log_determinant: float


def whitening(moments: Sequence[Moment], error: ModelError = LEARNT) -> Whitening:
    """For residuals of current at the compared moments, then of power.

    Surer readings go first, so that what is wildly off is laid to the charge of as few others as can be.
    """
    whole, own = _covariance([m for m in moments if m.compared], error)
    order = np.argsort(own, kind="stable")
    lower = np.linalg.cholesky(whole[np.ix_(order, order)])
    matrix = np.zeros_like(whole)
    matrix[:, order] = np.linalg.inv(lower)
    return Whitening(matrix, float(np.sum(np.log(np.diag(lower)))))


def _covariance(some: Sequence[Moment], error: ModelError) -> tuple[Floats, Floats]:
    """Of all residuals, and the variances of each by itself."""
    size, v = len(some), _each(some, "v")
    current, power = _each(some, "current"), np.array([m.power or 0.0 for m in some])
    whole = np.zeros((2 * size, 2 * size))
    whole[:size, :size] = _slow(v, error.current + error.current_low / v, error.along)
    whole[size:, size:] = _slow(v, error.power + error.power_low / v, error.along)
    for shift in _systematic(v, _each(some, "voltage_bound"), np.maximum(v, 1e-9)):
        whole += np.outer(both := np.concatenate([shift, 2.0 * shift]), both)
    charged = _charged(some, error)
    own = np.full(2 * size, error.each**2)
    for place, (value, bound) in enumerate(
        ((current, _each(some, "current_bound")), (power, _each(some, "power_bound")))
    ):
        run, near = slice(place * size, (place + 1) * size), value + NEAR_ZERO
        for shift in _systematic(value, bound, near):
            whole[run, run] += np.outer(shift, shift)
        own[run] += (np.square(NOISE_OF_BOUND * bound) + np.square(charged)) / np.square(near)
    own[size:] += np.array([0.0 if m.power is not None else NOT_READ for m in some])
    return whole + np.diag(own), own


def _charged(some: Sequence[Moment], error: ModelError) -> Floats:
    """What may be off in what charges the reservoir while the line moves, of nameplate power."""
    steady, jerk, rough = (_each(some, name) for name in ("slew_per_s", "jerk_per_s", "rough_per_s"))
    square = np.square(error.moving * steady) + np.square(error.jerk * jerk) + np.square(error.rough * rough)
    return np.asarray(2.0 * TYPICAL_FARAD * _each(some, "v") * np.sqrt(square))


def _each(moments: Sequence[Moment], name: str) -> Floats:
    return np.array([getattr(m, name) for m in moments], dtype=np.float64)


def _slow(v: Floats, sigma: Floats, along: float) -> Floats:
    apart = np.log(v[:, None] / v[None, :]) / along
    return np.asarray(sigma[:, None] * sigma[None, :] * np.exp(-np.abs(apart)))


def _systematic(value: Floats, bound: Floats, near: Floats) -> tuple[Floats, Floats]:
    """A meter's gain and offset as standard deviations in the logarithm at each moment, from its bounds there.

    The part of its bound that goes with the reading is no more than the least ratio of the two.
    """
    gain = float(np.min(bound / np.maximum(value, 1e-9)))
    return standard(gain) * value / near, np.asarray((bound - gain * value) / np.sqrt(3.0) / near)
