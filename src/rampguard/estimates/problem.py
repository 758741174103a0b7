"""What is to be found out, as the search and the sampling see it: parameters without bounds, residuals, a prior.

Parameters are held as z, the logit of where they are in their range: evenly in the range is a logistic density in z,
and no step can leave it. A *make* is one of several kinds of unit that no way leads between: with a soft start, or
without.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.rectifier import Floats

FREEDOM: Final = 4.0
"""Degrees of freedom of Student's t, as which each whitened residual is taken; common practice, no source.

Now and then a reading is off by far more than is expected (a relay closes in its window, a hand jerks the knob): it
must not decide.
"""

Makes = NDArray[np.intp]
Residuals = Callable[[Floats, Makes], Floats]
"""Whitened, shape (residuals, samples), of samples in z, shape (dimensions, samples), and their makes, (samples,)."""


@dataclass(frozen=True, slots=True)
class Problem:
    """``shares``: how likely each make is before any reading, adding up to 1.

    ``jumps`` are the places of parameters by which residuals go in jumps: at which moment a relay pulls in.
    """

    residuals: Residuals
    dimensions: int
    shares: Floats
    jumps: tuple[int, ...] = ()

    def log_posterior(self, z: Floats, make: Makes, residuals: Floats) -> Floats:
        """Shape (samples,), but for a constant."""
        return log_likelihood(residuals) + self.log_prior(z, make)

    def log_prior(self, z: Floats, make: Makes) -> Floats:
        """Logistic in each z, and the make's share."""
        size = np.abs(z)
        return np.asarray(-np.sum(size + 2.0 * np.log1p(np.exp(-size)), axis=0) + np.log(self.shares[make]))


def log_likelihood(residuals: Floats) -> Floats:
    """Of whitened residuals, shape (residuals, samples): shape (samples,), but for a constant."""
    return np.asarray(-0.5 * (FREEDOM + 1.0) * np.sum(np.log1p(np.square(residuals) / FREEDOM), axis=0))


def parts_of(z: Floats) -> Floats:
    """Where in its range each is, 0 to 1."""
    return np.asarray(0.5 + 0.5 * np.tanh(0.5 * z))
