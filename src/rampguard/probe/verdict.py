"""What the readings of a probe add up to: how likely each fault is against a whole unit, and what is shut out. Pure.

A reading's likelihood under a cause is the mean over that cause's samples. A meter's errors are for the most part the
same from reading to reading, and are taken so: many readings on one range are not many witnesses.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cache
from typing import Final

import numpy as np

from rampguard.guard.evidence import PRIOR_NO_FAULT, PRIOR_OTHER
from rampguard.loads.causes import UNKNOWN
from rampguard.loads.ranges import samples
from rampguard.loads.rectifier import Floats
from rampguard.loads.uncertainty import standard
from rampguard.probe.low_flux import FAULTS_SEEN, Found, LowFlux, ranges_of
from rampguard.probe.phasor import Impedance, impedance_by_power

SAMPLES: Final = 32_768
"""So many stand for each cause."""
ERROR: Final = 0.06
"""No sample is quite the unit: each may be off by this part of a reading."""
SAME: Final = 0.8
"""Correlation of one meter's errors at two readings on one range; common practice, no source."""
WEAK_BELOW: Final = 0.05
"""Below this part of its range a meter's stated accuracy is believed half as far."""
SHARES: Final[Mapping[Found, float]] = {
    Found.SHORTED_TURNS: 2.0,
    Found.OUTPUT_SHORT: 2.0,
    Found.SWITCH_SHORT: 6.0,
    Found.PRIMARY_SHORT: 1.0,
}
"""How often each is met against the others; common practice, no source."""
WELL_FROM: Final = 0.95
"""A whole unit this probable is told as one in which no short is seen..."""
SHORT_FROM: Final = 0.90
"""...and faults this probable, together, refuse the ramp."""
SUITS_NATS: Final = 4.5
"""A sample suits the readings where its likelihood is less than so much below the best: three sigmas."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Point:
    """Mean readings at one set-point, V rms, Hz, A rms, W, each with its meter's bound; watts None where not read.

    ``weak`` says that the current was below `WEAK_BELOW` of its range; ``passing`` that it was read on the way up.
    """

    frequency_hz: float
    volts: float
    amperes: float
    watts: float | None
    bound_v: float
    bound_a: float
    bound_w: float = 0.0
    weak: bool = False
    passing: bool = False


@dataclass(frozen=True, slots=True)
class Plate:
    """What is known of the unit: load class, nameplate volts rms and watts, and the mains' frequency it is for, Hz."""

    load_class: str
    volts: float
    watts: float
    frequency_hz: float

    @property
    def amperes(self) -> float:
        """Nameplate current, A."""
        return self.watts / self.volts

    @property
    def farad_unit(self) -> float:
        """The capacitance that draws nameplate current at nameplate voltage and mains frequency, F."""
        return self.watts / (self.volts**2 * 2.0 * math.pi * self.frequency_hz)


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a probe says. ``probabilities`` best first, their sum 1.

    ``shut_out_w``: no sample with shorted turns that would turn more than this into heat at full line, W, suits the
    readings; None where they are not asked for. ``draws``: whether any current was told from the meter's zero.
    """

    probabilities: Mapping[Found, float]
    shut_out_w: float | None
    draws: bool
    too_much: str = ""
    """What was read that no whole unit of the class draws at a few volts: reason enough, whatever the samples say."""

    @property
    def of_faults(self) -> float:
        """Probability of the faults that are known, together."""
        return sum(p for found, p in self.probabilities.items() if found not in (Found.NO_FAULT, Found.OTHER))

    @property
    def outcome(self) -> str:
        """``short``, ``no-short-seen`` or ``cannot-tell``."""
        if self.too_much or self.of_faults >= SHORT_FROM:
            return "short"
        seen = self.probabilities.get(Found.NO_FAULT, 0.0) >= WELL_FROM and self.draws
        return "no-short-seen" if seen else "cannot-tell"

    @property
    def likeliest(self) -> Found:
        """The likeliest of all."""
        return max(self.probabilities, key=self.probabilities.__getitem__)


@cache
def _values(load_class: str, found: Found) -> Mapping[str, Floats]:
    return samples(ranges_of(load_class, found), SAMPLES)


def judge(points: Sequence[Point], plate: Plate, too_much: str = "") -> Verdict:
    """The verdict on one probe's readings; ``too_much`` is what ended it, where more was drawn than its ceiling.

    Readings on the way up count only where none at rest came after them.

    Raises ValueError where there are none, or the class is not one of those that a probe says something about.
    """
    if plate.load_class not in FAULTS_SEEN:
        raise ValueError(f"a probe says nothing of the load class {plate.load_class!r}")
    if not points:
        raise ValueError("no readings: nothing can be judged")
    at_rest = [point for point in points if not point.passing]
    points = at_rest if at_rest and not too_much else points
    fits = {found: _fit(points, plate, found) for found in (Found.NO_FAULT, *FAULTS_SEEN[plate.load_class])}
    nats = {found: _log_mean(fit) for found, fit in fits.items()}
    readings = sum(1 if point.watts is None else 2 for point in points)
    nats[Found.OTHER] = -0.5 * UNKNOWN * readings
    probabilities = _posterior(nats)
    best = max(float(np.max(fit)) for fit in fits.values())
    with_turns = fits.get(Found.SHORTED_TURNS)
    return Verdict(
        probabilities,
        None if with_turns is None else _shut_out_w(with_turns, best, plate),
        any(point.amperes > 2.0 * point.bound_a for point in points),
        too_much,
    )


def _fit(points: Sequence[Point], plate: Plate, found: Found) -> Floats:
    """Log-likelihood of all readings under each sample, nats, shape (samples,)."""
    model = LowFlux(plate.load_class, _values(plate.load_class, found), plate.farad_unit)
    drawn = [model.drawn(point.volts / plate.volts, point.frequency_hz / plate.frequency_hz) for point in points]
    amperes = np.array([d.current * plate.amperes for d in drawn])
    nats = _likelihood(amperes, *_read_current(points))
    with_watts = [k for k, point in enumerate(points) if point.watts is not None]
    if with_watts:
        watts = np.array([drawn[k].power * plate.watts for k in with_watts])
        nats = nats + _likelihood(watts, *_read_power([points[k] for k in with_watts]))
    return nats


def _read_current(points: Sequence[Point]) -> tuple[Floats, Floats, Floats]:
    """Amperes as read, what is uncertain of them in common, and of each alone; all standard."""
    read = np.array([point.amperes for point in points])
    meter = np.array([standard(point.bound_a) * (2.0 if point.weak else 1.0) for point in points])
    volts = np.array([standard(point.bound_v) / point.volts for point in points])
    return read, meter, read * np.hypot(volts, ERROR)


def _read_power(points: Sequence[Point]) -> tuple[Floats, Floats, Floats]:
    read = np.array([point.watts or 0.0 for point in points])
    meter = np.array([standard(point.bound_w) * (2.0 if point.weak else 1.0) for point in points])
    volts = np.array([standard(point.bound_v) / point.volts for point in points])
    return read, meter, np.abs(read) * np.hypot(2.0 * volts, ERROR)


def _likelihood(expected: Floats, read: Floats, common: Floats, alone: Floats) -> Floats:
    """Of normal errors that are partly the same in every reading. ``expected`` has shape (readings, samples)."""
    spread = SAME * np.outer(common, common) + np.diag((1.0 - SAME) * common**2 + alone**2 + 1e-18)
    whitened = np.linalg.solve(np.linalg.cholesky(spread), expected - read[:, np.newaxis])
    return np.asarray(-0.5 * np.sum(whitened * whitened, axis=0))


def _log_mean(nats: Floats) -> float:
    most = float(np.max(nats))
    return most + math.log(float(np.mean(np.exp(nats - most))))


def _posterior(nats: Mapping[Found, float]) -> dict[Found, float]:
    shares = {found: SHARES[found] for found in nats if found in SHARES}
    of_all = sum(shares.values())
    prior = {found: (1.0 - PRIOR_NO_FAULT - PRIOR_OTHER) * share / of_all for found, share in shares.items()}
    prior |= {Found.NO_FAULT: PRIOR_NO_FAULT, Found.OTHER: PRIOR_OTHER}
    most = max(nats.values())
    weights = {found: prior[found] * math.exp(max(value - most, -600.0)) for found, value in nats.items()}
    whole = sum(weights.values())
    return dict(sorted(((f, w / whole) for f, w in weights.items()), key=lambda item: -item[1]))


def _shut_out_w(nats: Floats, best: float, plate: Plate) -> float:
    """The most heat in shorted turns at full line, W, of any sample that still suits the readings."""
    values = _values(plate.load_class, Found.SHORTED_TURNS)
    size = values.get("standby_current", np.ones_like(nats))
    suits = nats >= best - SUITS_NATS
    return float(np.max(np.where(suits, values["turns_s"] * size, 0.0))) * plate.watts


def impedance_of(point: Point) -> Impedance | None:
    """What a point's readings say of the impedance; None where its power is not told from nothing."""
    apparent = point.volts * point.amperes
    if point.watts is None or apparent <= 0.0 or point.bound_w >= 0.5 * apparent:
        return None
    u = (standard(point.bound_v), standard(point.bound_a), standard(point.bound_w))
    return impedance_by_power(point.volts, point.amperes, point.watts, u)
