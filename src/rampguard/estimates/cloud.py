"""A cloud of samples of the posterior, by sequential Monte Carlo from the modes that were found.

Samples of the modes are brought to the posterior over powers of it from 0 to 1, each time by so much that half of them
go on counting (effective sample size after Kish), drawn anew by their weights, and moved by steps that leave the target
as it is (Metropolis; along the difference of two others: ter Braak 2006). Del Moral, Doucet and Jasra 2006. From
memory. Pure numpy; the same seed gives the same cloud.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.estimates.modes import Modes, modes_of
from rampguard.estimates.problem import Makes, Problem, log_likelihood
from rampguard.loads.rectifier import Floats

SAMPLES: Final = 512
COUNTING: Final = 0.5
"""Part of the samples that goes on counting from one power to the next."""
MOVES: Final = 3
"""Steps after each."""
LAST_MOVES: Final = 12
"""Steps at the end."""
WIDE: Final = 2.38
"""A random walk's best step, over the root of the dimensions, of the cloud's own spread (Roberts et al. 1997)."""
WANTED: Final = 0.25
"""Part of the steps that should be taken."""


@dataclass(frozen=True, slots=True)
class Cloud:
    """Samples of equal weight: z, shape (dimensions, samples); make and log-likelihood, shape (samples,)."""

    z: Floats
    make: Makes
    likelihood: Floats
    stages: int
    taken: float
    """Part of the last steps that were taken."""


def condensed(problem: Problem, seed: int, samples: int = SAMPLES) -> Cloud:
    """The posterior's cloud; no step changes a sample's make, their numbers come to be as the readings say."""
    generator = np.random.default_rng(seed)
    modes = modes_of(problem, generator)
    state = _Bridge(problem, modes, _scored(problem, modes, *modes.drawn(samples, generator)))
    scale, stages, taken = 1.0, 0, 0.0
    while state.power < 1.0:
        state = _onward(state, generator)
        for _ in range(LAST_MOVES if state.power >= 1.0 else MOVES):
            state, taken = _moved(state, scale, generator)
            scale = float(np.clip(scale * np.exp(taken - WANTED), 0.05, 2.0))
        stages += 1
    return Cloud(state.at.z, state.at.make, state.at.likelihood, stages, taken)


@dataclass(frozen=True, slots=True)
class _At:
    """Samples, their log-likelihoods, the log densities they begin with, and the log of the posterior's over those."""

    z: Floats
    make: Makes
    likelihood: Floats
    begun: Floats
    gained: Floats

    def picked(self, picks: Makes) -> _At:
        """Some of them, some more than once."""
        return _At(self.z[:, picks], self.make[picks], self.likelihood[picks], self.begun[picks], self.gained[picks])

    def or_else(self, goes: NDArray[np.bool_], other: _At) -> _At:
        """Others, of the same makes, where it goes there."""
        return _At(
            np.where(goes, other.z, self.z),
            self.make,
            np.where(goes, other.likelihood, self.likelihood),
            np.where(goes, other.begun, self.begun),
            np.where(goes, other.gained, self.gained),
        )


@dataclass(frozen=True, slots=True)
class _Bridge:
    """Samples on the way from the modes to the posterior."""

    problem: Problem
    modes: Modes
    at: _At
    power: float = 0.0


def _scored(problem: Problem, modes: Modes, z: Floats, make: Makes) -> _At:
    likelihood = log_likelihood(problem.residuals(z, make))
    begun = modes.log_density(z, make)
    return _At(z, make, likelihood, begun, likelihood + problem.log_prior(z, make) - begun)


def _onward(state: _Bridge, generator: np.random.Generator) -> _Bridge:
    """To the next power, and drawn anew by weight: systematically, with one draw for all."""
    gained = state.at.gained
    step = _next_step(gained, 1.0 - state.power)
    weights = np.exp(step * (gained - gained.max()))
    at = (generator.random() + np.arange(len(weights))) / len(weights)
    picks = np.minimum(np.searchsorted(np.cumsum(weights) / weights.sum(), at), len(weights) - 1)
    power = 1.0 if state.power + step > 1.0 - 1e-9 else state.power + step
    return replace(state, at=state.at.picked(picks), power=power)


def _next_step(gained: Floats, left: float) -> float:
    least = COUNTING * len(gained)
    if _count(left * gained) >= least:
        return left
    low, high = 0.0, left
    for _ in range(40):
        middle = 0.5 * (low + high)
        low, high = (middle, high) if _count(middle * gained) >= least else (low, middle)
    return max(low, 1e-6)


def _count(log_weights: Floats) -> float:
    weights = np.exp(log_weights - log_weights.max())
    return float(weights.sum() ** 2 / np.square(weights).sum())


def _moved(state: _Bridge, scale: float, generator: np.random.Generator) -> tuple[_Bridge, float]:
    """One step of every sample, taken or not."""
    at = state.at
    then = _scored(state.problem, state.modes, at.z + scale * _strides(at.z, at.make, generator), at.make)
    more = then.begun - at.begun + state.power * (then.gained - at.gained)
    goes = np.log(generator.random(len(more))) < more
    return replace(state, at=at.or_else(goes, then)), float(np.mean(goes))


def _strides(z: Floats, make: Makes, generator: np.random.Generator) -> Floats:
    """For half of the samples along the difference of two others of their make, for half by all samples' spread."""
    dimensions = len(z)
    strides = np.zeros_like(z)
    for each in np.unique(make):
        some = np.flatnonzero(make == each)
        one, other = some[generator.integers(0, len(some), (2, len(some)))]
        strides[:, some] = (z[:, one] - z[:, other]) * (WIDE / np.sqrt(2.0 * dimensions))
        if len(some) > 2 * dimensions:
            spread = np.linalg.cholesky(np.cov(z[:, some]) + 1e-9 * np.eye(dimensions))
            drawn = spread @ generator.standard_normal((dimensions, len(some))) * (WIDE / np.sqrt(dimensions))
            strides[:, some] = np.where(generator.random(len(some)) < 0.5, drawn, strides[:, some])
    return strides + 1e-4 * generator.standard_normal(z.shape)
