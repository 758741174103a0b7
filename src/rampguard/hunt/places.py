"""Where the fault is, by what a unit draws at one line voltage with some of its sections unplugged. Pure.

What the unit draws there is told as a conductance, S: real power by the square of the line voltage, or current by
line voltage. That of a healthy
unit is what it draws with all sections out, and a share for each that is plugged in; how much, only roughly known. A
fault adds its own, of unknown size, while the section that carries it is plugged in; one ahead of all sections always.
Hypotheses are a fault in one place, in two, or none; their sizes are marginalised, evenly in the logarithm. With
rectifiers in between the shares do not quite add up (a fault drags the rails down, and what hangs on them draws less):
so each conductance is believed to a few percent only.

Method: Bayes' rule over hypotheses with Gaussian errors, whose covariance is the same for all of them.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import combinations
from typing import Final

import numpy as np

AHEAD: Final = ""
"""The place of a fault ahead of all sections: mains parts, transformer, rectifier, reservoirs."""
AHEAD_PRIOR: Final = 0.10
TWO_PRIOR: Final = 0.02
NONE_PRIOR: Final = 0.01
"""What is believed before anything is measured: that the fault lies ahead, that there are two, that there is none."""
ADDS_UP_TO: Final = 0.05
"""Conductances add up to within this part of each."""
SMALLEST, LARGEST = 0.1, 1e4
"""A fault's conductance, times that of a healthy unit."""
SIZES: Final = 241
"""Each 1.05 times the one before: as close as conductances add up."""

Place = str
Places = frozenset[Place]


@dataclass(frozen=True, slots=True)
class Measurement:
    """What was drawn at the hold with some sections unplugged."""

    unplugged: frozenset[str]
    siemens: float
    sigma: float
    """Its standard deviation from one measurement to the next, S; what is wrong in all of them alike is left out."""


@dataclass(frozen=True, slots=True)
class Healthy:
    """What a healthy unit may be seen to draw at the hold, S: its band, and what the meter may be off by."""

    low: float
    high: float

    @property
    def middle(self) -> float:
        """Half way; above zero."""
        return max(0.5 * (self.low + self.high), 0.1 * self.high)


@dataclass(frozen=True, slots=True)
class Belief:
    """How likely each hypothesis is: the places that carry a fault. Sums to one."""

    by_places: Mapping[Places, float]

    @property
    def best(self) -> tuple[Places, float]:
        """The likeliest hypothesis, and how likely it is."""
        return max(self.by_places.items(), key=lambda item: item[1])

    def carries(self, place: Place) -> float:
        """How likely it is that there is a fault in a place."""
        return sum(p for places, p in self.by_places.items() if place in places)


def believe(suspects: Mapping[str, float], healthy: Healthy, measured: Sequence[Measurement]) -> Belief:
    """What is to be believed after these measurements. ``suspects`` is how suspect each section is, by name."""
    priors = dict(_priors(suspects))
    if not measured:
        return Belief(priors)
    residual, whiten = _without_fault(suspects, healthy, measured)
    sizes = healthy.middle * np.geomspace(SMALLEST, LARGEST, SIZES)
    columns = {
        place: whiten @ np.array([float(place == AHEAD or place not in m.unplugged) for m in measured])
        for place in (*suspects, AHEAD)
    }
    logs = np.array(
        [
            np.log(prior) + _log_evidence(residual, [columns[p] for p in places], sizes)
            for places, prior in priors.items()
        ]
    )
    shares = np.exp(logs - logs.max())
    return Belief(dict(zip(priors, (shares / shares.sum()).tolist(), strict=True)))


def _priors(suspects: Mapping[str, float]) -> Iterator[tuple[Places, float]]:
    total = sum(suspects.values())
    places = {**{name: (1.0 - AHEAD_PRIOR) * weight / total for name, weight in suspects.items()}, AHEAD: AHEAD_PRIOR}
    one = 1.0 - TWO_PRIOR - NONE_PRIOR
    yield frozenset[Place](), NONE_PRIOR
    for name, prior in places.items():
        yield frozenset({name}), one * prior
    pairs = [(a, b, places[a] * places[b]) for a, b in combinations(places, 2)]
    weight = sum(prior for _, _, prior in pairs)
    for a, b, prior in pairs:
        yield frozenset({a, b}), TWO_PRIOR * prior / weight


def _without_fault(
    names: Collection[str], healthy: Healthy, measured: Sequence[Measurement]
) -> tuple[np.ndarray, np.ndarray]:
    """What is left of the measurements less a healthy unit's draw, whitened, shape (m,); and what whitens, (m, m)."""
    plugged = np.array([[float(name not in m.unplugged) for name in names] for m in measured])
    drawn = np.array([m.siemens for m in measured])
    # Half of what a healthy unit draws is put down to its sections, evenly; each may draw nothing, or three shares.
    share, spread = 0.5 * healthy.middle / len(names), max(0.5 * healthy.middle, (healthy.high - healthy.low) / 4.0)
    own = np.array([m.sigma**2 + (ADDS_UP_TO * m.siemens) ** 2 for m in measured])
    covariance = spread**2 + share**2 * plugged @ plugged.T + np.diag(own)
    whiten = np.linalg.inv(np.linalg.cholesky(covariance))
    return whiten @ (drawn - 0.5 * healthy.middle - share * plugged.sum(axis=1)), whiten


def _log_evidence(residual: np.ndarray, columns: Sequence[np.ndarray], sizes: np.ndarray) -> float:
    """The logarithm of a hypothesis's marginal likelihood, less what is common to all; of two faults at most."""
    logs = np.array(0.0)
    for column in columns:  # |r - a x - b y|^2 by its products; a size more, an axis more
        own = sizes * (residual @ column) - 0.5 * sizes**2 * (column @ column)
        logs = logs[..., None] + own
    if len(columns) == 2:
        logs = logs - np.outer(sizes, sizes) * (columns[0] @ columns[1])
    top = float(logs.max())
    return top + float(np.log(np.mean(np.exp(logs - top))))
