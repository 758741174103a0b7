"""What the shape of one cycle of line current says for each fault: how unlike its half waves are, and its crest factor.

The models of `trouble` know rms current and power. A wave tells more, by physics:

- A shorted rectifier diode behind a transformer ties its reservoir to the winding. Below the other diodes' threshold
  that is a sine of current; above it the next diode shorts the winding in every second half cycle, and the half waves
  differ, by less than the load does, since the core's volt-seconds must balance.
- A short behind the reservoirs keeps them from filling, so that the rectifier conducts for most of each half cycle, the
  longer the more current flows. Both half cycles are alike.
- Turns draw a sine in both: beside it a healthy unit's narrow charging pulses weigh the less, the more the turns draw.
- A leak or a running idle load reservoirs that are full: narrow pulses, high crest.
- A shorted converter switch leaves rectifier and inrush limiter: nearly a sine.

How far apart units of one fault are was learnt from simulated units of drawn parts (``benchmarks/wave_shapes.py
learn``, seed `LEARNING_SEED`), with no measured unit among them; the numbers are rounded from what that prints. A
Student distribution, and an allowance, let a unit be further off than any that was drawn. Pure, plain floats.
"""

from __future__ import annotations

import math
from bisect import bisect_right
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Final

from rampguard.loads.following import EVENT_S, Sight
from rampguard.loads.uncertainty import combined, standard
from rampguard.quantities import Cause, Wave

LEARNING_SEED: Final = 20261
MOST_NATS: Final = 4.0
"""No cause is told to be less likely than another by more than this, for its shape alone."""
FROM_PART: Final = 0.02
"""Below this part of nameplate current nothing is told: a filter, or a core alone, decides the shape there..."""
FROM_BOUNDS: Final = 5.0
"""...nor below so many times the meter's bound."""
DEGREES: Final = 4.0
"""Degrees of freedom of the spreads."""
APART_ALLOWANCE: Final = 0.02
"""Half waves of real units, and of the mains they are on, are less alike than simulated ones; no source."""
CREST_ALLOWANCE: Final = 0.08
"""The same, of the logarithm of the crest factor; no source."""
SLEW_GAIN: Final = 3.0
"""The half waves of a healthy unit differ by so many times what the line rises by from one to the next..."""
HALF_CYCLE_S: Final = 0.01
"""...which takes so long, at 50 Hz; at 60 Hz less."""
LONGEST_S: Final = 1.0
"""After a longer gap between readings nothing is known of how fast the line rises."""
PARTS: Final = (0.03, 0.07, 0.14, 0.32, 0.7, 2.0)
"""The parts of nameplate current that shapes were learnt at."""

Six = tuple[float, float, float, float, float, float]


@dataclass(frozen=True, slots=True)
class Spread:
    """Shapes of a fault at each of `PARTS`: about how large ``apart`` is; crest factor, and its logarithm's sd.

    ``share`` is how often the fault looks like this there, where it may look in several ways.
    """

    apart: Six
    crest: Six
    crest_ln_sd: Six
    share: Six = (1.0,) * 6

    def nats(self, wave: Wave, part: float, apart_u: float, crest_u: float) -> float:
        """Log-likelihood of a wave at that part of nameplate current, and of the fault's looking like this.

        It was read with these standard uncertainties (of apart; of the logarithm of the crest factor).
        """
        ones = (1.0, 1.0, 1.0)
        apart_sd = combined(ones, (_at(self.apart, part), APART_ALLOWANCE, apart_u))
        crest_sd = combined(ones, (_at(self.crest_ln_sd, part), CREST_ALLOWANCE, crest_u))
        off = math.log(wave.crest / _at(self.crest, part))
        likely = _student(wave.apart / apart_sd) + _student(off / crest_sd) - math.log(apart_sd * crest_sd)
        return math.log(_at(self.share, part)) + likely


def _student(sigmas: float) -> float:
    """Student's density so many sigmas off, as a logarithm, without what is the same for all."""
    return -0.5 * (DEGREES + 1.0) * math.log1p(sigmas * sigmas / DEGREES)


