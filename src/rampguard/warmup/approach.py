"""Where a warming idle is going: what it will come to, when, and how surely.

An idle that warms goes to its final value as its heat sink does: a constant and an exponential of minutes. Which time
constant it is cannot be told early on, so that none is picked: every one on a grid is weighed by how well the readings
so far suit it, and each says what it would come to. What is forecast is the mixture of them all, which is as wide as
the readings leave it. A runaway is told by `growth`.

Whoever turns a trimmer, or puts the lid on, begins a new stretch: a value and an amplitude of its own; the time
constant stays after a trimmer's turn, and is forgotten after a lid's.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.warmup.exponentials import Floats, last_digit_u

TAUS_S: Final = np.geomspace(60.0, 7200.0, 160)
"""Time constants that are weighed, of heat sinks and what stands on them; feedback through the bias makes them longer
than the sink's own."""
USUAL_S: Final = 480.0
USUAL_FACTOR: Final = 2.5
"""The usual time constant, and by what factor it spreads: minutes; common practice, no source."""
SKIPPED_S: Final = 25.0
"""Of each stretch so much is left out, in which the devices themselves warm or cool: time constants of seconds."""
LEAST_S: Final = 30.0
"""So long a stretch must have been read after that, before anything is said of it."""
DRIFT: Final = 0.15
"""Standard deviation of how far an idle drifts, as a part of itself, before anything is read; common practice."""
BINS: Final = 60
FLOOR: Final = 8e-4
"""What curve and unit differ by, as a part of the value: a bin's mean is not better than this."""
SURELY: Final = 0.95


@dataclass(frozen=True, slots=True)
class Stretch:
    """Readings of one setting: seconds and values, shape (n,) each, and whether the time constant carries over."""

    time_s: Floats
    values: Floats
    carries_over: bool = False
    """Whether the stretch before it had the same time constant: a trimmer was turned; False: the lid was moved."""

    def without_its_beginning(self) -> Stretch:
        """Without what the devices' own warming rules."""
        some = self.time_s >= self.time_s[0] + SKIPPED_S if len(self.time_s) else slice(0)
        return Stretch(self.time_s[some], self.values[some], self.carries_over)

    @property
    def is_long_enough(self) -> bool:
        """Whether anything can be said of it."""
        return len(self.time_s) >= 8 and float(self.time_s[-1] - self.time_s[0]) >= LEAST_S


@dataclass(frozen=True, slots=True)
class Forecast:
    """What a value comes to, in its own unit: the middle, and from ``low`` to ``high`` 95 %; and how it goes there."""

    comes_to: float
    low: float
    high: float
    per_s: float
    """How fast it moves now."""
    settles_in_s: float
    """Until it is within the tolerance of what it comes to, in the mean."""
    tau_s: float
    """The time constant, in the mean of its logarithm."""


def forecast(stretches: Sequence[Stretch], tolerance: float) -> Forecast | None:
    """The forecast for the newest stretch; None until enough was read. ``tolerance`` is how near counts as settled.

    The stretches before it tell time constants, as far back as they carry over.
    """
    some = _of_one_time_constant(stretches)
    if not some or not some[-1].is_long_enough:
        return None
    bins = [_binned(stretch) for stretch in some]
    solved = [_solved(one) for one in bins]
    left = np.sum([one.left for one in solved], axis=0)
    # What no time constant suits, the curve itself is off by: the readings count for as much less.
    free = sum(len(one.values) for one in bins) - 2 * len(bins) - 1
    off = max(1.0, float(left.min()) / max(free, 1))
    usual = np.log(TAUS_S / USUAL_S) / math.log(USUAL_FACTOR)
    told = -0.5 * usual**2 + np.sum([one.volume for one in solved], axis=0) - 0.5 * left / off
    weights = np.exp(told - told.max())
    weights = weights / weights.sum()
    newest = solved[-1]
    mixture = weights, newest.value, newest.value_u * math.sqrt(off)
    middle, low, high = (_quantile(*mixture, part) for part in (0.5, (1.0 - SURELY) / 2.0, (1.0 + SURELY) / 2.0))
    still = np.log(np.maximum(np.abs(newest.amplitude), 1e-12) / tolerance)
    return Forecast(
        comes_to=middle,
        low=low,
        high=high,
        per_s=float(np.sum(weights * -newest.amplitude / TAUS_S)),
        settles_in_s=float(np.sum(weights * TAUS_S * np.maximum(still, 0.0))),
        tau_s=float(np.exp(np.sum(weights * np.log(TAUS_S)))),
    )


