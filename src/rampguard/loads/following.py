"""Samples of a load model on the way along the ramp: what each may draw now, and what the readings say of each.

Both the expected band and the causes follow samples like this.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.model import Drawn, Model, State, chosen
from rampguard.loads.rectifier import Floats
from rampguard.loads.uncertainty import combined, standard
from rampguard.quantities import LINE_WINDOW_S

MODEL_ERROR: Final = 0.10
"""A sample may be off by so much though its parameters are the unit's: what the closed forms leave out."""
NEAR_ZERO: Final = 0.002
"""Part of nameplate current or power below which nothing is told from nothing."""
DOSE_PER_S: Final = 2.0
"""So many independent readings a second at most, for meters that settle in half a second."""
WORST: Final = 3.0
"""No reading speaks against a sample more than a deviation of so many sigmas does."""
TURN_COST: Final = 0.5
"""A sample that has to start or stop loses so much log-weight."""
COME_COST: Final = 4.0
"""...and so much more where it is a fault that comes: it might have come at any other moment of a ramp as well."""
ROUGH_ERROR: Final = 0.3
"""Whether the class fits at all is asked with so much allowed: its best sample need not be the unit's twin."""
WINDOW_S: Final = LINE_WINDOW_S
"""What a meter averages over at least; a charge may fall into one window..."""
BURST_S: Final = 0.02
"""...within one cycle of it."""
MOVED: Final = 0.002
"""Line voltage moves when it changes by more than this part of nameplate voltage between two readings."""
EVALUATED_FROM: Final = 0.01
"""Below this part of line voltage nothing is expected."""
REFRESH_S: Final = 0.08
"""Readings closer together than this share a band while the line is still."""
FORGOTTEN_S: Final = 20.0
"""Time constant with which readings are forgotten."""
EVENT_S: Final = 1.0
"""For so long an expected event explains a jump, and an inrush tells nothing of what comes after it."""
LONGEST_S: Final = 30.0
"""A gap between readings counts as this long at most."""