def _at(values: Six, part: float) -> float:
    """Between the two of `PARTS` around it, by the logarithm; beyond the ends what is there."""
    after = bisect_right(PARTS, part)
    if after in (0, len(PARTS)):
        return values[max(0, after - 1)]
    low, high = PARTS[after - 1], PARTS[after]
    way = math.log(part / low) / math.log(high / low)
    return values[after - 1] + way * (values[after] - values[after - 1])


Looks = tuple[Spread, ...]
"""The ways in which a fault may look."""
_ANY: Final = Spread((0.15,) * 6, (2.2,) * 6, (0.4,) * 6)
"""What a fault that nothing here follows may have about any shape; no source."""
_ON_FULL_RESERVOIRS: Final = Spread(
    (0.039, 0.021, 0.006, 0.004, 0.001, 0.001),
    (3.00, 2.94, 2.92, 2.72, 2.43, 2.25),
    (0.10, 0.10, 0.09, 0.08, 0.08, 0.08),
)
"""A leak and a running idle alike: the reservoirs do not know what draws. The first two are those of whole units."""
SHAPES: Final[Mapping[str, Mapping[str, Looks]]] = {
    "linear-amplifier": {
        Cause.OUTPUT_SHORT: (
            Spread(
                (0.008, 0.004, 0.002, 0.001, 0.001, 0.001),
                (1.97, 1.81, 1.68, 1.57, 1.50, 1.48),
                (0.10, 0.09, 0.08, 0.06, 0.05, 0.06),
            ),
        ),
        Cause.DIODE_SHORT: (
            Spread(  # below the other diodes' threshold...
                (0.014, 0.018, 0.025, 0.032, 0.032, 0.032),
                (1.43, 1.43, 1.43, 1.42, 1.42, 1.42),
                (0.01, 0.01, 0.02, 0.02, 0.02, 0.02),
                (0.8, 0.5, 0.15, 0.03, 0.01, 0.01),
            ),
            Spread(  # ...and above it
                (0.203, 0.113, 0.193, 0.231, 0.153, 0.187),
                (1.62, 1.54, 1.64, 1.67, 1.60, 1.61),
                (0.10, 0.11, 0.08, 0.07, 0.05, 0.08),
                (0.2, 0.5, 0.85, 0.97, 0.99, 0.99),
            ),
        ),
        # Drawn were turns that take a third of the rating; more of them are nearer to a sine, which the spread allows.
        Cause.SHORTED_TURNS: (
            Spread((0.045, 0.027, 0.012, 0.003, 0.003, 0.003), (2.19, 2.24, 2.30, 2.19, 2.19, 2.19), (0.20,) * 6),
        ),
        Cause.LEAK: (_ON_FULL_RESERVOIRS,),
        Cause.RUNAWAY: (_ON_FULL_RESERVOIRS,),
    },
    "transformer": {
        Cause.SHORTED_TURNS: (
            Spread(
                (0.198, 0.040, 0.015, 0.004, 0.004, 0.004),
                (1.59, 1.45, 1.43, 1.42, 1.42, 1.42),
                (0.04, 0.02, 0.01, 0.01, 0.01, 0.01),
            ),
        ),
    },
    "switch-mode": {
        Cause.SWITCH_SHORT: (
            Spread((0.0,) * 6, (2.10, 1.95, 1.84, 1.68, 1.58, 1.52), (0.06, 0.07, 0.08, 0.06, 0.05, 0.05)),
        ),
        # By physics alone, no unit simulated: it shorts the limiter across the line in one half cycle.
        Cause.DIODE_SHORT: (Spread((0.6,) * 6, (2.0,) * 6, (0.2,) * 6),),
    },
}
"""By load class and cause. `Cause.OTHER` is beside them: it may look like any of them, and like none.

Nothing is told of other classes: a receiver's shorts trip within the inrush, of the others none was drawn with a fault.
"""


