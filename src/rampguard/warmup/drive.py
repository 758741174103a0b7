"""A signal into every channel's load for the soak, at a part of rated power, and what a unit may draw for it.

One eighth of rated power for an hour, all channels at once, 1 kHz, is the precondition of 16 CFR 432.3 (the US rule on
amplifiers' power claims). Of a class-B stage on two rails of Vcc each, at an output of Vp peak into R: the mean current
of each rail is Vp / (pi R), and what the rails give is 2 Vcc Vp / (pi R) (textbook).
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

EIGHTH: Final = 1.0 / 8.0
SUPPLY_EFFICIENCY: Final = 0.8
"""Of transformer and rectifier; common practice, no source."""
MARGIN: Final = 1.5
"""The ceilings are so many times what is worked out; common practice, no source."""


@dataclass(frozen=True, slots=True)
class Drive:
    """What every channel is driven with, and the ceilings while it is."""

    level_v: float
    """Across each load, V rms."""
    power_w: float
    """Real power of the line, at most."""
    emitter_resistor_v: float
    """The mean across the test points of a channel, at most."""

    @property
    def draws_w(self) -> float:
        """Real power of the line, about: the ceiling without its margin."""
        return self.power_w / MARGIN


def peak_v(output_w: float, load_ohm: float) -> float:
    """The peak of a sine of so much power in a load."""
    return math.sqrt(2.0 * output_w * load_ohm)


def rail_mean_a(peak: float, load_ohm: float) -> float:
    """The mean current that each rail of a class-B stage gives."""
    return peak / (math.pi * load_ohm)


def drive_of(
    *, rated_w: float, load_ohm: float, channels: int, across_v: float, idle_w: float, idle_v: float, point_ohm: float
) -> Drive:
    """The drive at one eighth of ``rated_w`` a channel, and its ceilings.

    ``across_v`` is from rail to rail, ``idle_w`` what all channels' stages idle at, ``idle_v`` the idle across the test
    points, which have ``point_ohm`` between them for one device.
    """
    peak = peak_v(EIGHTH * rated_w, load_ohm)
    mean_a = rail_mean_a(peak, load_ohm)
    power_w = (channels * across_v * mean_a + idle_w) / SUPPLY_EFFICIENCY
    return Drive(peak / math.sqrt(2.0), MARGIN * power_w, MARGIN * (mean_a * point_ohm + idle_v))
