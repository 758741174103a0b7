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
from numpy.typing import NDArray

from rampguard.loads.model import Drawn, Model, State, chosen
from rampguard.loads.rectifier import Floats
from rampguard.loads.uncertainty import combined, standard
from rampguard.quantities import Bounds, Expectation

SAMPLES: Final = 512
LEFT_OUT: Final = 1e-4
"""The band leaves out so much of the weight at either end."""
LEAST_COUNT: Final = 40.0
"""So many samples count at least (effective number)."""
MODEL_ERROR: Final = 0.10
"""A sample may be off by so much though its parameters are the unit's: what the closed forms leave out."""
NEAR_ZERO: Final = 0.002
"""Part of nameplate current or power below which nothing is told from nothing."""
DOSE_PER_S: Final = 2.0
"""So many independent readings a second at most, for meters that settle in half a second."""
CARRIED: Final = 0.7
"""A sample's own deviation is carried on to this part..."""
CARRIED_MOST: Final = 0.4
"""...and no more than this, of the logarithm of what it draws;"""
CARRIED_S: Final = 2.0
"""it is taken up with this time constant,"""
CARRIED_V: Final = 0.1
"""and fades over such a change of line voltage, of nameplate voltage."""
FORGOTTEN_S: Final = 20.0
"""Time constant with which readings are forgotten."""
WORST: Final = 3.0
"""No reading speaks against a sample more than a deviation of so many sigmas does."""
TURN_COST: Final = 0.5
"""A sample that has to start or stop loses so much log-weight."""
TURNS: Final = 0.03
"""So likely it is, at each reading, that a sample that may start or stop does."""
ROUGH_ERROR: Final = 0.3
"""Whether the class fits at all is asked with so much allowed: its best sample need not be the unit's twin."""
FIT_FROM: Final = 20.0
"""How well a class fits is told once it rests on so many independent readings."""
FIT_FROM_V: Final = 0.15
"""...from this part of line voltage on: below, thresholds and diodes decide more than the class does."""
WINDOW_S: Final = 0.1
"""What a meter averages over at least; a charge may fall into one window..."""
BURST_S: Final = 0.02
"""...within one cycle of it."""
MOVED: Final = 0.002
"""Line voltage moves when it changes by more than this part of nameplate voltage between two readings."""
EVALUATED_FROM: Final = 0.01
"""Below this part of line voltage nothing is expected."""
REFRESH_S: Final = 0.08
"""Readings closer together than this share a band while the line is still."""
LONGEST_S: Final = 30.0
"""A gap between readings counts as this long at most."""
EVENT_S: Final = 1.0
"""For so long an expected event explains a jump."""
EVENT_MARGIN: Final = 1.3
"""What an event may cost, of the dearest sample: the core's inrush comes on top of the reservoir's."""