def wave_of(sight: Sight, nameplate_a: float) -> Wave | None:
    """The shape of what is seen; None where the peaks or the current were not read, or too little flows to tell."""
    rms, up, down = sight.line_current_a, sight.current_up_a, sight.current_down_a
    if rms is None or up is None or down is None:
        return None
    if rms < max(FROM_PART * nameplate_a, FROM_BOUNDS * sight.current_bound_a, 1e-9):
        return None
    peaks = max(up, 0.0), max(down, 0.0)
    if max(peaks) < rms:  # no wave has a peak below its rms value: these are not of one cycle
        return None
    return Wave(abs(peaks[0] - peaks[1]) / sum(peaks), max(peaks) / rms)


def shape_nats(
    looks: Mapping[str, Looks], wave: Wave, part: float, *, relative_bound: float = 0.0, rise: float = 0.0
) -> dict[str, float]:
    """What a shape says of each cause, in nats: the best has 0, none less than minus `MOST_NATS`.

    ``part`` is the current's of nameplate current; ``relative_bound`` its meter's bound over it; ``rise`` by what part
    of itself the line rises from one half wave to the next.
    """
    own = standard(relative_bound)
    apart_u = combined((math.sqrt(0.5), SLEW_GAIN), (own, rise))
    crest_u = combined((math.sqrt(2.0), SLEW_GAIN), (own, rise))
    nats = {
        cause: _log_sum([spread.nats(wave, part, apart_u, crest_u) for spread in spreads])
        for cause, spreads in looks.items()
    }
    others = [*nats.values(), _ANY.nats(wave, part, apart_u, crest_u)]
    nats[Cause.OTHER] = _log_sum(others) - math.log(len(others))
    most = max(nats.values())
    return {cause: max(value - most, -MOST_NATS) for cause, value in nats.items()}


def _log_sum(nats: list[float]) -> float:
    most = max(nats)
    return most + math.log(sum(math.exp(value - most) for value in nats))


@dataclass(frozen=True, slots=True)
class ShapesState:
    """What one reading hands to the next: when the line was read, its volts, and until when an inrush is expected."""

    time_s: float | None = None
    volts: float = 0.0
    event_until_s: float = float("-inf")


class Shapes:
    """The shapes of a class's faults; empty ``looks``: nothing is ever told. Volts rms, watts of the nameplate."""

    def __init__(self, looks: Mapping[str, Looks], *, nameplate_v: float, nameplate_w: float) -> None:
        self._looks = looks
        self._amperes = nameplate_w / nameplate_v

    def step(self, state: ShapesState, sight: Sight) -> tuple[ShapesState, tuple[Wave, dict[str, float]] | None]:
        """The shape seen and what it says of each cause; None where nothing is told of it.

        Nothing is told within an inrush that is expected: a core's is one-sided, a reservoir's of any shape.
        """
        if sight.line_voltage_v is None:
            return state, None
        until_s = sight.time_s + EVENT_S if sight.event else state.event_until_s
        after = replace(state, time_s=sight.time_s, volts=sight.line_voltage_v, event_until_s=until_s)
        wave = wave_of(sight, self._amperes)
        rise = _rise(state, sight.time_s, sight.line_voltage_v)
        if wave is None or rise is None or sight.time_s <= until_s or not self._looks:
            return after, None
        amperes = max(sight.line_current_a or 0.0, 1e-9)
        bound = sight.current_bound_a / amperes
        return after, (wave, shape_nats(self._looks, wave, amperes / self._amperes, relative_bound=bound, rise=rise))


def _rise(state: ShapesState, time_s: float, volts: float) -> float | None:
    """By what part of itself the line rises or falls in half a cycle; None where that is not known."""
    if state.time_s is None or volts <= 0.0 or not 0.0 < time_s - state.time_s <= LONGEST_S:
        return None
    return abs(volts - state.volts) / (time_s - state.time_s) * HALF_CYCLE_S / volts
