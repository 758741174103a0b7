"""Trial samples: near the best so far, brought along the whole ramp again, to take the places of the worst.

However many samples fill a class's ranges, none is quite the unit at hand. So new ones are drawn close to those that
have met the readings best (differential evolution: a good one, and part of the way between two others; Storn and Price
1997), and each has to earn its score from the first reading on: a sample that only fits what is seen now is no better
for it. That takes many steps of the models, so that a few are done at each reading, over a thinned-out record of the
ramp. Pure, and the same on every computer: draws come from the sequence that `ranges` uses.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, replace
from itertools import groupby
from operator import itemgetter
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.following import FORGOTTEN_S, Following, Pace, Sight
from rampguard.loads.model import State
from rampguard.loads.ranges import Range, even_parts
from rampguard.loads.rectifier import Floats

KEPT_V: Final = 0.012
"""The record keeps a reading where the line has moved so far (part of nameplate voltage) since the one before..."""
KEPT_S: Final = 2.5
"""...or so long after it, and twice, three times as long while the line stands still: the longer, the less is new..."""
FLIP_S: Final = 0.4
"""...or so long after it where the line has stopped or begun to move."""
LONGEST: Final = 96
"""So many readings are kept; of more, every other of the older half goes."""
STEPS: Final = 2
"""So many kept readings are done over for each reading that is told of."""
BEGINS_AT: Final = 6
"""So many readings are kept before the first trial."""
ELITE: Final = 8
"""One in so many of a cause's samples is good enough to be drawn from."""
RESERVED: Final = 6
"""One in so many of a cause's samples is kept for each make."""
STRIDE: Final = (0.2, 1.1)
"""How far a new sample goes along the way between two others."""
WORTH: Final = 12.0
"""A sample so many nats behind the best is not worth the asking whether its fault has come."""
TRIED: Final = 4
"""A trial tries one for so many samples of a cause."""


@dataclass(frozen=True, slots=True)
class Kept:
    """A reading that is kept: how the line came to the reading before it, this one's pace, and for how many it counts.

    ``seconds`` is the time from the reading kept before to the one before this; ``before_v`` the line then.
    """

    seconds: float
    before_v: float
    pace: Pace
    sight: Sight
    dose: float


@dataclass(frozen=True, slots=True)
class Record:
    """The ramp so far, thinned out, and what came after the reading kept last."""

    kept: tuple[Kept, ...] = ()
    seconds: float = 0.0
    dose: float = 0.0
    event: bool = False
    still: bool = True
    holds: int = 0
    """So many readings in a row were kept for the time alone."""
    count: int = 0
    """So many were ever kept."""
    thinned: int = 0
    """So often it was thinned out."""

    def now(self, pace: Pace, sight: Sight, dose: float) -> Kept:
        """How a reading would be kept."""
        seen = replace(sight, event=True) if self.event and not sight.event else sight
        return Kept(self.seconds, pace.v - pace.moved_by, pace, seen, self.dose + dose)

    def after(self, pace: Pace, sight: Sight, dose: float) -> Record:
        """With one reading more."""
        last_v = self.kept[-1].pace.v if self.kept else -1.0
        since_s = self.seconds + pace.seconds
        moved = abs(pace.v - last_v) >= KEPT_V or sight.event or (pace.still != self.still and since_s >= FLIP_S)
        if not moved and since_s < KEPT_S * (1 + self.holds):
            event = self.event or sight.event
            return replace(self, seconds=since_s, dose=self.dose + dose, event=event, still=pace.still)
        full = len(self.kept) == LONGEST
        before = _thinned(self.kept) if full else self.kept
        return Record(
            (*before, self.now(pace, sight, dose)),
            still=pace.still,
            holds=0 if moved else self.holds + 1,
            count=self.count + 1,
            thinned=self.thinned + full,
        )


