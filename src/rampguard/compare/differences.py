"""What differs between two captures, value by value, as `judging` judges. Pure: two sides in, findings out."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace
from typing import Final

from rampguard.compare.comparable import Topic, incomparable, mains_part
from rampguard.compare.curve import BEYOND_PART, current_curve, power_curve
from rampguard.compare.judging import CHANNELS, TWINS, Difference, Pair, Seen, Spread, judged
from rampguard.compare.side import UNSTATED, Measured, Side
from rampguard.quantities import BEHIND_RELAY, Quantity
from rampguard.warmup.approach import forecast

AT_PARTS: Final = (0.13, 0.25, 0.5, 0.75, 1.0)
"""Where current is told, as parts of nameplate voltage: 30 V of 230 V is the trade's; common practice, no source."""
ALIKE_PART: Final = 0.01
"""Holds of two captures are at one line voltage when it differs by no more than this part of nameplate voltage."""
LEAST_WARM_S: Final = 300.0
"""Of a shorter warm-up no time constant is told."""
WARM_TOLERANCE_V: Final = 1e-4


@dataclass(frozen=True, slots=True)
class Comparison:
    """One capture against the reference: what cannot be compared and why, and what came of the rest."""

    reference: Side
    other: Side
    incomparable: dict[Topic, tuple[str, ...]]
    differences: tuple[Difference, ...]
    at_holds: tuple[Difference, ...]
    """Current at each line voltage at which both stood still: nothing is read between holds here."""


def compare(reference: Side, other: Side, at_v: Sequence[float] = (), spread: Spread = TWINS) -> Comparison:
    """One capture against the reference; ``at_v`` are more line voltages, V rms, on the reference's mains."""
    judge = _Judge(reference, other, spread, incomparable(reference, other))
    usual = [part * reference.nameplate_v for part in AT_PARTS]
    alike_v = ALIKE_PART * reference.nameplate_v
    volts = sorted({*at_v, *(v for v in usual if all(abs(v - asked) > alike_v for asked in at_v))})
    differences = (
        *judge.currents(volts),
        *judge.at_trip(),
        judge.full_power(),
        *judge.relays(),
        *judge.channels(),
        *judge.warm_ups(),
    )
    return Comparison(reference, other, judge.reasons, differences, tuple(judge.at_holds()))


def between_channels(side: Side) -> list[Difference]:
    """The channels of one unit beside its first: idle and offset, ahead of the speaker relays."""
    found = []
    for quantity in (Quantity.EMITTER_RESISTOR, Quantity.DC_OFFSET):
        names = sorted(s for s in side.channels if s.quantity is quantity and not s.channel.endswith(BEHIND_RELAY))
        for signal in names[1:]:
            what = f"{_WORDS[quantity]}, {signal.channel} to {names[0].channel}"
            pair = side.channels[names[0]], side.channels[signal]
            found.append(_of_channel(quantity, what, *pair, CHANNELS, ()))
    return found


_WORDS: Final = {Quantity.EMITTER_RESISTOR: "idle", Quantity.DC_OFFSET: "offset"}