def _of_one_time_constant(stretches: Sequence[Stretch]) -> list[Stretch]:
    """From the newest back to where the time constant was another; short ones before the newest tell nothing."""
    some: list[Stretch] = []
    for stretch in reversed(stretches):
        kept = stretch.without_its_beginning()
        if not some or kept.is_long_enough:
            some.insert(0, kept)
        if not stretch.carries_over:
            break
    return some


@dataclass(frozen=True, slots=True)
class _Bins:
    """Means, their moments since the stretch began, and what each is good for; shape (bins,)."""

    time_s: Floats
    values: Floats
    sigma: Floats


def _binned(stretch: Stretch) -> _Bins:
    time_s, values = stretch.time_s - stretch.time_s[0], stretch.values
    # A display that repeats its last digit has noise that differences do not show.
    noise = max(float(np.median(np.abs(np.diff(values)))) / (0.6745 * math.sqrt(2.0)), last_digit_u(values))
    starts = np.unique(np.linspace(0, len(values), BINS, endpoint=False).astype(int))
    counts = np.diff(np.append(starts, len(values)))
    means = np.add.reduceat(values, starts) / counts
    sigma = np.sqrt(noise * noise / counts + (FLOOR * np.abs(means)) ** 2 + 1e-30)
    return _Bins(np.add.reduceat(time_s, starts) / counts, means, sigma)


@dataclass(frozen=True, slots=True)
class _Solved:
    """One stretch under every time constant; shape (time constants,)."""

    left: Floats
    """Squared sigmas by which the best curve misses the readings, and its amplitude the usual one."""
    volume: Floats
    """The rest of the log-evidence: how much of what was thought possible is left."""
    value: Floats
    value_u: Floats
    amplitude: Floats
    """What is still to go, by the end."""


def _solved(some: _Bins) -> _Solved:
    """Bayesian linear regression: the amplitude is about nothing, give or take a usual drift; the value is anything."""
    decays = np.exp(-some.time_s / TAUS_S[:, None])
    size = DRIFT * float(np.median(np.abs(some.values))) + 1e-12
    spreads = np.array([1e3 * size, size])
    design = np.stack((np.ones_like(decays), decays), axis=2) / some.sigma[:, None]
    target = some.values / some.sigma
    precision = np.einsum("mni,mnj->mij", design, design) + np.diag(1.0 / spreads**2)
    covariance = np.linalg.inv(precision)
    mean = np.einsum("mij,mnj,n->mi", covariance, design, target)
    missed = target - np.einsum("mni,mi->mn", design, mean)
    return _Solved(
        left=np.sum(missed**2, axis=1) + np.sum((mean / spreads) ** 2, axis=1),
        volume=-0.5 * np.linalg.slogdet(precision)[1],
        value=mean[:, 0],
        value_u=np.sqrt(np.maximum(covariance[:, 0, 0], 0.0)),
        amplitude=mean[:, 1] * np.exp(-float(some.time_s[-1]) / TAUS_S),
    )


def _quantile(weights: Floats, values: Floats, spreads: Floats, part: float) -> float:
    """Of a mixture of normal distributions, by halving."""
    some = weights > 1e-9
    weights, values, spreads = weights[some], values[some], np.maximum(spreads[some], 1e-15)
    low, high = float((values - 8.0 * spreads).min()), float((values + 8.0 * spreads).max())
    for _ in range(60):
        middle = 0.5 * (low + high)
        below = sum(w * _normal(z) for w, z in zip(weights, (middle - values) / spreads, strict=True))
        low, high = (middle, high) if below < part else (low, middle)
    return 0.5 * (low + high)


def _normal(z: float) -> float:
    return 0.5 * math.erfc(-z / math.sqrt(2.0))
