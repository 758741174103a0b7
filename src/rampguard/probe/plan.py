"""What a probe asks for: so many volts at so many hertz, one after the other, and what ends it. Pure."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.probe.verdict import Plate

MOST_V: Final = 10.0
"""Never more, at any frequency."""
LEAST_V: Final = 1.0
"""Below this off could not be told from on."""
FLOOR_V: Final = 0.5
"""Off is a line below this, with its meter's bound: the bench file's own floor may lie above what a probe sets."""
FREQUENCIES_HZ: Final = (40.0, 100.0, 200.0, 400.0)
"""Besides the mains'."""
REFERENCE_V: Final = 230.0
LEVELS_V: Final = {
    "transformer": (1.0, 3.0, 9.0),
    "receiver": (1.0, 3.0, 9.0),
    "linear-amplifier": (1.0, 2.0, 4.0),
    "valve-amplifier": (1.0, 2.0, 4.0),
    "switch-mode": (1.0, 2.0, 3.0),
}
"""Volts on a 230 V winding, by load class: from below where rectifiers begin to conduct to a little above, which is how
something behind them shows. A switch-mode unit's bridge is on the line itself: there the same volts on any mains, below
what a converter without a lockout wakes at. Common practice, no source."""
CEILINGS: Final = {name: 0.3 if name == "transformer" else 0.1 for name in LEVELS_V}
"""A whole unit draws less than this part of nameplate current at such voltages (its samples do, by a half or more; a
transformer alone has the most volts), or..."""
CEILING_LEAST_A: Final = 0.1
"""...less than this: a shorted turn of a small one is not to be cut before it is read."""
OVERSHOOT: Final = 1.15
"""A line that reads more than this times what was set, and `LEAST_V`, is cut."""


@dataclass(frozen=True, slots=True)
class Ask:
    """One set-point, V rms and Hz.

    ``passing``: on the way up, where a core still gives up what it kept; ``settles``: they come to rest at it first.
    """

    volts: float
    frequency_hz: float
    passing: bool = False
    settles: bool = False


@dataclass(frozen=True, slots=True)
class ProbePlan:
    """What is asked, in order; what is left out, in words; and the ceiling on line current, A rms."""

    asks: tuple[Ask, ...]
    left_out: tuple[str, ...]
    ceiling_a: float

    @property
    def most_v(self) -> float:
        """The highest voltage in it."""
        return max(ask.volts for ask in self.asks)


def plan_for(plate: Plate, source_hz: tuple[float, float] | None) -> ProbePlan:
    """The probe of one unit by a source that can be set from one frequency to another; None: to the mains' alone.

    Levels rise at the mains' frequency, so that a short shows at the least of them; the highest is settled at, and the
    other frequencies follow there, from the highest down; then the levels are gone down again, and read. None has more
    volts for each hertz than the core is rated for: such a one is left out.
    """
    *lower, top = dict.fromkeys(_level(plate, volts) for volts in LEVELS_V[plate.load_class])
    mains_hz = plate.frequency_hz
    wanted = [hertz for hertz in FREQUENCIES_HZ if hertz != plate.frequency_hz]
    can = [hertz for hertz in wanted if _can(hertz, source_hz)]
    left_out = [f"{hertz:g} Hz: the source cannot" for hertz in wanted if hertz not in can]
    asks = [Ask(volts, mains_hz, passing=True) for volts in lower] + [Ask(top, mains_hz, settles=True)]
    asks += [Ask(top, hertz) for hertz in reversed(can)] + [Ask(volts, mains_hz) for volts in reversed(lower)]
    most = plate.volts / plate.frequency_hz
    left_out += [f"{a.frequency_hz:g} Hz: {a.volts:g} V is more than the core is rated for" for a in _above(asks, most)]
    return ProbePlan(
        tuple(ask for ask in asks if ask.volts <= most * ask.frequency_hz),
        tuple(left_out),
        max(CEILINGS[plate.load_class] * plate.amperes, CEILING_LEAST_A),
    )


def _above(asks: Sequence[Ask], volts_per_hz: float) -> list[Ask]:
    return [ask for ask in asks if ask.volts > volts_per_hz * ask.frequency_hz]


def _level(plate: Plate, volts: float) -> float:
    on_line = plate.load_class == "switch-mode"
    scaled = volts if on_line else volts * plate.volts / REFERENCE_V
    return round(min(max(scaled, LEAST_V), 0.9 * MOST_V), 1)


def _can(hertz: float, source_hz: tuple[float, float] | None) -> bool:
    return source_hz is not None and source_hz[0] <= hertz <= source_hz[1]