Bools = NDArray[np.bool_]


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What is seen at one moment: seconds, volts rms, amperes rms, watts; None where there is no reading.

    The bounds are the meters' accuracy. ``event`` says that power has just been pressed.
    """

    time_s: float
    line_voltage_v: float | None
    line_current_a: float | None = None
    real_power_w: float | None = None
    voltage_bound_v: float = 0.0
    current_bound_a: float = 0.0
    power_bound_w: float = 0.0
    event: bool = False


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


@dataclass(frozen=True, slots=True)
class _Way:
    """One way samples may go at this reading: on as they are, or having started or stopped."""

    open_to: Bools
    state: State
    low: Drawn
    high: Drawn


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
        v = max(0.0, sight.line_voltage_v / self._volts)
        first = state.time_s is None
        seconds = WINDOW_S if state.time_s is None else min(sight.time_s - state.time_s, LONGEST_S)
        moved_by = 0.0 if first else v - state.v
        still = abs(moved_by) <= MOVED
        if not first and still and seconds < REFRESH_S and not sight.event:
            return state, state.expectation
        if seconds <= 0.0:  # two readings at once: the later one is of the same moment
            seconds = 1e-3
        ways = self._ways(state, v, seconds, moved_by, event=sight.event)
        weights = tempered(state.scores)
        state = self._spend(state, sight, seconds, weights)
        chose, against, roughly = self._choose(sight, ways)
        dose = self._dose(state, sight, seconds, still=still) if v >= EVALUATED_FROM else 0.0
        told = dose if v >= FIT_FROM_V else 0.0
        whole, readings = state.whole - told * roughly, state.readings + told
        fit = float(whole.max()) / readings if readings >= FIT_FROM else 0.0
        expectation = self._expectation(state, sight, v, ways, weights, fit)
        after = replace(
            state,
            samples=_taken(ways, chose),
            off=self._carry(state, sight, seconds, moved_by, ways, chose),
            scores=state.scores * float(np.exp(-seconds / FORGOTTEN_S)) - dose * against,
            whole=whole,
            readings=readings,
            time_s=sight.time_s,
            v=v,
            moved_by=moved_by,
            expectation=expectation,
        )
        return after, expectation

    # -- what the samples draw ----------------------------------------------------------------------------------

    def _ways(self, state: BandState, v: float, seconds: float, moved_by: float, *, event: bool) -> list[_Way]:
        whole = np.ones_like(state.scores, dtype=np.bool_)
        begun = [(whole, state.samples)]
        turned = self._model.turned(state.samples, v)
        if turned is not None:
            begun.append(turned)
        reach = max(abs(moved_by), abs(state.moved_by))
        moving = reach > MOVED
        # Meters of voltage and current need not average over the same moment: either may be a reading behind.
        lowest, highest = max(0.0, v - reach), v + reach
        ways = []
        for mask, samples in begun:
            after, now = self._model.step(samples, v, seconds, event=event)
            low = high = now
            if moving:
                _, later = self._model.step(after, lowest, WINDOW_S, event=False)
                _, burst = self._model.step(samples, highest, BURST_S, event=event)
                settled = _each(np.maximum, now, later)
                low, high = _each(np.minimum, now, later), _each(np.maximum, settled, _in_window(burst, settled))
            ways.append(_Way(mask, after, low, high))
        return ways

    def _expectation(
        self, state: BandState, sight: Sight, v: float, ways: list[_Way], weights: Floats, fit: float
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

    def _bounds(self, ways: list[tuple[Bools, Floats, Floats]], off: Floats, weights: Floats, unit: float) -> Bounds:
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

    # -- what the readings say ----------------------------------------------------------------------------------

    def _choose(self, sight: Sight, ways: list[_Way]) -> tuple[Bools, Floats, Floats]:
        """Each sample goes the way that the readings speak less against: whether the second; what they say then.

        What they say, finely (by `MODEL_ERROR`) and roughly (by `ROUGH_ERROR`).
        """
        best, roughly = self._against(sight, ways[0])
        if len(ways) == 1:
            return np.zeros_like(best, dtype=np.bool_), best, roughly
        other, other_roughly = self._against(sight, ways[1])
        chose = ways[1].open_to & (other + TURN_COST < best)
        return chose, np.where(chose, other + TURN_COST, best), np.where(chose, other_roughly, roughly)

    def _carry(
        self, state: BandState, sight: Sight, seconds: float, moved_by: float, ways: list[_Way], chose: Bools
    ) -> Drawn:
        """By how much each sample is off, for the next reading; nothing, of one that has just started or stopped."""
        if sight.time_s <= state.event_until_s:
            return Drawn(np.zeros_like(state.scores), np.zeros_like(state.scores))
        fades = float(np.exp(-abs(moved_by) / CARRIED_V))
        takes = 1.0 - float(np.exp(-seconds / CARRIED_S))
        low, high = ways[0].low, ways[0].high
        current = self._deviation(sight.line_current_a, sight.current_bound_a, self._amperes, low.current, high.current)
        power = self._deviation(sight.real_power_w, sight.power_bound_w, self._watts, low.power, high.power)
        carried = []
        for before, now in ((state.off.current, current), (state.off.power, power)):
            faded = fades * before
            taken = faded if now is None else faded + takes * (np.clip(now, -CARRIED_MOST, CARRIED_MOST) - faded)
            carried.append(np.where(chose, 0.0, taken))
        return Drawn(*carried)

    def _dose(self, state: BandState, sight: Sight, seconds: float, *, still: bool) -> float:
        """For how many independent readings this one counts; an inrush tells nothing of what comes after it."""
        if sight.time_s <= state.event_until_s or sight.line_current_a is None:
            return 0.0
        return min(1.0, seconds * DOSE_PER_S) * (1.0 if still else 0.5)

    def _against(self, sight: Sight, way: _Way) -> tuple[Floats, Floats]:
        """What the readings say against each sample: half of squared sigmas, no more than `WORST` allows."""
        against = np.zeros_like(way.low.current)
        roughly = against
        pairs = (
            (sight.line_current_a, sight.current_bound_a, self._amperes, way.low.current, way.high.current, 1.0),
            (sight.real_power_w, sight.power_bound_w, self._watts, way.low.power, way.high.power, 2.0),
        )
        for value, bound, unit, low, high, exponent in pairs:
            away = self._deviation(value, bound, unit, low, high)
            if away is not None:
                met = _relative(sight, value or 0.0, bound, exponent)
                finely, coarsely = combined((1.0, 1.0), (MODEL_ERROR, met)), combined((1.0, 1.0), (ROUGH_ERROR, met))
                against = against + 0.5 * np.square(np.minimum(np.abs(away) / finely, WORST))
                roughly = roughly + 0.5 * np.square(np.minimum(np.abs(away) / coarsely, WORST))
        return against, roughly

    @staticmethod
    def _deviation(value: float | None, bound: float, unit: float, low: Floats, high: Floats) -> Floats | None:
        """By how much a reading is above (or below) all that each sample may draw, in the logarithm; None: no reading.

        What the meter cannot tell from nothing is no deviation.
        """
        if value is None:
            return None
        near = NEAR_ZERO + bound / unit
        read = float(np.log(max(value, 0.0) / unit + near))
        return np.asarray(np.maximum(read - np.log(high + near), 0.0) - np.maximum(np.log(low + near) - read, 0.0))


def _relative(sight: Sight, value: float, bound: float, exponent: float) -> float:
    """The meters' part of a deviation's standard uncertainty: of the reading, and of line voltage.

    What is drawn goes about as line voltage to the ``exponent``.
    """
    volts = max(sight.line_voltage_v or 0.0, 1e-9)
    own = standard(bound) / max(value, bound, 1e-12)
    return combined((1.0, exponent), (own, standard(min(sight.voltage_bound_v, volts)) / volts))


def _taken(ways: list[_Way], chose: Bools) -> State:
    return ways[0].state if not chose.any() else chosen(chose, ways[1].state, ways[0].state)


def _each(choose: np.ufunc, one: Drawn, other: Drawn) -> Drawn:
    return Drawn(choose(one.current, other.current), choose(one.power, other.power))


def _in_window(burst: Drawn, settled: Drawn) -> Drawn:
    """What a meter makes of a burst within its window: squares of current add, and powers do."""
    part = BURST_S / WINDOW_S
    return Drawn(
        np.sqrt(part * burst.current**2 + (1.0 - part) * settled.current**2),
        part * burst.power + (1.0 - part) * settled.power,
    )


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
