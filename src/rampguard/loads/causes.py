"""What the readings say for each cause: the likelihood of a reading under each fault, and under none.

For every cause that a load class can have, samples of the class, whole or with that fault, are brought along the ramp
under way. A reading's likelihood under a cause is the mean over its samples, each weighed by how well it has met the
readings before: the prior prediction (Dawid's prequential form of a marginal likelihood; textbook). All causes share
the class's ranges, so that they differ by the fault alone. Pure.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from rampguard.loads.following import FORGOTTEN_S, Before, Following, Pace, Sight, paced
from rampguard.loads.model import Model
from rampguard.loads.ranges import Range, even_parts
from rampguard.loads.rectifier import Floats
from rampguard.loads.trial import Crowd, Groups, Kept, Record, renewed, worth_asking
from rampguard.quantities import Cause, Told

HEALTHY: Final = 768
"""So many samples stand for a healthy unit: none shall be accused for want of a twin..."""
EACH: Final = 224
"""...and the first so many of them, each with a fault of its own, for each fault: they differ by the fault alone."""
MORE: Final[Mapping[Cause, int]] = {Cause.OUTPUT_SHORT: 320}
"""So many instead, for a fault that comes in many kinds and has to be told by few readings."""
WORST: Final = 5.0
"""No reading speaks against a sample more than a deviation of so many sigmas does."""
ERROR: Final = 0.2
"""A sample may be off by so much: of so many none need be the unit's twin, and what is small must not add up."""
ERRORS: Final[Mapping[str, float]] = {"linear-amplifier": 0.08, "receiver": 0.15, "transformer": 0.1}
"""The same, for classes that are met more closely: all of such a unit is seen from zero on."""
UNKNOWN: Final = 9.0
"""What a reading says against `Cause.OTHER`, which explains anything a little: 3 sigmas of current and of power."""
APART_S: Final = 0.12
"""Readings closer together than this say much the same: every other one is told of, or one that matters."""
TOLD_FROM: Final = 0.004
"""Below this part of line voltage nothing is told: thresholds and zeros of meters decide there."""
TAIL_S: Final = 2.0
"""For so long after power was pressed nothing is told: a core that was switched on away from its own flux draws more
than it will until that has died away (winding resistance and magnetising inductance: a second or so, textbook), which
no sample does. Seen on simulated receivers: 4 of 2,000 healthy ones were taken for shorted turns 1.3 s after it."""
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

    crowd: Crowd
    record: Record = field(default_factory=Record)
    before: Before | None = None
    """The reading that was told of last..."""
    seen: Before | None = None
    """...and the one before this."""
    told: tuple[Record, Kept] | None = None
    """The record as it was then, and what it would keep of that reading: until trial samples had their time."""
    event_until_s: float = float("-inf")


