"""A series lamp ahead of any class: a filament that takes its share of the line, and brightens as the unit draws.

With u the unit's voltage, i its current, P its power and R the filament's resistance, the line's mean square is
u^2 + 2 R P + R^2 i^2, exactly, since R i is in phase with i at every moment. That the unit's voltage is then no sine
is left out; the band behind a lamp is widened for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads import filament
from rampguard.loads.model import Drawn, Model, State, Volts
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import Floats

LAMP: Final = {
    "lamp_rated": Range(0.9, 1.1, f"power of the lamp, of what it is marked with; {COMMON}"),
    "lamp_mass_s": Range(0.03, 0.30, f"time in which rated power would heat it; {COMMON}", log=True),
    "lamp_conducted": Range(0.0, 0.12, f"part of its loss along leads and gas; {COMMON}"),
}
"""The lamp's own parameters."""
ROUNDS: Final = 5
MARGIN: Final = 0.3
"""What the band behind a lamp allows for a unit whose voltage is no sine."""


class BehindLamp:
    """A model's samples, each behind its own series lamp. ``lamp_part`` is lamp watts over nameplate watts."""

    ranges: ClassVar[Mapping[str, Range]] = LAMP

    def __init__(self, model: Model, values: Mapping[str, Floats], lamp_part: float) -> None:
        self._model = model
        self._p = values
        self._hot_ohm = 1.0 / (lamp_part * values["lamp_rated"])

    def rest(self) -> State:
        """See `Model.rest`. ``lamp_t`` is the filament's temperature, ``share`` the unit's part of the line."""
        cold = np.full_like(self._hot_ohm, filament.COLD)
        return {**self._model.rest(), "lamp_t": cold, "share": np.ones_like(cold)}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p, t = self._p, state["lamp_t"]
        inner, share = self._inner(state), state["share"]
        after, drawn = inner, Drawn(np.zeros_like(t), np.zeros_like(t))
        ohm = self._hot_ohm * filament.resistance(t)
        low, high = np.zeros_like(t), np.ones_like(t)
        for _ in range(ROUNDS):
            # The line that this share would need is more than there is, or less: close in on it from both sides.
            after, drawn = self._model.step(inner, share * v, seconds, event=event)
            needed = np.sqrt((share * v) ** 2 + 2.0 * ohm * drawn.power + (ohm * drawn.current) ** 2)
            too_much = needed > v
            high, low = np.where(too_much, share, high), np.where(too_much, low, share)
            guess = share * v / np.maximum(needed, 1e-9)
            inside = (guess > low) & (guess < high)
            share = np.where(inside, guess, 0.5 * (low + high))
        drawn = _by_the_lamp(drawn, share * v, v, ohm)
        dropped = ohm * drawn.current
        t = filament.warm(t, dropped**2, seconds, p["lamp_mass_s"], p["lamp_conducted"])
        at_line = Drawn(drawn.current, drawn.power + ohm * drawn.current**2)
        return {**after, "lamp_t": t, "share": share}, at_line

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`, at the voltage that is left for the unit."""
        found = self._model.turned(self._inner(state), v * float(np.median(state["share"])))
        if found is None:
            return None
        return found[0], {**found[1], "lamp_t": state["lamp_t"], "share": state["share"]}

    @staticmethod
    def _inner(state: State) -> State:
        return {name: value for name, value in state.items() if name not in ("lamp_t", "share")}


def _by_the_lamp(drawn: Drawn, u: Volts, v: Volts, ohm: Floats) -> Drawn:
    """What flows by the lamp, which has to drop the rest of the line, at the unit's own power factor.

    A rectifier's current goes steeply with its voltage, a lamp's does not: what is left of the search's error in the
    share matters less this way.
    """
    factor = np.clip(drawn.power / np.maximum(u * drawn.current, 1e-12), 0.0, 1.0)
    in_phase = factor * u
    current = (np.sqrt(in_phase**2 + np.maximum(np.square(v) - np.square(u), 0.0)) - in_phase) / ohm
    return Drawn(current, factor * u * current)
