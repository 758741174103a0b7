"""When two values differ: by more than their meters may be off by, and more than healthy units differ by. Pure.

Each value has what its meter may be off by (as stated, and half of what its settled readings span); beside that,
healthy units differ. What `TWINS` has of current and power is from simulated specimens of our own, ten each of four
healthy kinds (docs/records.md): where the meters could tell, and no step was near, none drew more than 1.47 times what
another of its kind did. The rest is common practice, no source. Less than all that is *no difference seen*, never *the
same*.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

from rampguard.compare.comparable import Topic
from rampguard.compare.side import Measured


@dataclass(frozen=True, slots=True)
class Spread:
    """What healthy units differ by: parts of the larger value, volts of an offset, part of nameplate of a relay."""

    drawn: float
    idle: float
    offset_v: float
    relay: float
    tau_factor: float


TWINS: Final = Spread(drawn=0.35, idle=0.35, offset_v=0.02, relay=0.10, tau_factor=2.0)
SAME_UNIT: Final = Spread(drawn=0.10, idle=0.15, offset_v=0.01, relay=0.05, tau_factor=1.5)
CHANNELS: Final = Spread(drawn=0.0, idle=0.20, offset_v=0.02, relay=0.0, tau_factor=2.0)
"""Of two channels of one unit, set to one idle."""


Pair = tuple[Measured | None, Measured | None]
"""The reference's value and the other's; None where it was not measured."""


class Seen(StrEnum):
    """What came of comparing two values."""

    HIGHER = "HIGHER"
    LOWER = "LOWER"
    NONE = "no difference seen"
    NEAR_STEP = "a step is near"  # a relay closes or a converter starts about there: which side of it, nobody can say
    NOT_COMPARABLE = "not comparable"
    NOT_MEASURED = "not measured"


@dataclass(frozen=True, slots=True)
class Difference:
    """Two values beside each other, in ``unit``; None where one was not measured.

    ``meters`` is what both meters may be off by together, ``healthy`` what healthy units differ by.
    """

    topic: Topic
    what: str
    unit: str
    reference: float | None
    other: float | None
    meters: float
    healthy: float
    seen: Seen
    line_voltage_v: float | None = None

    @property
    def beyond_meters(self) -> bool:
        """Whether the meters tell them apart."""
        return self.reference is not None and self.other is not None and abs(self.other - self.reference) > self.meters

    @property
    def ratio(self) -> float | None:
        """The other as a part of the reference; None where that says nothing."""
        if self.reference is None or self.other is None or self.topic is Topic.OFFSET or self.reference <= self.meters:
            return None
        return self.other / self.reference


def judged(
    topic: Topic,
    what: str,
    unit: str,
    pair: Pair,
    healthy: float,
    reasons: Sequence[str],
    at: float | None = None,
) -> Difference:
    """Two values beside each other: a difference is what is beyond both meters and what healthy units differ by."""
    first, second = pair
    values = None if first is None else first.value, None if second is None else second.value
    meters = sum(one.bound for one in pair if one is not None)
    if first is None or second is None:
        seen = Seen.NOT_MEASURED
    elif reasons:
        seen = Seen.NOT_COMPARABLE
    elif abs(second.value - first.value) <= meters + healthy:
        seen = Seen.NONE
    else:
        seen = Seen.HIGHER if second.value > first.value else Seen.LOWER
    return Difference(topic, what, unit, *values, meters, healthy, seen, at)
