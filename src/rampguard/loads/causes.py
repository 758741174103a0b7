"""What the readings say for each cause: the likelihood of a reading under each fault, and under none.

For every cause that a load class can have, samples of the class, whole or with that fault, are brought along the ramp
under way. A reading's likelihood under a cause is the mean over its samples, each weighed by how well it has met the
readings before: the prior prediction (Dawid's prequential form of a marginal likelihood; textbook). All causes share
the class's ranges, so that they differ by the fault alone. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.loads.following import EVENT_S, FORGOTTEN_S, Following, Sight, paced
from rampguard.loads.model import Model, State
from rampguard.loads.rectifier import Floats
from rampguard.quantities import Cause, Told

HEALTHY: Final = 1024
"""So many samples stand for a healthy unit: none shall be accused for want of a twin..."""
EACH: Final = 256
"""...and the first so many of them, each with a fault of its own, for each fault: they differ by the fault alone."""
WORST: Final = 5.0
"""No reading speaks against a sample more than a deviation of so many sigmas does."""
ERROR: Final = 0.2
"""A sample may be off by so much: of 256 none need be the unit's twin, and what is small must not add up."""
UNKNOWN: Final = 9.0
"""What a reading says against `Cause.OTHER`, which explains anything a little: 3 sigmas of current and of power."""
TOLD_FROM: Final = 0.004
"""Below this part of line voltage nothing is told: thresholds and zeros of meters decide there."""
WORTH: Final = 12.0
"""A sample so many nats behind the best is not worth the asking whether its fault has come."""
LEAST: Final = -600.0
"""No logarithm of a likelihood counts for less, against the best."""

_AMPLIFIER: Final = (
    *(Cause.NO_FAULT, Cause.OUTPUT_SHORT, Cause.DIODE_SHORT),
    *(Cause.SHORTED_TURNS, Cause.LEAK, Cause.RUNAWAY),
)
FOLLOWED: Final[Mapping[str, tuple[Cause, ...]]] = {
    "linear-amplifier": _AMPLIFIER,
    "receiver": _AMPLIFIER,
    "valve-amplifier": _AMPLIFIER,
    "switch-mode": (Cause.NO_FAULT, Cause.SWITCH_SHORT, Cause.DIODE_SHORT),
    "transformer": (Cause.NO_FAULT, Cause.SHORTED_TURNS),
    "heater": (Cause.NO_FAULT,),
    "filament-lamp": (Cause.NO_FAULT,),
    "motor": (Cause.NO_FAULT,),
}
"""The causes whose samples are followed, by load class; `Cause.OTHER` is always there beside them."""


@dataclass(frozen=True, slots=True)
class CausesState:
    """What the causes hand from one reading to the next."""

    samples: State
    scores: Floats
    """Log-likelihood of each sample, forgetting."""
    before: tuple[float, float, float] | None = None
    """Time, voltage (part of nameplate voltage) and its move, of the reading before."""
    event_until_s: float = float("-inf")


class Causes:
    """The causes of one class and nameplate. ``model`` holds samples of each of ``names``, one after the other.

    `HEALTHY` of the first, which is a unit without a fault, and `EACH` of the others.

    Volts rms, watts.
    """

    def __init__(self, model: Model, names: tuple[Cause, ...], *, nameplate_v: float, nameplate_w: float) -> None:
        self._following = Following(model, nameplate_v=nameplate_v, nameplate_w=nameplate_w, worst=WORST, error=ERROR)
        self._volts = nameplate_v
        self.names = names

    def begin(self) -> CausesState:
        """Before the first reading: cold, empty, off."""
        samples = self._following.model.rest()
        return CausesState(samples, np.zeros(HEALTHY + EACH * (len(self.names) - 1)))

    def step(self, state: CausesState, sight: Sight) -> tuple[CausesState, Told]:
        """One reading: its log-likelihood under each cause, by earlier readings; and the state that has learnt from it.

        Nothing is told where nothing was read, or where an inrush is expected.
        """
        if sight.line_voltage_v is None:
            return state, Told()
        pace = paced(sight.line_voltage_v, self._volts, sight.time_s, state.before)
        if pace.repeats(sight):
            return state, Told()
        worth = state.scores > state.scores.max() - WORTH
        samples, against = self._following.follow(state.samples, pace, sight, worth)
        until_s = sight.time_s + EVENT_S if sight.event else state.event_until_s
        dose = pace.dose(sight, until_s, TOLD_FROM)
        scores = state.scores * float(np.exp(-pace.seconds / FORGOTTEN_S))
        told = scores - dose * against
        after = CausesState(samples, told, (sight.time_s, pace.v, pace.moved_by), until_s)
        if dose == 0.0:
            return after, Told()
        said = self._mean(told) - self._mean(scores)
        nats: dict[str, float] = dict(zip(self.names, (float(each) for each in said), strict=True))
        return after, Told({**nats, Cause.OTHER: -UNKNOWN * dose}, dose)

    def _mean(self, scores: Floats) -> Floats:
        """The logarithm of the mean likelihood, of each cause's samples."""
        most = scores.max()
        likely = np.exp(np.maximum(scores - most, LEAST))
        faulted = likely[HEALTHY:].reshape(len(self.names) - 1, EACH).mean(axis=1)
        return np.asarray(most + np.log(np.concatenate([[likely[:HEALTHY].mean()], faulted])))
