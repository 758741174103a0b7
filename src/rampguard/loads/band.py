"""The expected band: what a healthy unit of a class may draw now, after this ramp; it closes around the unit at hand.

Samples of the class's parameters (a fixed sequence) are all brought along the ramp under way by the class's model. A
sample that draws other than the readings loses weight, so that the band, which holds all but one in ten thousand of
the weight, closes. Weights are tempered so that some forty samples always count, and old readings are forgotten:
neighbouring readings say much the same, and no sample is quite the unit. By how much each sample is off is carried on
with it, as long as the line does not move far: what it leaves out here, it leaves out next door.

Bayesian importance sampling with tempered weights (effective sample size after Kish: textbook). Pure: a state and a
sight give the next state and an expectation.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from rampguard.loads.following import (
    EVALUATED_FROM,
    EVENT_S,
    FORGOTTEN_S,
    MODEL_ERROR,
    NEAR_ZERO,
    Bools,
    Following,
    Pace,
    Sight,
    Way,
    paced,
    taken,
)
from rampguard.loads.model import Drawn, Model, State
from rampguard.loads.rectifier import Floats
from rampguard.quantities import Bounds, Expectation

SAMPLES: Final = 512
LEFT_OUT: Final = 1e-4
"""The band leaves out so much of the weight at either end."""
LEAST_COUNT: Final = 40.0
"""So many samples count at least (effective number)."""
CARRIED: Final = 0.7
"""A sample's own deviation is carried on to this part..."""
CARRIED_MOST: Final = 0.4
"""...and no more than this, of the logarithm of what it draws;"""
CARRIED_S: Final = 2.0
"""it is taken up with this time constant,"""
CARRIED_V: Final = 0.1
"""and fades over such a change of line voltage, of nameplate voltage."""
TURNS: Final = 0.03
"""So likely it is, at each reading, that a sample that may start or stop does."""
FIT_FROM: Final = 20.0
"""How well a class fits is told once it rests on so many independent readings."""
FIT_FROM_V: Final = 0.15
"""...from this part of line voltage on: below, thresholds and diodes decide more than the class does."""
EVENT_MARGIN: Final = 1.3
"""What an event may cost, of the dearest sample: the core's inrush comes on top of the reservoir's."""


@dataclass(frozen=True, slots=True)
class BandState:
    """What the band hands from one reading to the next. Voltages are parts of nameplate voltage."""

    samples: State
    scores: Floats
    """Log-likelihood of each sample, forgetting."""
    off: Drawn
    """By how much each sample's current and power are off, in the logarithm."""
    whole: Floats
    """The same, forgetting nothing, and..."""
    readings: float = 0.0
    """...on how many independent readings it rests."""
    time_s: float | None = None
    v: float = 0.0
    moved_by: float = 0.0
    event_until_s: float = float("-inf")
    budget_j: float = 0.0
    event_j: float = 0.0
    expectation: Expectation = field(default_factory=Expectation)


