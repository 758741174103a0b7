"""Samples of a class brought along a ramp's moments: what each draws there, and where it ends.

The parts are those of the expected band: core, rectifier, reservoir, stages. What there only may happen by itself is a
parameter here: a soft start's relay pulls in at one point of the ramp, a speaker relay's coil begins to draw at
another, and each sample has its own.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.estimates.moments import Moment
from rampguard.loads.families import FAMILIES
from rampguard.loads.following import NEAR_ZERO
from rampguard.loads.model import Drawn, State
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import Floats
from rampguard.loads.supply import BYPASS_FROM, BYPASS_TO, Rectified, Stages
from rampguard.loads.winding import raised

CLASSES: Final = ("linear-amplifier", "receiver")
"""The load classes of which something can be told."""
BYPASS: Final = Range(BYPASS_FROM, BYPASS_TO, "where a soft start's relay pulls in, see `loads.supply`")
COIL: Final = Range(0.0, 0.12, f"a speaker relay's coil, of the power taken from the rails at idle; {COMMON}")
COIL_FROM: Final = Range(0.3, 1.02, f"how far on the ramp is when it draws: rails half up, and seconds later; {COMMON}")
INSTANT_S: Final = 1e-3
"""In which nothing warms."""
SOFT_ONLY: Final = ("soft_ohm", "bypass_at")
"""Parameters that only a unit with a soft start has."""


def ranges_of(load_class: str) -> dict[str, Range]:
    """The parameters that are looked for, and their ranges: of the class, by nothing but its name.

    A receiver's soft start is over within a second of its power button, in which nothing is compared: it has none here.
    """
    ranges = {name: item for name, item in FAMILIES[load_class].ranges.items() if name != "soft_share"}
    ranges |= {"coil": COIL, "coil_at": COIL_FROM, "bypass_at": BYPASS}
    if load_class == "receiver":
        return {name: item for name, item in ranges.items() if name not in SOFT_ONLY}
    return ranges


@dataclass(frozen=True, slots=True)
class Way:
    """What samples drew, and how they ended; in terms of the nameplate.

    ``current`` and ``power`` are logarithms, shape (moments, samples), of what is compared alone, with `NEAR_ZERO`
    added so that nothing has a logarithm, too. The rest is of shape (samples,): the reservoir's voltage, what is taken
    from it, and of that what the output stages take.
    """

    current: Floats
    power: Floats
    held: Floats
    taken: Floats
    by_output: Floats


class _Unit:
    """One class's samples."""

    def __init__(self, load_class: str, values: Mapping[str, Floats], soft: Floats) -> None:
        self._p = values
        self._standby = load_class == "receiver"
        self._supply = Rectified(values)
        full = self._supply.full
        self._stages = Stages(values, full, self._supply.trouble)
        self._small = Stages({**values, "biased": np.zeros_like(full)}, full, self._supply.trouble)
        self._soft_ohm = soft * values["soft_ohm"] if "soft_ohm" in values else np.zeros_like(soft)
        self._bypass_at = values.get("bypass_at", np.zeros_like(soft))
        self._coil = values["coil"] * values["idle"] / full
        self.on = not self._standby
        """Whether the main supply is connected."""

    def rest(self) -> State:
        """Cold, empty, off."""
        return {**self._supply.rest(), **self._stages.rest()}

    def step(self, state: State, v: float, seconds: float, progress: float) -> tuple[State, Drawn]:
        """As `Model.step`, with the relays as they are when the ramp is so far on."""
        if not self.on:
            nothing = np.zeros_like(self._coil)
            return state, self._beside(Drawn(nothing, nothing), v)
        after, take = self.taken(state, seconds, progress)
        soft = np.where(progress >= self._bypass_at, 0.0, self._soft_ohm)
        held, drawn = self._supply.step(state, v, seconds, take, self._stages.per_v, soft)
        return {**after, "held": held}, self._beside(drawn, v)

    def taken(self, state: State, seconds: float, progress: float) -> tuple[State, Floats]:
        """The state then, and what is taken, besides what goes with the rails."""
        after, stages = self._stages.take(state, seconds)
        return after, stages + np.where(progress >= self._p["coil_at"], self._coil, 0.0)

    def by_output(self, state: State) -> Floats:
        """What the output stages take."""
        (_, stages), (_, small) = self._stages.take(state, INSTANT_S), self._small.take(state, INSTANT_S)
        return np.asarray(stages - (1.0 - self._p["biased"]) * small)

    def power(self, held: Floats, take: Floats) -> Floats:
        """What is taken from the rails, of nameplate power."""
        return np.asarray((take + self._stages.per_v * held) * held)

    def _beside(self, drawn: Drawn, v: float) -> Drawn:
        if not self._standby or v <= 0.0:
            return drawn
        p = self._p
        power = p["standby"] * raised(v, p["standby_exponent"])
        current = np.maximum(p["standby_current"] * v, power / v)
        return drawn.beside(v, power, np.sqrt(np.maximum(current**2 - (power / v) ** 2, 0.0)))


def along(load_class: str, values: Mapping[str, Floats], soft: Floats, moments: Sequence[Moment]) -> Way:
    """Bring samples along; ``values`` as `ranges_of` names them, ``soft`` is 1 for those with a soft start, else 0."""
    unit = _Unit(load_class, values, soft)
    state, current, power = unit.rest(), [], []
    for moment in moments:
        if moment.gap_s > 0.0:
            state, _ = unit.step(state, moment.before_v, moment.gap_s, moment.before_progress)
        unit.on = unit.on or moment.event
        state, drawn = unit.step(state, moment.v, moment.seconds, moment.progress)
        if moment.compared:
            current.append(np.log(drawn.current + NEAR_ZERO))
            power.append(np.log(drawn.power + NEAR_ZERO))
    _, take = unit.taken(state, INSTANT_S, moments[-1].progress)
    held = state["held"]
    return Way(np.array(current), np.array(power), held, unit.power(held, take), unit.by_output(state) * held)
