"""Brings the expected band and the causes along with the observations: of a live run, and of a replay alike."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

import numpy as np

from rampguard.guard.decision import DRIVEN, POWER_PRESSED, TOUCHED, Observation
from rampguard.guard.windows import cycles_in_window, taken_together
from rampguard.loads.band import BandState
from rampguard.loads.basis import Basis
from rampguard.loads.causes import CausesState
from rampguard.loads.following import Sight
from rampguard.loads.model import Drawn, chosen
from rampguard.loads.shapes import ShapesState
from rampguard.loads.trial import Crowd
from rampguard.quantities import (
    LINE_CURRENT,
    LINE_CURRENT_DOWN,
    LINE_CURRENT_UP,
    LINE_VOLTAGE,
    LINE_WINDOW_S,
    REAL_POWER,
    SHAPE_QUANTITIES,
    Expectation,
    Quantity,
    Reading,
    Signal,
)

OVERRAN: Final = "the expected band took too long to work out"
"""Why a moment was not evaluated at which the computer was too slow; a replay keeps to it."""

MEANS: Final = frozenset({*SHAPE_QUANTITIES, Quantity.LINE_VOLTAGE, Quantity.LINE_CURRENT, Quantity.REAL_POWER})
"""What is taken together over some cycles."""
STAYS: Final = 0.05
"""Line voltage stays where it is within this part of nameplate voltage."""
SETTLES_IN: Final = 20
"""In so many steps samples are brought to where they would be after a time at one line voltage."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What layers 2 and 3 judge at one moment: readings of current and power, and the line voltage that goes with them.

    ``observation`` is the guard's, ``sight`` the load models'.
    """

    observation: Observation
    sight: Sight
    touched: bool = False
    """Whether somebody has touched what sets the unit's idle since what was seen before."""


class Expecting:
    """The band of one run."""

    def __init__(self, basis: Basis) -> None:
        self._volts = basis.nameplate_v
        self._band = basis.band()
        self._state: BandState = self._band.begin()
        self._causes = basis.causes()
        self._followed: CausesState = self._causes.begin()
        self._shapes = basis.shapes()
        self._shaped = ShapesState()
        self._there = (0.0, 0.0)
        self._pressed = False
        self._touched = False

    def expect(self, seen: Seen) -> Expectation:
        """What was expected of what is seen now.

        While somebody has hold of what sets the unit's idle, the band is as wide as its class; of causes nothing is
        told, and from then on only by what is read after it.
        """
        sight = seen.sight
        self._note(sight)
        self._shaped, shape = self._shapes.step(self._shaped, sight)
        if seen.touched:
            nothing = np.zeros_like(self._state.scores)
            self._state = replace(self._state, scores=nothing, whole=nothing, off=Drawn(nothing, nothing), readings=0.0)
        elif self._touched:
            self._followed = replace(self._followed, crowd=self._crowd_anew(sight))
        self._touched = seen.touched
        self._state, expectation = self._band.step(self._state, sight)
        if seen.touched:
            return expectation
        self._followed, told = self._causes.step(self._followed, sight, matters=_outside(expectation, sight))
        if shape is not None:  # the newest cycle's, whether or not the causes are told of it
            told = replace(told, wave=shape[0], shape=shape[1])
        return replace(expectation, told=told)

    def _note(self, sight: Sight) -> None:
        """Since when line voltage is where it is, and whether power was pressed."""
        volts = sight.line_voltage_v or 0.0
        if abs(volts - self._there[1]) > STAYS * self._volts:
            self._there = (sight.time_s, volts)
        self._pressed = self._pressed or sight.event

    def _crowd_anew(self, sight: Sight) -> Crowd:
        """All samples of the class, as they are after so long at this line voltage: those so far had another idle."""
        crowd = self._causes.begin().crowd
        model, v = crowd.following.model, (sight.line_voltage_v or 0.0) / self._volts
        samples, seconds = crowd.samples, (sight.time_s - self._there[0]) / SETTLES_IN
        for n in range(SETTLES_IN):
            samples, _ = model.step(samples, v, seconds, event=n == 0 and self._pressed)
        turned = model.turned(samples, v)
        if turned is not None:  # whatever pulls in or starts has done so; no fault comes by that
            mask, after = turned
            samples = chosen(
                mask, {name: samples[name] if name == "faulted" else after[name] for name in after}, samples
            )
        return replace(crowd, samples=samples)


def _outside(expectation: Expectation, sight: Sight) -> bool:
    """Whether a reading is outside the band; what is within says little more than the one just before it."""
    pairs = ((expectation.current_a, sight.line_current_a), (expectation.power_w, sight.real_power_w))
    return any(
        bounds is not None and value is not None and not bounds.low <= value <= bounds.high for bounds, value in pairs
    )