class Causes:
    """The causes of one class and nameplate: samples of each of ``names``, one group after the other.

    The first is a unit without a fault; `sizes` says how many each has; each may be off by ``error``.
    ``make`` makes the class's model of samples, ``own`` are its ranges, ``faults`` those of each fault.

    Volts rms, watts.
    """

    def __init__(
        self,
        make: Callable[[Mapping[str, Floats]], Model],
        names: tuple[Cause, ...],
        own: Mapping[str, Range],
        faults: tuple[Mapping[str, Range], ...],
        *,
        nameplate_v: float,
        nameplate_w: float,
        error: float = ERROR,
        forgotten_s: float = FORGOTTEN_S,
    ) -> None:
        self.names = names
        self._volts = nameplate_v
        self._groups = _groups(own, faults, sizes(names), forgotten_s)
        self._first = _first_parts(self._groups, own, faults)

        def follow(values: Mapping[str, Floats]) -> Following:
            return Following(make(values), nameplate_v=nameplate_v, nameplate_w=nameplate_w, worst=WORST, error=error)

        self._follow = follow

    def begin(self) -> CausesState:
        """Before the first reading: cold, empty, off."""
        following = self._follow(self._groups.values(self._first))
        nothing = np.zeros(sum(self._groups.sizes))
        return CausesState(Crowd(self._first, following, following.model.rest(), nothing))

    def step(self, state: CausesState, sight: Sight, *, matters: bool = True) -> tuple[CausesState, Told]:
        """One reading: its log-likelihood under each cause, by earlier readings; and the state that has learnt from it.

        Nothing is told where nothing was read, or where an inrush is expected; nor of a reading so soon after the one
        told of last, unless it ``matters``: that time is the trial samples'.
        """
        if sight.line_voltage_v is None:
            return state, Told()
        pace = paced(sight.line_voltage_v, self._volts, sight.time_s, state.seen)
        if pace.repeats(sight):
            return state, Told()
        state = replace(self._tried(state), seen=(sight.time_s, pace.v, pace.moved_by))
        if state.before is None or matters or sight.event or sight.time_s - state.before[0] >= APART_S:
            return self._told(state, pace.since(state.before, sight.time_s), sight)
        return state, Told()

    def _tried(self, state: CausesState) -> CausesState:
        """With trial samples brought along, once after each reading that was told of."""
        if state.told is None:
            return state
        return replace(state, crowd=renewed(state.crowd, self._groups, *state.told, self._follow), told=None)

    def _told(self, state: CausesState, pace: Pace, sight: Sight) -> tuple[CausesState, Told]:
        crowd = state.crowd
        samples, against = crowd.following.follow(crowd.samples, pace, sight, worth_asking(crowd.scores))
        until_s = sight.time_s + TAIL_S if sight.event else state.event_until_s
        dose = pace.dose(sight, until_s, TOLD_FROM)
        scores = crowd.scores * float(np.exp(-pace.seconds / self._groups.forgotten_s))
        told = scores - dose * against
        now = state.record.now(pace, sight, dose)
        after = CausesState(
            replace(crowd, samples=samples, scores=told),
            state.record.after(pace, sight, dose),
            before=state.seen,
            seen=state.seen,
            told=(state.record, now),
            event_until_s=until_s,
        )
        if dose == 0.0:
            return after, Told()
        said = self._mean(told) - self._mean(scores)
        nats: dict[str, float] = dict(zip(self.names, (float(each) for each in said), strict=True))
        return after, Told({**nats, Cause.OTHER: -UNKNOWN * dose}, dose)

    def _mean(self, scores: Floats) -> Floats:
        """The logarithm of the mean likelihood, of each cause's samples."""
        most = scores.max()
        likely = np.exp(np.maximum(scores - most, LEAST))
        return np.asarray(most + np.log([likely[some].mean() for some in self._groups.slices()]))


def sizes(names: tuple[Cause, ...]) -> tuple[int, ...]:
    """How many samples each cause has."""
    return HEALTHY, *(MORE.get(name, EACH) for name in names[1:])


def _groups(
    own: Mapping[str, Range], faults: tuple[Mapping[str, Range], ...], counts: tuple[int, ...], forgotten_s: float
) -> Groups:
    """All parameters: those of the class, which every group has, and those of each fault."""
    ranges: dict[str, tuple[Range | None, ...]] = {name: (item,) * (len(faults) + 1) for name, item in own.items()}
    for name in {name: None for fault in faults for name in fault}:
        ranges[name] = (None, *(fault.get(name) for fault in faults))
    return Groups(ranges, counts, forgotten_s)


def _first_parts(groups: Groups, own: Mapping[str, Range], faults: tuple[Mapping[str, Range], ...]) -> Floats:
    """Where the first samples are: a fault's are those of healthy ones, with faults of their own."""
    of_class = even_parts(len(own), HEALTHY)
    parts = np.zeros((len(groups.ranges), sum(groups.sizes)))
    for some in groups.slices():
        parts[: len(own), some] = of_class[:, : some.stop - some.start]
    places = {name: place for place, name in enumerate(groups.ranges)}
    for fault, some in zip(faults, groups.slices()[1:], strict=True):
        for name, each in zip(fault, even_parts(len(fault), some.stop - some.start), strict=True):
            parts[places[name], some] = each
    return parts
