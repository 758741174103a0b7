"""What several known-good units of one model leave of a class's ranges, with how far the model's units lie apart.

Each unit shows a parameter by a mean, and leaves something open. A fresh unit of the model lies where all but one in a
hundred of its units do, with a confidence of 95 %: mean +/- k spreads, k by the number of units (`tolerance`), and what
a single unit's readings leave open beside it. Two or three units say little of a spread, so that k is large; until
there are more, a fresh unit lies where it would by any one of them, each taken alone: two units of a model differ as
`basis.TOLERANCE` says; where they lie far apart (`Range.apart`) one unit says nothing of the next. The narrower of
both, never wider than the class. Pure.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from statistics import fmean, stdev
from typing import Final

from rampguard.loads.basis import KNOWN_GOOD_SIGMAS, Shown, Span, ends, span_of_one
from rampguard.loads.ranges import Range
from rampguard.loads.tolerance import tolerance_factor

COVERAGE: Final = 0.99
"""So many of a model's units lie within what is learnt of a parameter: as `KNOWN_GOOD_SIGMAS` hold of a normal one."""
CONFIDENCE: Final = 0.95
"""...with so much confidence."""

ShownByUnit = Mapping[str, Shown]
"""What one unit's readings showed, by parameter."""


@dataclass(frozen=True, slots=True)
class Spread:
    """A parameter over several units, in parts of its range's scale."""

    mean: float
    spread: float | None
    """Standard deviation of the units' means; None: of one unit there is none."""
    own: float
    """What a single unit's readings leave open: root mean square of the units' own."""
    units: int

    @property
    def half(self) -> float:
        """How far either side of the mean a fresh unit may lie, two units at least."""
        apart = tolerance_factor(self.units, COVERAGE, CONFIDENCE) * (self.spread or 0.0)
        return math.hypot(apart, KNOWN_GOOD_SIGMAS * self.own)


def of_one_unit(captures: Sequence[ShownByUnit]) -> dict[str, Shown]:
    """Several captures of one unit as one: they are no more sure together than each, since the models err alike."""
    return {name: _together([capture[name] for capture in captures]) for name in captures[0]}


def _together(shown: Sequence[Shown]) -> Shown:
    return Shown(fmean(one.mean for one in shown), _rms([one.own for one in shown]))


def spread_of(shown: Sequence[Shown]) -> Spread:
    """A parameter over units, one each."""
    means = [one.mean for one in shown]
    spread = stdev(means) if len(means) > 1 else None
    return Spread(fmean(means), spread, _rms([one.own for one in shown]), len(means))


def learnt_spans(ranges: Mapping[str, Range], units: Sequence[ShownByUnit]) -> dict[str, Span]:
    """What so many units of a model leave of the ranges, for a fresh one of it. Raises ValueError for no unit."""
    if not units:
        raise ValueError("nothing is learnt of no unit")
    return {name: _span(item, [unit[name] for unit in units]) for name, item in ranges.items()}


def _span(item: Range, shown: Sequence[Shown]) -> Span:
    if len(shown) == 1:
        return span_of_one(item, shown[0])
    found, by_any = spread_of(shown), _by_any(item, shown)
    if item.either is not None:  # an either-or has no spread: whatever a unit may be, the next may be
        return by_any
    low, high = ends(item, found.mean, found.half)
    return max(low, by_any[0]), min(high, by_any[1])


def _by_any(item: Range, shown: Sequence[Shown]) -> Span:
    """Where a fresh unit would lie by any one of the units, taken alone."""
    found = spread_of(shown)
    alone = [span_of_one(item, one) for one in shown]
    lows, highs = zip(*alone, ends(item, found.mean, KNOWN_GOOD_SIGMAS * found.own), strict=True)
    return min(lows), max(highs)


def _rms(values: Sequence[float]) -> float:
    return math.sqrt(fmean(value * value for value in values))