class Gathered:
    """Cycles of the line on their way to making up a window of ``count``."""

    def __init__(self, count: int) -> None:
        self._count = count
        self._rows: list[dict[Signal, Reading]] = []
        self._event = ""

    def with_observation(self, observation: Observation, *, at_once: bool) -> Observation | None:
        """The observation that the newest cycles make together, once they are enough; as it is where it has none."""
        if observation.expected_event not in ("", self._event):  # one that lasts comes with each observation
            self._rows, self._event = [], observation.expected_event
        row = {r.signal: r for r in observation.readings if r.value is not None and r.signal.quantity in MEANS}
        if row:
            self._rows.append(row)
        if not self._rows or (len(self._rows) < self._count and not (at_once and row)):
            return None
        # What a cycle tripped on is told by itself: those before it may be of a unit that was whole.
        rows, self._rows = self._rows[-1:] if at_once else self._rows, []
        event, self._event = self._event, ""
        return replace(observation, readings=_together(rows), expected_event=event)


def _together(rows: list[dict[Signal, Reading]]) -> tuple[Reading, ...]:
    """Each signal over some cycles."""
    readings = []
    for signal in dict.fromkeys(signal for row in rows for signal in row):
        found = [row[signal] for row in rows if signal in row]
        value = taken_together([reading.value or 0.0 for reading in found], signal)
        readings.append(replace(found[-1], value=value, bound=max(reading.bound for reading in found)))
    return tuple(readings)


class Sights:
    """Observations as layers 2 and 3 see them: an event with the reading after it, and current with its line voltage.

    A reading of current or power that came without line voltage waits for the next one of line voltage: while a
    voltmeter changes range, a hand can turn the knob far. Between the two readings of line voltage around it the line
    was where they say, and as far as it moved from one to the other is what the load models allow for.

    Readings of a cycle each (``line_window_s``) are taken together until they make up the 0.1 s that the load models
    are made for: one cycle in five may hold all of what a reservoir takes. What was read before power was pressed is
    not mixed with what is read after it; and what layer 1 has tripped on is judged at once.
    """

    def __init__(self, line_window_s: float = LINE_WINDOW_S) -> None:
        count = cycles_in_window(line_window_s)
        self._gathered = Gathered(count) if count > 1 else None
        self._waiting: dict[Signal, Reading] = {}
        self._peaks: tuple[float | None, float | None] = (None, None)
        self._event = False
        self._touched = False

    def of(self, observation: Observation, *, tripped: bool = False) -> Seen | None:
        """What is to be judged now; None where nothing is, or where it waits for a line voltage, or more cycles.

        ``tripped`` says that layer 1 has just tripped on it.
        """
        if self._gathered is not None:
            gathered = self._gathered.with_observation(observation, at_once=tripped)
            if gathered is None:
                return None
            observation = gathered
        self._event = self._event or observation.expected_event == POWER_PRESSED
        self._touched = self._touched or observation.expected_event in (TOUCHED, DRIVEN)
        if observation.expected_event == DRIVEN:  # the load models idle
            self._waiting.clear()
            return None
        values = {r.signal: r for r in observation.readings if r.value is not None}
        self._waiting |= {signal: values[signal] for signal in (LINE_CURRENT, REAL_POWER) if signal in values}
        if LINE_CURRENT in values:  # peaks are of the cycle of the current they come with, or of none
            up, down = values.get(LINE_CURRENT_UP), values.get(LINE_CURRENT_DOWN)
            self._peaks = (None if up is None else up.value, None if down is None else down.value)
        volts = values.get(LINE_VOLTAGE)
        if volts is None or not self._waiting:
            return None
        drawn, self._waiting = self._waiting, {}
        event, self._event = self._event, False
        touched, self._touched = self._touched, False
        current, power = drawn.get(LINE_CURRENT), drawn.get(REAL_POWER)
        sight = Sight(
            time_s=observation.time_s,
            line_voltage_v=volts.value,
            line_current_a=None if current is None else current.value,
            real_power_w=None if power is None else power.value,
            voltage_bound_v=volts.bound,
            current_bound_a=0.0 if current is None else current.bound,
            power_bound_w=0.0 if power is None else power.bound,
            event=event,
            current_up_a=None if current is None else self._peaks[0],
            current_down_a=None if current is None else self._peaks[1],
        )
        return Seen(replace(observation, readings=(volts, *drawn.values())), sight, touched)