class Band:
    """The band of one class and nameplate. Volts rms, watts.

    ``margin`` is what is allowed above the samples' highest.
    """

    def __init__(
        self,
        model: Model,
        *,
        nameplate_v: float,
        nameplate_w: float,
        margin: float = MODEL_ERROR,
    ) -> None:
        self._model = model
        self._following = Following(model, nameplate_v=nameplate_v, nameplate_w=nameplate_w)
        self._volts = nameplate_v
        self._watts = nameplate_w
        self._amperes = nameplate_w / nameplate_v
        self._margin = margin

    def begin(self) -> BandState:
        """Before the first reading: cold, empty, off."""
        samples = self._model.rest()
        _, drawn = self._model.step(samples, 0.0, 1.0, event=False)
        nothing = np.zeros_like(drawn.current)
        return BandState(samples, nothing, Drawn(nothing, nothing), nothing)

    def step(self, state: BandState, sight: Sight) -> tuple[BandState, Expectation]:
        """One reading: what was expected of it, by earlier readings alone; and the state that has learnt from it."""
        if sight.line_voltage_v is None:
            return state, Expectation(why_not="no line voltage was read yet")
        before = None if state.time_s is None else (state.time_s, state.v, state.moved_by)
        pace = paced(sight.line_voltage_v, self._volts, sight.time_s, before)
        if pace.repeats(sight):
            return state, state.expectation
        ways = self._following.ways(state.samples, pace, event=sight.event)
        weights = tempered(state.scores)
        state = self._spend(state, sight, pace.seconds, weights)
        chose, against, roughly = self._following.choose(sight, ways)
        dose = pace.dose(sight, state.event_until_s)
        told = dose if pace.v >= FIT_FROM_V else 0.0
        whole, readings = state.whole - told * roughly, state.readings + told
        fit = float(whole.max()) / readings if readings >= FIT_FROM else 0.0
        expectation = self._expectation(state, sight, pace.v, ways, weights, fit)
        after = replace(
            state,
            samples=taken(ways, chose),
            off=self._carry(state, sight, pace, ways, chose),
            scores=state.scores * float(np.exp(-pace.seconds / FORGOTTEN_S)) - dose * against,
            whole=whole,
            readings=readings,
            time_s=sight.time_s,
            v=pace.v,
            moved_by=pace.moved_by,
            expectation=expectation,
        )
        return after, expectation

    def _expectation(
        self, state: BandState, sight: Sight, v: float, ways: list[Way], weights: Floats, fit: float
    ) -> Expectation:
        if v < EVALUATED_FROM:
            return Expectation(why_not=f"line voltage is below {100 * EVALUATED_FROM:g} % of nameplate", fit=fit)
        if sight.time_s <= state.event_until_s:
            return Expectation(
                why_not="an expected event explains what is drawn for the moment",
                event_budget_j=state.budget_j,
                event_j=state.event_j,
                fit=fit,
            )
        current = self._bounds(
            [(w.open_to, w.low.current, w.high.current) for w in ways], state.off.current, weights, self._amperes
        )
        power = self._bounds(
            [(w.open_to, w.low.power, w.high.power) for w in ways], state.off.power, weights, self._watts
        )
        return Expectation(current, power, fit=fit)

    def _bounds(
        self, ways: list[tuple[Bools | np.bool_, Floats, Floats]], off: Floats, weights: Floats, unit: float
    ) -> Bounds:
        factor = np.exp(CARRIED * off)
        _, first_low, first_high = ways[0]
        low, high = (first_low + NEAR_ZERO) * factor - NEAR_ZERO, (first_high + NEAR_ZERO) * factor - NEAR_ZERO
        for mask, lower, higher in ways[1:]:
            turning = TURNS * weights * mask
            low, high = np.concatenate([low, lower]), np.concatenate([high, higher])
            weights = np.concatenate([weights - turning, turning])
        least, most = quantile(low, weights, LEFT_OUT), quantile(high, weights, 1.0 - LEFT_OUT)
        return Bounds(
            unit * max(0.0, least * (1.0 - self._margin) - NEAR_ZERO),
            unit * (most * (1.0 + self._margin) + NEAR_ZERO),
        )

    def _spend(self, state: BandState, sight: Sight, seconds: float, weights: Floats) -> BandState:
        """The energy account of an event: opened when it comes, charged while it lasts."""
        if sight.event:
            # All that an event brings within its time, by the samples: reservoirs, and what then hangs on them.
            v = max(0.0, (sight.line_voltage_v or 0.0) / self._volts)
            _, drawn = self._model.step(state.samples, v, EVENT_S, event=True)
            most = quantile(drawn.power, weights, 1.0 - LEFT_OUT)
            budget_j = self._watts * EVENT_S * (most * EVENT_MARGIN + NEAR_ZERO)
            return replace(state, event_until_s=sight.time_s + EVENT_S, budget_j=budget_j, event_j=0.0)
        if sight.time_s <= state.event_until_s and sight.real_power_w is not None:
            return replace(state, event_j=state.event_j + max(0.0, sight.real_power_w) * seconds)
        return state

    def _carry(self, state: BandState, sight: Sight, pace: Pace, ways: list[Way], chose: Bools) -> Drawn:
        """By how much each sample is off, for the next reading; nothing, of one that has just started or stopped."""
        if sight.time_s <= state.event_until_s:
            return Drawn(np.zeros_like(state.scores), np.zeros_like(state.scores))
        fades = float(np.exp(-abs(pace.moved_by) / CARRIED_V))
        takes = 1.0 - float(np.exp(-pace.seconds / CARRIED_S))
        carried = []
        for before, now in zip(state.off, self._following.deviations(sight, ways[0]), strict=True):
            faded = fades * before
            taken_up = faded if now is None else faded + takes * (np.clip(now, -CARRIED_MOST, CARRIED_MOST) - faded)
            carried.append(np.where(chose, 0.0, taken_up))
        return Drawn(*carried)


def tempered(scores: Floats) -> Floats:
    """Weights, adding up to 1, of log-weights: flattened as far as it takes that `LEAST_COUNT` samples count.

    The effective number is Kish's, (sum w)^2 / sum w^2.
    """
    scores = scores - scores.max()
    power, step = 1.0, 0.5
    weights = np.exp(scores)
    least = min(LEAST_COUNT, 0.5 * len(scores))
    if _count(weights) < least:
        power = 0.5
        for _ in range(10):
            step *= 0.5
            power += step if _count(np.exp(power * scores)) >= least else -step
        weights = np.exp(power * scores)
    return np.asarray(weights / weights.sum())


def _count(weights: Floats) -> float:
    return float(weights.sum() ** 2 / np.square(weights).sum())


def quantile(values: Floats, weights: Floats, part: float) -> float:
    """The value below which so much of the weight lies: from the nearer end, so that neither is lost to rounding."""
    order = np.argsort(values, kind="stable")
    if part >= 0.5:
        order = order[::-1]
        part = 1.0 - part
    reached = np.cumsum(weights[order])
    return float(values[order[min(int(np.searchsorted(reached, part)), len(order) - 1)]])
