"""Whether an idle runs away: it rises, and faster and faster, where a healthy one's rise always slackens.

Over windows of many lengths, all ending now, a parabola is fitted: a rise and a bend upwards, both far beyond the
noise, are a runaway's, whatever its time constant. Beside it a plain bound: an idle that has grown by so much, and
rises as fast as before, is not waited for.
"""

from __future__ import annotations

import math
from typing import Final

import numpy as np

from rampguard.warmup.exponentials import Floats, last_digit_u

WINDOWS_S: Final = (1.5, 3.0, 6.0, 12.0, 25.0, 50.0, 100.0, 200.0, 400.0, 800.0)
SIGMAS: Final = 6.0
"""The bend is so many of its standard uncertainties."""
RISEN: Final = 0.04
"""...and within the window the idle has risen by this part at least..."""
BENT: Final = 0.01
"""...and by this part more than a straight line from its beginning would have had it."""
TOO_MUCH: Final = 0.5
"""Grown by so much since the stretch began is called whatever its bend, unless the rise slackens..."""
SLACKENS: Final = 0.8
"""...to this part, from one third of the stretch to the next, or is in the last third but a small part of it all."""
LEAST_POINTS: Final = 6


def runs_away(time_s: Floats, values: Floats, *, from_value: float = 0.0) -> bool:
    """Whether one stretch's readings, shape (n,), are a runaway's. Nobody touched anything since its first.

    Below ``from_value`` nothing is: next to no idle grows by its half with the meter's noise.
    """
    if len(values) < LEAST_POINTS or float(np.median(values[-LEAST_POINTS:])) < from_value:
        return False
    return _grown_too_much(values) or any(_bends_up(time_s, values, window_s) for window_s in WINDOWS_S)


def _grown_too_much(values: Floats) -> bool:
    """Grown by so much, and no slower in the last third than in the one before it."""
    third = len(values) // 3
    first, one, two, now = (float(np.median(values[at : at + 3])) for at in (0, third, 2 * third, len(values) - 3))
    # Of few readings the last step is shorter than a third.
    step = (now - two) * third / max(len(values) - 3 - 2 * third, 1)
    goes_on = step > max(SLACKENS * abs(two - one), 0.25 * TOO_MUCH * first)
    return first > 0.0 and now > (1.0 + TOO_MUCH) * first and goes_on


def _bends_up(time_s: Floats, values: Floats, window_s: float) -> bool:
    some = time_s >= time_s[-1] - window_s
    x, y = time_s[some] - time_s[-1], values[some]
    if len(y) < LEAST_POINTS or -float(x[0]) < 0.8 * window_s:
        return False
    scaled = x / window_s
    design = np.column_stack((np.ones_like(scaled), scaled, scaled * scaled))
    found, *_ = np.linalg.lstsq(design, y, rcond=None)
    missed = y - design @ found
    # Readings that follow one another are not independent; the noise is no smaller than a display's last digit.
    noise = max(float(np.sqrt(np.sum(missed**2) / (len(y) - 3))), last_digit_u(y), 1e-12)
    bend_u = noise * math.sqrt(float(np.linalg.inv(design.T @ design)[2, 2]))
    begins = float(found[0] - found[1] + found[2])
    rise, bend = float(found[1] - found[2]), float(found[2])
    slope_first = float(found[1] - 2.0 * found[2])
    size = abs(begins) + 1e-12
    return bool(slope_first > 0.0 and rise > RISEN * size and bend > BENT * size and bend > SIGMAS * bend_u)