Bools = NDArray[np.bool_]
Before = tuple[float, float, float]
"""Time, voltage (part of nameplate voltage) and its move, of an earlier reading."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Sight:
    """What is seen at one moment: seconds, volts rms, amperes rms, watts; None where there is no reading.

    The bounds are the meters' accuracy. ``event`` says that power has just been pressed. ``current_up_a`` and
    ``current_down_a`` are the peaks of the current while line voltage is positive, and negative, both as positive
    numbers, of the cycle that ``line_current_a`` is of; no load model asks for them.
    """

    time_s: float
    line_voltage_v: float | None
    line_current_a: float | None = None
    real_power_w: float | None = None
    voltage_bound_v: float = 0.0
    current_bound_a: float = 0.0
    power_bound_w: float = 0.0
    event: bool = False
    current_up_a: float | None = None
    current_down_a: float | None = None


@dataclass(frozen=True, slots=True)
class Way:
    """One way samples may go at this reading: on as they are, or having started or stopped."""

    open_to: Bools | np.bool_
    state: State
    low: Drawn
    high: Drawn


@dataclass(frozen=True, slots=True)
class Pace:
    """How the line goes to a reading: where it is (part of nameplate voltage), how long it took, how far it moved.

    ``reach`` is how far it moved in this or the reading before.
    """

    v: float
    seconds: float
    moved_by: float
    reach: float

    @property
    def still(self) -> bool:
        """Whether the line stood still."""
        return abs(self.moved_by) <= MOVED

    def repeats(self, sight: Sight) -> bool:
        """Whether a reading says what the one just before it did: so soon after, and the line still."""
        return self.still and self.seconds < REFRESH_S and not sight.event

    def since(self, before: Before | None, time_s: float) -> Pace:
        """From an earlier reading on, though there was one between; a meter is no further behind for that."""
        if before is None:
            return self
        return replace(self, seconds=min(max(time_s - before[0], 1e-3), LONGEST_S), moved_by=self.v - before[1])

    def dose(self, sight: Sight, event_until_s: float, evaluated_from: float = EVALUATED_FROM) -> float:
        """For how many independent readings this one counts; an inrush tells nothing of what comes after it."""
        if self.v < evaluated_from or sight.time_s <= event_until_s or sight.line_current_a is None:
            return 0.0
        return min(1.0, self.seconds * DOSE_PER_S) * (1.0 if self.still else 0.5)


def paced(line_voltage_v: float, nameplate_v: float, time_s: float, before: Before | None) -> Pace:
    """The pace to a reading from the one before, if any."""
    v = max(0.0, line_voltage_v / nameplate_v)
    if before is None:
        return Pace(v, WINDOW_S, 0.0, 0.0)
    before_s, before_v, moved_before = before
    seconds = min(time_s - before_s, LONGEST_S)
    # Two readings at once: the later one is of the same moment.
    return Pace(v, seconds if seconds > 0.0 else 1e-3, v - before_v, max(abs(v - before_v), abs(moved_before)))


class Following:
    """How samples of one model go along with the readings. Volts rms, watts of the nameplate."""

    def __init__(
        self, model: Model, *, nameplate_v: float, nameplate_w: float, worst: float = WORST, error: float = MODEL_ERROR
    ) -> None:
        self.model = model
        self._amperes = nameplate_w / nameplate_v
        self._watts = nameplate_w
        self._worst = worst
        self._error = error

    def ways(self, samples: State, pace: Pace, *, event: bool) -> list[Way]:
        """What each sample may draw now, as it is and (where its model says that it may) having started or stopped."""
        begun: list[tuple[Bools | np.bool_, State]] = [(np.True_, samples)]
        turned = self.model.turned(samples, pace.v)
        if turned is not None:
            begun.append(turned)
        return [self._way(mask, starts, pace, event=event) for mask, starts in begun]

    def _way(self, mask: Bools | np.bool_, starts: State, pace: Pace, *, event: bool) -> Way:
        after, now = self.model.step(starts, pace.v, pace.seconds, event=event)
        if pace.reach <= MOVED:
            return Way(mask, after, now, now)
        # Meters of voltage and current need not average over the same moment: either may be a reading behind.
        lowest, highest = max(0.0, pace.v - pace.reach), pace.v + pace.reach
        _, later = self.model.step(after, lowest, WINDOW_S, event=False)
        _, burst = self.model.step(starts, highest, BURST_S, event=event)
        settled = _each(np.maximum, now, later)
        return Way(mask, after, _each(np.minimum, now, later), _each(np.maximum, settled, _in_window(burst, settled)))

    def follow(self, samples: State, pace: Pace, sight: Sight, worth: Bools) -> tuple[State, Floats]:
        """The samples after a reading, each having gone the way that speaks less against it; and what is said then.

        Whether to start or stop is asked only where a sample that is ``worth`` it could want to: the second way costs
        as much as the first.
        """
        first = self._way(np.True_, samples, pace, event=sight.event)
        (said,) = self._against(sight, first, self._error)
        turned = self.model.turned(samples, pace.v)
        if turned is None or not np.any(turned[0] & worth & (said > TURN_COST)):
            return first.state, said
        second = self._way(*turned, pace, event=sight.event)
        (then,) = self._against(sight, second, self._error)
        chose, against = _better(said, then, second.open_to, _cost(samples, turned[1]))
        return taken([first, second], chose), against

    def choose(self, sight: Sight, ways: list[Way]) -> tuple[Bools, Floats, Floats]:
        """Each sample goes the way that the readings speak less against: whether the second; what they say then.

        What they say, finely (by `MODEL_ERROR`) and roughly (by `ROUGH_ERROR`).
        """
        finely, roughly = zip(*(self._against(sight, way, self._error, ROUGH_ERROR) for way in ways), strict=True)
        if len(ways) == 1:
            return np.zeros_like(finely[0], dtype=np.bool_), finely[0], roughly[0]
        chose, against = _better(finely[0], finely[1], ways[1].open_to)
        return chose, against, np.where(chose, roughly[1], roughly[0])

    def deviations(self, sight: Sight, way: Way) -> tuple[Floats | None, Floats | None]:
        """By how much current and power are off what each sample may draw, in the logarithm; None: no reading."""
        low, high = way.low, way.high
        return (
            _deviation(sight.line_current_a, sight.current_bound_a, self._amperes, low.current, high.current),
            _deviation(sight.real_power_w, sight.power_bound_w, self._watts, low.power, high.power),
        )

    def _against(self, sight: Sight, way: Way, *errors: float) -> tuple[Floats, ...]:
        """What the readings say against each sample: half of squared sigmas, no more than so many at worst.

        By each of the errors that a sample may be off by.
        """
        values = (
            (sight.line_current_a, sight.current_bound_a, 1.0),
            (sight.real_power_w, sight.power_bound_w, 2.0),
        )
        met = [
            (np.abs(away), _relative(sight, value or 0.0, bound, exponent))
            for away, (value, bound, exponent) in zip(self.deviations(sight, way), values, strict=True)
            if away is not None
        ]
        nothing = np.zeros_like(way.low.current)
        return tuple(sum((self._sigmas(away, error, own) for away, own in met), nothing) for error in errors)

    def _sigmas(self, away: Floats, error: float, own: float) -> Floats:
        most = np.minimum(away * (np.sqrt(0.5) / combined((1.0, 1.0), (error, own))), np.sqrt(0.5) * self._worst)
        return np.asarray(most * most)


def _cost(before: State, turned: State) -> Floats | float:
    """What each sample loses by turning."""
    if "faulted" not in before:
        return TURN_COST
    return np.asarray(TURN_COST + COME_COST * (turned["faulted"] - before["faulted"]))


def _better(
    first: Floats, second: Floats, open_to: Bools | np.bool_, cost: Floats | float = TURN_COST
) -> tuple[Bools, Floats]:
    """Where the second way is open and better; and what is then said."""
    chose = np.asarray(open_to & (second + cost < first))
    return chose, np.where(chose, second + cost, first)


def _deviation(value: float | None, bound: float, unit: float, low: Floats, high: Floats) -> Floats | None:
    """By how much a reading is above (or below) all that each sample may draw, in the logarithm; None: no reading.

    What the meter cannot tell from nothing is no deviation.
    """
    if value is None:
        return None
    near = NEAR_ZERO + bound / unit
    read = max(value, 0.0) / unit + near
    return np.asarray(np.log(read / np.minimum(np.maximum(low + near, read), high + near)))


def _relative(sight: Sight, value: float, bound: float, exponent: float) -> float:
    """The meters' part of a deviation's standard uncertainty: of the reading, and of line voltage.

    What is drawn goes about as line voltage to the ``exponent``.
    """
    volts = max(sight.line_voltage_v or 0.0, 1e-9)
    own = standard(bound) / max(value, bound, 1e-12)
    return combined((1.0, exponent), (own, standard(min(sight.voltage_bound_v, volts)) / volts))


def taken(ways: list[Way], chose: Bools) -> State:
    """The samples' state after the ways they chose."""
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
