"""The posterior of one ramp: samples of the class's parameters that would have been read as the unit was."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.estimates.along import Way, along, ranges_of
from rampguard.estimates.cloud import condensed
from rampguard.estimates.discrepancy import LEARNT, ModelError, means, whitening
from rampguard.estimates.moments import Moment, NothingToTell
from rampguard.estimates.problem import Makes, Problem, parts_of
from rampguard.loads.following import NEAR_ZERO
from rampguard.loads.ranges import samples
from rampguard.loads.rectifier import Floats
from rampguard.loads.supply import SOFT_SHARE

LEAST_MOMENTS: Final = 12
"""Fewer tell nothing of a dozen and a half parameters."""
PRIOR_SAMPLES: Final = 512
SEED: Final = 1
"""The same readings always give the same answer."""


@dataclass(frozen=True, slots=True)
class Samples:
    """Parameters by name and what came of them, each of shape (samples,); ``soft`` is 1 for a soft start, else 0."""

    values: Mapping[str, Floats]
    soft: Floats
    way: Way


@dataclass(frozen=True, slots=True)
class Posterior:
    """Before and after the readings. ``misfit`` is how badly the best sample meets them: 1 is as expected."""

    prior: Samples
    after: Samples
    misfit: float


def posterior(load_class: str, moments: Sequence[Moment], error: ModelError = LEARNT, seed: int = SEED) -> Posterior:
    """What the moments leave of the class. Raises NothingToTell where they are too few."""
    compared = [m for m in moments if m.compared]
    if len(compared) < LEAST_MOMENTS:
        raise NothingToTell(
            f"only {len(compared)} moments of this ramp can be compared with a model (from 4 % of line, and not within"
            f" a second of the power button), {LEAST_MOMENTS} are needed; record a whole ramp"
        )
    ranges = ranges_of(load_class)
    read = np.log(np.array([m.current for m in compared] + [m.power or 0.0 for m in compared]) + NEAR_ZERO)
    matrix = whitening(moments, error).matrix
    read = read - means(moments)

    def samples_of(z: Floats, make: Makes) -> Samples:
        parts = parts_of(z)
        values = {name: item.at(parts[place]) for place, (name, item) in enumerate(ranges.items())}
        soft = make.astype(np.float64)
        return Samples(values, soft, along(load_class, values, soft, moments))

    def residuals(z: Floats, make: Makes) -> Floats:
        way = samples_of(z, make).way
        return np.asarray(matrix @ (read[:, None] - np.concatenate([way.current, way.power])))

    jumps = tuple(place for place, name in enumerate(ranges) if name in ("coil_at", "bypass_at"))
    shares = np.array([1.0 - SOFT_SHARE, SOFT_SHARE]) if "soft_ohm" in ranges else np.array([1.0])
    cloud = condensed(Problem(residuals, len(ranges), shares, jumps), seed)
    best = int(np.argmax(cloud.likelihood))
    off = residuals(cloud.z[:, [best]], cloud.make[[best]])
    misfit = float(np.sqrt(np.mean(np.square(np.minimum(np.abs(off), WORST)))))
    return Posterior(_prior(load_class, moments), samples_of(cloud.z, cloud.make), misfit)


WORST: Final = 10.0
"""A residual counts for so many sigmas at most, in the misfit."""


def _prior(load_class: str, moments: Sequence[Moment]) -> Samples:
    """The class along the same ramp, before any reading."""
    values = samples(ranges_of(load_class), PRIOR_SAMPLES)
    soft = np.zeros(PRIOR_SAMPLES)
    if "soft_ohm" in values:
        soft[:: round(1.0 / SOFT_SHARE)] = 1.0
    return Samples(values, soft, along(load_class, values, soft, moments))
