"""Where the posterior is high: found from many sides, each with the spread that its own curvature gives.

An ensemble is drawn to the readings in a few passes of ever less noise, by the straight lines that best say how
residuals go with parameters over the ensemble (ensemble smoother with multiple data assimilation, Emerick and Reynolds
2013). The best of it then climb, each by the slopes at its own place (Levenberg and Marquardt, the weights those of
Student's t). All from memory. What is found is only where the sampling begins (`cloud`): nothing of it needs to be
right.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.estimates.problem import FREEDOM, Makes, Problem
from rampguard.loads.rectifier import Floats

ENSEMBLE: Final = 384
PASSES: Final = 7
"""Passes of the ensemble; the noise's variance halves from one to the next."""
CLIPPED: Final = 4.0
"""No residual draws the ensemble by more than so many sigmas."""
CLIMBERS: Final = 20
ROUNDS: Final = 9
SCANS_AT: Final = (3, 6)
"""In these rounds they look, instead, for the best place of one jump each."""
NUDGE: Final = 0.1
"""By so much in z a slope is taken."""
LONGEST: Final = 1.5
"""No step is longer in any z."""
WIDENED: Final = 1.3
"""Times the spread that the curvature gives."""
SURE: Final = 0.15
"""Precision in z that is taken on at least: towards the end of a range the prior has none."""
JUMP_SPREAD: Final = 0.2
"""Spread in z of what goes in jumps."""
EVEN: Final = 0.1
"""Part of the weight that all modes share."""


@dataclass(frozen=True, slots=True)
class Modes:
    """Normal densities in z: means, shape (modes, dimensions); roots of their covariances; weights adding up to 1."""

    means: Floats
    roots: Floats
    weights: Floats
    makes: Makes

    def drawn(self, count: int, generator: np.random.Generator) -> tuple[Floats, Makes]:
        """So many samples: z, shape (dimensions, count), and their makes."""
        which = generator.choice(len(self.weights), size=count, p=self.weights)
        steps = generator.standard_normal((count, self.means.shape[1]))
        z = self.means[which] + np.einsum("nij,nj->ni", self.roots[which], steps)
        return np.asarray(z.T), self.makes[which]

    def log_density(self, z: Floats, make: Makes) -> Floats:
        """Of samples and their makes together: shape (samples,)."""
        each = np.full((len(self.weights), len(make)), -np.inf)
        for n, (mean, root) in enumerate(zip(self.means, self.roots, strict=True)):
            some = make == self.makes[n]
            steps = np.linalg.solve(root, z[:, some] - mean[:, None])
            size = np.sum(np.log(np.abs(np.diag(root)))) + 0.5 * len(mean) * np.log(2.0 * np.pi)
            each[n, some] = np.log(self.weights[n]) - 0.5 * np.sum(steps * steps, axis=0) - size
        top = each.max(axis=0)
        return np.asarray(top + np.log(np.sum(np.exp(each - top), axis=0)))


def modes_of(problem: Problem, generator: np.random.Generator) -> Modes:
    """The modes that were found."""
    make = np.arange(ENSEMBLE, dtype=np.intp) % len(problem.shares)
    z, score = _ensemble(problem, make, generator)
    best = np.concatenate([_best(score, make, each, len(problem.shares)) for each in range(len(problem.shares))])
    climb = _Climb(problem, z[:, best], make[best])
    for n in range(ROUNDS):
        if n in SCANS_AT and problem.jumps:
            climb.scan(problem.jumps[SCANS_AT.index(n) % len(problem.jumps)])
        else:
            climb.go()
    return climb.modes()


