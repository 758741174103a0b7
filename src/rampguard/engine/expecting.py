"""Brings the expected band and the causes along with the observations: of a live run, and of a replay alike."""

from __future__ import annotations

from dataclasses import dataclass, replace
from typing import Final

from rampguard.guard.decision import Observation
from rampguard.loads.band import BandState
from rampguard.loads.basis import Basis
from rampguard.loads.causes import CausesState
from rampguard.loads.following import Sight
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Expectation, Reading, Signal

OVERRAN: Final = "the expected band took too long to work out"
"""Why a moment was not evaluated at which the computer was too slow; a replay keeps to it."""


@dataclass(frozen=True, slots=True)
class Seen:
    """What layers 2 and 3 judge at one moment: readings of current and power, and the line voltage that goes with them.

    ``observation`` is the guard's, ``sight`` the load models'.
    """

    observation: Observation
    sight: Sight


class Expecting:
    """The band of one run."""

    def __init__(self, basis: Basis) -> None:
        self._band = basis.band()
        self._state: BandState = self._band.begin()
        self._causes = basis.causes()
        self._followed: CausesState = self._causes.begin()

    def expect(self, sight: Sight) -> Expectation:
        """What was expected of one sight."""
        self._state, expectation = self._band.step(self._state, sight)
        self._followed, told = self._causes.step(self._followed, sight, matters=_outside(expectation, sight))
        return replace(expectation, told=told)


def _outside(expectation: Expectation, sight: Sight) -> bool:
    """Whether a reading is outside the band; what is within says little more than the one just before it."""
    pairs = ((expectation.current_a, sight.line_current_a), (expectation.power_w, sight.real_power_w))
    return any(
        bounds is not None and value is not None and not bounds.low <= value <= bounds.high for bounds, value in pairs
    )


class Sights:
    """Observations as layers 2 and 3 see them: an event with the reading after it, and current with its line voltage.

    A reading of current or power that came without line voltage waits for the next one of line voltage: while a
    voltmeter changes range, a hand can turn the knob far. Between the two readings of line voltage around it the line
    was where they say, and as far as it moved from one to the other is what the load models allow for.
    """

    def __init__(self) -> None:
        self._waiting: dict[Signal, Reading] = {}
        self._event = False

    def of(self, observation: Observation) -> Seen | None:
        """What is to be judged now; None where nothing is, or where it waits for a line voltage."""
        self._event = self._event or bool(observation.expected_event)
        values = {r.signal: r for r in observation.readings if r.value is not None}
        self._waiting |= {signal: values[signal] for signal in (LINE_CURRENT, REAL_POWER) if signal in values}
        volts = values.get(LINE_VOLTAGE)
        if volts is None or not self._waiting:
            return None
        drawn, self._waiting = self._waiting, {}
        event, self._event = self._event, False
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
        )
        return Seen(replace(observation, readings=(volts, *drawn.values())), sight)