@dataclass(frozen=True, slots=True)
class _Judge:
    a: Side
    b: Side
    spread: Spread
    reasons: dict[Topic, tuple[str, ...]]

    @property
    def _scale(self) -> float:
        """Turns the other's volts into the reference's: the same model wound for other mains."""
        return self.a.nameplate_v / self.b.nameplate_v

    @property
    def _drawn(self) -> float:
        return self.spread.drawn + mains_part(self.a, self.b)

    def currents(self, volts: Sequence[float]) -> Iterator[Difference]:
        mine, theirs = current_curve(self.a), current_curve(self.b, self._scale)
        for at in volts:
            pair = mine.at(at), theirs.at(at)
            what = f"current at {at:.4g} V ({100 * at / self.a.nameplate_v:.0f} %)"
            yield self._by_part(Topic.DRAWN, what, "A", pair, self._drawn, at, self._near_step(at))

    def at_holds(self) -> Iterator[Difference]:
        for mine in self.a.holds:
            for theirs in self.b.holds:
                at = mine.line_v.value
                if abs(self._scale * theirs.line_v.value - at) <= ALIKE_PART * self.a.nameplate_v:
                    current = _scaled(theirs.current_a, 1.0 / self._scale)
                    pair = mine.current_a, current
                    yield self._by_part(
                        Topic.DRAWN, f"current at {at:.4g} V", "A", pair, self._drawn, at, self._near_step(at)
                    )
                    break

    def _near_step(self, at: float) -> bool:
        """Whether in a healthy twin current might step, by a relay or a converter, on the other side of it."""
        steps = [one.line_v.value for one in self.a.closings]
        steps += [self._scale * one.line_v.value for one in self.b.closings]
        within_v = self.spread.relay * self.a.nameplate_v
        return bool(steps) and min(steps) - within_v <= at <= max(steps) + within_v

    def at_trip(self) -> Iterator[Difference]:
        """Where one tripped: what the other drew there, moving line or not."""
        tripped = [side for side in (self.a, self.b) if side.trip is not None and side.way]
        if not tripped:
            return
        first = min(tripped, key=lambda side: side.way[-1][0] / side.nameplate_v)
        at_part = first.way[-1][0] / first.nameplate_v
        pair = _near(self.a, at_part, first is self.a), _near(self.b, at_part, first is self.b)
        scaled = pair[0], None if pair[1] is None else _scaled(pair[1], 1.0 / self._scale)
        at = at_part * self.a.nameplate_v
        yield self._by_part(Topic.DRAWN, f"current at the trip, {at:.3g} V", "A", scaled, self._drawn, at)

    def full_power(self) -> Difference:
        at = self.a.nameplate_v
        pair = power_curve(self.a).at(at), power_curve(self.b, self._scale).at(at)
        return self._by_part(Topic.DRAWN, "power at full line", "W", pair, self._drawn, at)

    def relays(self) -> Iterator[Difference]:
        for number in range(max(len(self.a.closings), len(self.b.closings))):
            some = [side.closings[number] if number < len(side.closings) else None for side in (self.a, self.b)]
            first = None if some[0] is None else some[0].line_v
            second = None if some[1] is None else _scaled(some[1].line_v, self._scale)
            healthy = self.spread.relay * self.a.nameplate_v
            word = "power pressed" if any(one is not None and one.pressed for one in some) else "step in current"
            yield self._judged(Topic.RELAY, f"{word}, line at it", "V", (first, second), healthy, None)

    def channels(self) -> Iterator[Difference]:
        for quantity, topic in ((Quantity.EMITTER_RESISTOR, Topic.IDLE), (Quantity.DC_OFFSET, Topic.OFFSET)):
            for what, mine, theirs in _pairs(self.a, self.b, quantity):
                named = f"{_WORDS[quantity]} {what}"
                yield _of_channel(quantity, named, mine, theirs, self.spread, self.reasons.get(topic, ()))

    def warm_ups(self) -> Iterator[Difference]:
        for channel in sorted({*self.a.warm_up, *self.b.warm_up}):
            pair = _tau(self.a, channel), _tau(self.b, channel)
            if pair == (None, None):
                continue
            known = [one.value for one in pair if one is not None]
            healthy = (1.0 - 1.0 / self.spread.tau_factor) * max(known)
            yield self._judged(Topic.IDLE, f"time constant, {channel}", "s", pair, healthy, None)

    def _by_part(
        self,
        topic: Topic,
        what: str,
        unit: str,
        pair: Pair,
        part: float,
        at: float | None,
        near_step: bool = False,  # noqa: FBT001, FBT002 - private
    ) -> Difference:
        largest = max((abs(one.value) for one in pair if one is not None), default=0.0)
        found = self._judged(topic, what, unit, pair, part * largest, at)
        unsure = near_step and found.seen in (Seen.HIGHER, Seen.LOWER)
        return replace(found, seen=Seen.NEAR_STEP) if unsure else found

    def _judged(self, topic: Topic, what: str, unit: str, pair: Pair, healthy: float, at: float | None) -> Difference:
        return judged(topic, what, unit, pair, healthy, self.reasons.get(topic, ()), at)


def _of_channel(
    quantity: Quantity,
    what: str,
    mine: Measured | None,
    theirs: Measured | None,
    spread: Spread,
    reasons: Sequence[str],
) -> Difference:
    is_idle = quantity is Quantity.EMITTER_RESISTOR
    largest = max((abs(one.value) for one in (mine, theirs) if one is not None), default=0.0)
    healthy = spread.idle * largest if is_idle else spread.offset_v
    return judged(Topic.IDLE if is_idle else Topic.OFFSET, what, "V", (mine, theirs), healthy, reasons)


def _pairs(a: Side, b: Side, quantity: Quantity) -> Iterator[tuple[str, Measured | None, Measured | None]]:
    """Channel by channel; where each capture has one channel, and another, these two."""
    mine, theirs = ({s: m for s, m in side.channels.items() if s.quantity is quantity} for side in (a, b))
    if len(mine) == len(theirs) == 1 and mine.keys() != theirs.keys():
        [(one, first)], [(other, second)] = mine.items(), theirs.items()
        yield f"{one.channel} and {other.channel}", first, second
        return
    for signal in sorted({*mine, *theirs}):
        yield signal.channel, mine.get(signal), theirs.get(signal)


def _near(side: Side, part: float, is_end: bool) -> Measured | None:  # noqa: FBT001 - private
    """What a capture drew near a line voltage: at its own end, the last reading; else the most it drew about there."""
    at, about = part * side.nameplate_v, BEYOND_PART * side.nameplate_v
    some = [side.way[-1][1]] if is_end else [amps for volts, amps, _ in side.way if abs(volts - at) <= about]
    return Measured(max(some), UNSTATED * max(some)) if some else None


def _tau(side: Side, channel: str) -> Measured | None:
    stretch = side.warm_up.get(channel)
    if stretch is None or not len(stretch.time_s) or stretch.time_s[-1] - stretch.time_s[0] < LEAST_WARM_S:
        return None
    found = forecast([stretch], WARM_TOLERANCE_V)
    return None if found is None or not math.isfinite(found.tau_s) else Measured(found.tau_s, 0.0)


def _scaled(one: Measured, by: float) -> Measured:
    return Measured(by * one.value, by * one.bound)