def _best(score: Floats, make: Makes, each: int, makes: int) -> Makes:
    some = np.flatnonzero(make == each)
    return some[np.argsort(-score[some])[: CLIMBERS // makes]]


def _ensemble(problem: Problem, make: Makes, generator: np.random.Generator) -> tuple[Floats, Floats]:
    """The ensemble, drawn to the readings, each make for itself; and how high it then is."""
    z = generator.logistic(size=(problem.dimensions, len(make)))
    for n in range(PASSES):
        noise = (2.0**PASSES - 1.0) / 2.0**n
        off = problem.residuals(z, make)
        pull = np.clip(off, -CLIPPED, CLIPPED) + np.sqrt(noise) * generator.standard_normal(off.shape)
        for each in np.unique(make):
            some = make == each
            away, spread = (part[:, some] - part[:, some].mean(axis=1, keepdims=True) for part in (off, z))
            gain = np.linalg.solve(away @ away.T / some.sum() + noise * np.eye(len(off)), pull[:, some])
            z[:, some] -= (spread @ away.T / some.sum()) @ gain
    z = np.clip(z, -8.0, 8.0)
    return z, problem.log_posterior(z, make, problem.residuals(z, make))


class _Climb:
    """Climbers, all at once. ``z`` is where each is, shape (dimensions, climbers)."""

    def __init__(self, problem: Problem, z: Floats, make: Makes) -> None:
        self._problem = problem
        self._make = make
        self._z, self._next = z, z
        count = z.shape[1]
        self._height = np.full(count, -np.inf)
        self._damping = np.full(count, 0.1)
        self._curve = np.tile(np.eye(len(z)), (count, 1, 1))
        self._rise = np.zeros((count, len(z)))
        self._smooth = [k for k in range(len(z)) if k not in problem.jumps]

    def go(self) -> None:
        """Look at where each would step to, and at the slopes there; step where that is higher; choose the next."""
        slopes, off = self._slopes(self._next)
        height = self._problem.log_posterior(self._next, self._make, off)
        better = height > self._height
        curve, rise = self._curvature(self._next, slopes, off)
        self._z = np.where(better, self._next, self._z)
        self._height = np.where(better, height, self._height)
        self._curve = np.where(better[:, None, None], curve, self._curve)
        self._rise = np.where(better[:, None], rise, self._rise)
        self._damping = np.clip(np.where(better, self._damping / 4.0, self._damping * 4.0), 1e-4, 1e3)
        self._choose()

    def scan(self, place: int) -> None:
        """The best place of one jump for each."""
        count, grid = self._z.shape[1], np.linspace(0.02, 0.98, 24)
        tried = np.repeat(self._z, len(grid), axis=1)
        tried[place] = np.tile(np.log(grid / (1.0 - grid)), count)
        make = np.repeat(self._make, len(grid))
        height = self._problem.log_posterior(tried, make, self._problem.residuals(tried, make)).reshape(count, -1)
        found = np.argmax(height, axis=1)
        moved = self._z.copy()
        moved[place] = np.where(
            height.max(axis=1) > self._height, tried[place].reshape(count, -1)[np.arange(count), found], moved[place]
        )
        self._next, self._height = moved, np.full(count, -np.inf)

    def modes(self) -> Modes:
        """What was found, weighed by how high it is and how wide (Laplace's approximation), half as sharply."""
        cover = np.linalg.inv(self._curve + SURE * np.eye(len(self._z)))
        for place in self._problem.jumps:
            cover[:, place, :], cover[:, :, place] = 0.0, 0.0
            cover[:, place, place] = JUMP_SPREAD**2
        roots = np.linalg.cholesky(cover) * WIDENED
        mass = 0.5 * (self._height + np.sum(np.log(np.diagonal(roots, axis1=1, axis2=2)), axis=1))
        weights = np.exp(mass - mass.max())
        weights = (1.0 - EVEN) * weights / weights.sum() + EVEN / len(weights)
        return Modes(np.asarray(self._z.T), roots, weights, self._make)

    def _slopes(self, z: Floats) -> tuple[Floats, Floats]:
        """By what residuals change for each smooth parameter, (climbers, residuals, parameters); and residuals."""
        count = z.shape[1]
        tried = np.tile(z, (1, len(self._smooth) + 1))
        for n, place in enumerate(self._smooth):
            tried[place, (n + 1) * count : (n + 2) * count] += NUDGE
        off = self._problem.residuals(tried, np.tile(self._make, len(self._smooth) + 1)).reshape(
            -1, len(self._smooth) + 1, count
        )
        return np.asarray(np.moveaxis((off[:, 1:] - off[:, :1]) / NUDGE, 2, 0)), off[:, 0]

    def _curvature(self, z: Floats, slopes: Floats, off: Floats) -> tuple[Floats, Floats]:
        """Of the log posterior, and its slope: Gauss and Newton's, with the weights of Student's t."""
        size, count = z.shape
        weight = ((FREEDOM + 1.0) / (FREEDOM + np.square(off))).T
        parts = np.tanh(0.5 * z)
        curve, rise = np.zeros((count, size, size)), -parts.T.copy()
        weighted = slopes * weight[:, :, None]
        curve[np.ix_(range(count), self._smooth, self._smooth)] = np.einsum("crp,crq->cpq", weighted, slopes)
        rise[:, self._smooth] -= np.einsum("crp,cr->cp", weighted, off.T)
        curve[:, range(size), range(size)] += 0.5 * (1.0 - parts.T**2)
        return curve, rise

    def _choose(self) -> None:
        """Where each would step to next; what goes in jumps stays."""
        size = len(self._z)
        diagonal = np.einsum("cii->ci", self._curve)
        damped = (
            self._curve + (self._damping[:, None] * (diagonal + SURE))[:, :, None] * np.eye(size) + 1e-6 * np.eye(size)
        )
        step = np.clip(np.linalg.solve(damped, self._rise[:, :, None])[:, :, 0], -LONGEST, LONGEST)
        step[:, list(self._problem.jumps)] = 0.0
        self._next = np.clip(self._z + step.T, -9.0, 9.0)