def _thinned(kept: tuple[Kept, ...]) -> tuple[Kept, ...]:
    """Without every other of the older half."""
    half, thinner = len(kept) // 2, []
    for first, second in zip(kept[:half:2], kept[1:half:2], strict=False):
        # The second goes on with the first's time, and counts for both.
        thinner.append(
            replace(
                second,
                seconds=first.seconds + first.pace.seconds + second.seconds,
                dose=first.dose + second.dose,
                sight=replace(second.sight, event=first.sight.event or second.sight.event),
            )
        )
    return (*thinner, *kept[len(thinner) * 2 :])


@dataclass(frozen=True, slots=True)
class Groups:
    """Which samples belong to which cause, one group after the other, and each group's ranges by parameter."""

    ranges: Mapping[str, tuple[Range | None, ...]]
    """None where a group has not got the parameter."""
    sizes: tuple[int, ...]
    forgotten_s: float = FORGOTTEN_S
    """Time constant with which readings are forgotten."""

    def slices(self) -> list[slice]:
        """Where each group's samples are."""
        ends = np.cumsum(self.sizes)
        return [slice(int(end) - size, int(end)) for end, size in zip(ends, self.sizes, strict=True)]

    def either_or(self) -> list[tuple[int, Range]]:
        """The either-ors of the class: where each is among the parameters, and its range."""
        pairs = ((place, ranges[0]) for place, ranges in enumerate(self.ranges.values()))
        return [(place, item) for place, item in pairs if item is not None and item.either is not None]

    def makes(self, parts: Floats) -> np.ndarray:
        """The make of each sample, as a number: those alike in every either-or of the class are of one."""
        make = np.zeros(parts.shape[1], dtype=np.intp)
        for place, item in self.either_or():
            make = 2 * make + (item.at(parts[place]) < (item.either or 0.0))
        return make

    def smaller(self) -> Groups:
        """Groups of the size of a trial."""
        return replace(self, sizes=tuple(size // TRIED for size in self.sizes))

    def values(self, parts: Floats) -> dict[str, Floats]:
        """Parameters at parts of their ranges, shape (parameters, samples); nothing where a group has not got one."""
        found = {}
        for place, (name, ranges) in enumerate(self.ranges.items()):
            values = np.zeros(parts.shape[1])
            for item, run in self._runs(ranges):
                values[run] = item.at(parts[place, run])
            found[name] = values
        return found

    def _runs(self, ranges: tuple[Range | None, ...]) -> Iterator[tuple[Range, slice]]:
        """Neighbouring groups of one range together: it is worked out once for them."""
        begin = 0
        for item, run in groupby(zip(ranges, self.sizes, strict=True), key=itemgetter(0)):
            end = begin + sum(size for _, size in run)
            if item is not None:
                yield item, slice(begin, end)
            begin = end


@dataclass(frozen=True, slots=True)
class Trial:
    """Trial samples under way: where they are in the ranges and in the record, and how they do."""

    parts: Floats
    following: Following
    samples: State
    scores: Floats
    thinned: int
    """How often the record was thinned out when it began: once it is again, the places of ``done`` are others."""
    done: int = 0


@dataclass(frozen=True, slots=True)
class Crowd:
    """All samples: where they are in their ranges, how they go along, and how they do."""

    parts: Floats
    """Shape (parameters, samples), from 0 to 1."""
    following: Following
    samples: State
    scores: Floats
    """Log-likelihood of each sample, forgetting."""
    trials: int = 0
    """So many trials were begun, and..."""
    begun_at: int = 0
    """...the last one when so many readings had ever been kept."""
    trial: Trial | None = None


def renewed(
    crowd: Crowd, groups: Groups, record: Record, now: Kept, make: Callable[[Mapping[str, Floats]], Following]
) -> Crowd:
    """A few steps of the trial under way, or the beginning of the next; where it has caught up, the best of it stay.

    ``record`` is that of the readings before, ``now`` the last one; ``crowd`` has met it already.
    """
    trial = crowd.trial
    if trial is None or trial.thinned != record.thinned:
        if record.count < max(BEGINS_AT, crowd.begun_at + 1):
            return replace(crowd, trial=None)
        parts = _near_the_best(crowd, groups)
        following = make(groups.smaller().values(parts))
        trial = Trial(parts, following, following.model.rest(), np.zeros(parts.shape[1]), record.thinned)
        return replace(crowd, trial=trial, trials=crowd.trials + 1, begun_at=record.count)
    ahead = record.kept[trial.done : trial.done + STEPS]
    for kept in ahead or (now,):
        trial = _once_more(trial, kept, groups.forgotten_s)
    return replace(crowd, trial=trial) if ahead else _joined(crowd, trial, groups, make)


def worth_asking(scores: Floats) -> NDArray[np.bool_]:
    """Which samples are still worth the asking whether they start, or their fault has come."""
    return np.asarray(scores > scores.max() - WORTH)


def _once_more(trial: Trial, kept: Kept, forgotten_s: float) -> Trial:
    samples = trial.samples
    if kept.seconds > 0.0:
        samples, _ = trial.following.model.step(samples, kept.before_v, kept.seconds, event=False)
    samples, against = trial.following.follow(samples, kept.pace, kept.sight, worth_asking(trial.scores))
    faded = float(np.exp(-(kept.seconds + kept.pace.seconds) / forgotten_s))
    return replace(trial, samples=samples, scores=trial.scores * faded - kept.dose * against, done=trial.done + 1)


def _near_the_best(crowd: Crowd, groups: Groups) -> Floats:
    """New samples of each group: a good one, and part of the way between two others; folded back into the ranges.

    An either-or is the good one's: no way leads from one make to another.
    """
    drawn = []
    for some in groups.slices():
        size = some.stop - some.start
        elite = some.start + np.argsort(-crowd.scores[some], kind="stable")[: size // ELITE]
        count = size // TRIED
        even = even_parts(4, count, after=count * (crowd.trials + 1))
        one, two, three = (elite[(each * len(elite)).astype(np.intp)] for each in even[:3])
        stride = STRIDE[0] + (STRIDE[1] - STRIDE[0]) * even[3]
        new = crowd.parts[:, one] + stride * (crowd.parts[:, two] - crowd.parts[:, three])
        for place, _ in groups.either_or():
            new[place] = crowd.parts[place, one]
        drawn.append(new)
    return _folded(np.concatenate(drawn, axis=1))


def _folded(parts: Floats) -> Floats:
    """What is past an end comes back from it."""
    within = np.abs(parts) % 2.0
    return np.asarray(np.where(within > 1.0, 2.0 - within, within))


def _joined(crowd: Crowd, trial: Trial, groups: Groups, make: Callable[[Mapping[str, Floats]], Following]) -> Crowd:
    """The best of the trial in the places of the worst, group by group, where they are better.

    The best of each make stay, however bad: what no reading has told yet (a relay that has yet to pull in) may come.
    """
    gone, come = [], []
    makes = groups.makes(crowd.parts)
    for some, tried in zip(groups.slices(), groups.smaller().slices(), strict=True):
        order = some.start + np.argsort(crowd.scores[some], kind="stable")
        stays = np.zeros(len(order), dtype=np.bool_)
        for each in np.unique(makes[some]):
            stays[np.flatnonzero(makes[order] == each)[-(len(order) // RESERVED) :]] = True
        worst = order[~stays][: tried.stop - tried.start]
        best = tried.start + np.argsort(-trial.scores[tried], kind="stable")[: len(worst)]
        better = trial.scores[best] > crowd.scores[worst]
        gone.append(worst[better])
        come.append(best[better])
    out, into = np.concatenate(gone), np.concatenate(come)
    if not len(out):
        return replace(crowd, trial=None)
    parts, scores = crowd.parts.copy(), crowd.scores.copy()
    parts[:, out], scores[out] = trial.parts[:, into], trial.scores[into]
    samples = {name: _placed(crowd.samples[name], out, trial.samples[name][into]) for name in crowd.samples}
    return replace(crowd, parts=parts, following=make(groups.values(parts)), samples=samples, scores=scores, trial=None)


def _placed(values: Floats, where: np.ndarray, new: Floats) -> Floats:
    after = values.copy()
    after[where] = new
    return after
