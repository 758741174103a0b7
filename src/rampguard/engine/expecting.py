"""Brings the expected band and the causes along with the observations: of a live run, and of a replay alike."""

from __future__ import annotations

from dataclasses import replace
from typing import Final

from rampguard.guard.decision import Observation
from rampguard.loads.band import BandState
from rampguard.loads.basis import Basis
from rampguard.loads.causes import CausesState
from rampguard.loads.following import Sight
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Expectation

OVERRAN: Final = "the expected band took too long to work out"
"""Why a moment was not evaluated at which the computer was too slow; a replay keeps to it."""


class Expecting:
    """The band of one run."""

    def __init__(self, basis: Basis) -> None:
        self._band = basis.band()
        self._state: BandState = self._band.begin()
        self._causes = basis.causes()
        self._followed: CausesState = self._causes.begin()
        self._sights = Sights()

    def expect(self, observation: Observation) -> Expectation | None:
        """What was expected of an observation; None where it holds no reading of current or power to expect."""
        sight = self._sights.of(observation)
        if sight is None:
            return None
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
    """Observations as a band sees them: beside the newest line voltage, and an event with the reading after it."""

    def __init__(self) -> None:
        self._line_voltage_v: float | None = None
        self._voltage_bound_v = 0.0
        self._event = False

    def of(self, observation: Observation) -> Sight | None:
        """One observation's; None where it holds no reading of current or power."""
        self._event = self._event or bool(observation.expected_event)
        values = {r.signal: r for r in observation.readings if r.value is not None}
        if LINE_VOLTAGE in values:
            self._line_voltage_v = values[LINE_VOLTAGE].value
            self._voltage_bound_v = values[LINE_VOLTAGE].bound
        current, power = values.get(LINE_CURRENT), values.get(REAL_POWER)
        if current is None and power is None:
            return None
        event, self._event = self._event, False
        return Sight(
            time_s=observation.time_s,
            line_voltage_v=self._line_voltage_v,
            line_current_a=None if current is None else current.value,
            real_power_w=None if power is None else power.value,
            voltage_bound_v=self._voltage_bound_v,
            current_bound_a=0.0 if current is None else current.bound,
            power_bound_w=0.0 if power is None else power.bound,
            event=event,
        )
