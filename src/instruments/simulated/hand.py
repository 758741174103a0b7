"""A hand at the knob of the simulated variac: it goes where it is told as hands go, by jerks, pauses and a little back.

Common practice, no source: how people turn a variac.
"""

from __future__ import annotations

import math
import random
from typing import Final

from instruments.simulated.scpi_server import ScpiInstrument, number
from instruments.simulated.world import WINDOW_S, World

PACE_FRACTION_PER_S: Final = 0.015
"""The hand's usual pace, of mains a second."""
PACES: Final = (0.0, 0.5, 1.0, 1.3, 1.6)
"""Times its usual pace; a pause among them."""
PACE_LASTS_S: Final = 0.5
OVERSHOOT_FRACTION: Final = 0.008
"""It stops within this part of mains of where it should."""
REACTION_S: Final = (0.5, 1.2)
"""From being told to switch off to having done so."""
BACK_FRACTION_PER_S: Final = 0.25
MOST_FRACTION: Final = 1.15
"""A variac goes to some 15 % above mains."""


class Hand:
    """A hand at the knob. Volts rms, seconds of bench time. Moves once a window of the bench's."""

    def __init__(self, world: World, seed: int) -> None:
        self._world = world
        self._random = random.Random(f"hand {seed}")  # noqa: S311 - no secret
        self._target_v = 0.0
        self._pace = 1.0
        self._pace_until_s = 0.0
        self._switches_off_s: float | None = None
        world.each_window = self.move

    def get_ready(self, volts: float) -> None:
        """The supply is switched on, and the knob stands there, before the contactor is closed."""
        self._switches_off_s, self._target_v = None, volts
        self._world.set_voltage(volts)
        self._world.set_output(on=True)

    def to(self, volts: float) -> None:
        """Go there. At zero: switch off, then turn back."""
        if volts == 0.0:
            if self._switches_off_s is None and self._world.set_voltage_v > 0.0:
                self._switches_off_s = self._world.now_s + self._random.uniform(*REACTION_S)
        elif self._world.output_on:
            off_by = self._random.uniform(-OVERSHOOT_FRACTION, OVERSHOOT_FRACTION)
            self._target_v = max(0.0, min(volts + off_by * self._world.mains_v, MOST_FRACTION * self._world.mains_v))

    def by(self, volts: float) -> None:
        """Turn by so much, at once."""
        most_v = MOST_FRACTION * self._world.mains_v
        self._target_v = max(0.0, min(self._world.set_voltage_v + volts, most_v))
        self._world.set_voltage(self._target_v)

    def move(self) -> None:
        """One window's turning."""
        world, now_s = self._world, self._world.now_s
        if self._switches_off_s is not None:
            if now_s < self._switches_off_s:
                return
            world.set_output(on=False)
            self._turn(0.0, BACK_FRACTION_PER_S)
            return
        if now_s >= self._pace_until_s:
            self._pace, self._pace_until_s = self._random.choice(PACES), now_s + PACE_LASTS_S
        self._turn(self._target_v, self._pace * PACE_FRACTION_PER_S)

    def _turn(self, target_v: float, fraction_per_s: float) -> None:
        away_v = target_v - self._world.set_voltage_v
        most_v = fraction_per_s * self._world.mains_v * WINDOW_S
        if away_v and most_v:
            moved_v = away_v if abs(away_v) <= most_v else math.copysign(most_v, away_v)
            self._world.set_voltage(self._world.set_voltage_v + moved_v)


def knob(world: World, seed: int) -> ScpiInstrument:
    """The hand as a server of its own: no instrument, and no way off."""
    hand = Hand(world, seed)
    scpi = ScpiInstrument("SIMULATED,HAND,0,1", world.lock)
    scpi.add("HAND:READY", lambda text: hand.get_ready(number(text, 0.0, 400.0)))
    scpi.add("HAND:TO", lambda text: hand.to(number(text, 0.0, 400.0)))
    scpi.add("HAND:BY", lambda text: hand.by(number(text, -400.0, 400.0)))
    return scpi
