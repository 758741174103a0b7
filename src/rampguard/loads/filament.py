"""A tungsten filament: resistance, radiation and thermal mass.

By powers of the absolute temperature: resistance goes as T^1.2, radiated power as T^4, so that settled current goes as
V^0.54 (IES Lighting Handbook 0.541, from memory; Standard Handbook for Electrical Engineers 0.55, as cited; the
handbook table of tungsten's resistivity gives 0.542). The simulated lamp uses a cubic through that table instead.
"""

from __future__ import annotations

from typing import Final

import numpy as np

from rampguard.loads.rectifier import Floats

COLD: Final = 298.0 / 2750.0
"""Room temperature, of a general-service filament's at rated voltage."""
RESISTANCE_POWER: Final = 1.2
PIECES: Final = 4
"""So many steps between two readings; each is linearly implicit, so that none can run away."""


def resistance(t: Floats) -> Floats:
    """Resistance at a temperature, both as parts of what they are at rated voltage."""
    return np.asarray(t**RESISTANCE_POWER)


def lost(t: Floats, conducted: Floats) -> Floats:
    """Power that leaves it, of the rated: radiated, and a part ``conducted`` along leads and gas."""
    squared = t * t
    radiated = (squared * squared - COLD**4) / (1.0 - COLD**4)
    return (1.0 - conducted) * radiated + conducted * (t - COLD) / (1.0 - COLD)


def warm(t: Floats, v_squared: Floats | float, seconds: float, mass_s: Floats, conducted: Floats) -> Floats:
    """The temperature so long after, at a mean square voltage across it (of the rated one's).

    ``mass_s`` is the time in which rated power would heat it from cold to rated temperature.
    """
    piece_s = seconds / PIECES
    capacity_s = mass_s / (1.0 - COLD)
    for _ in range(PIECES):
        heat = v_squared / resistance(t)
        cubed = t * t * t
        slope = RESISTANCE_POWER * heat / t + (1.0 - conducted) * 4.0 * cubed + conducted
        t = np.clip(t + piece_s * (heat - lost(t, conducted)) / (capacity_s + piece_s * slope), COLD, 1.5)
    return t
