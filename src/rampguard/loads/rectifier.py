"""A rectifier that charges a reservoir through a resistance, averaged over a half cycle, in closed form.

The source is a sine of peak u behind a resistance R; the reservoir's voltage E stands still within the half cycle, and
the rectifier conducts while the sine is above it. With x = E/u and cos(theta) = x, the current (u/R)(cos(phi) - x) over
-theta < phi < theta has the mean (2/pi)(sin(theta) - theta x) and the mean square (1/pi)(theta (1 + 2 x^2) - 3 x
sin(theta)), in units of u/R and its square: integration by hand, checked by numerical integration in the tests.

Everything is in terms of the line: voltages divided by the turns ratio, currents multiplied by it.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROOT2: Final = 1.4142135623730951
_ROUNDS: Final = 2
"""From where it begins, Newton's method then has the current to two parts in a million (shown in the tests)."""


def mean_and_square(x: Floats) -> tuple[Floats, Floats]:
    """Mean current and mean square current at x = E/u from 0 to 1 (any shape), in units of u/R and its square."""
    theta, sine = _angle(x)
    mean = sine - theta * x
    square = theta - x * (2.0 * mean + sine)
    return np.maximum((2.0 / np.pi) * mean, 0.0), np.maximum((1.0 / np.pi) * square, 0.0)


def _angle(x: Floats) -> tuple[Floats, Floats]:
    """The angle whose cosine is x, and its sine."""
    return np.arccos(x), np.sqrt((1.0 - x) * (1.0 + x))


def _near_meeting(gain: Floats, offset: Floats) -> Floats:
    """About where sin(theta) - theta x = gain x - offset, x = cos(theta).

    For small angles that is theta^3/3 + gain theta^2/2 = gain - offset. Where the first term rules, theta^2 is
    ``cubic``; where the second does, ``even``; the two together give about half their harmonic mean.
    """
    above = np.maximum(gain - offset, 1e-30)
    # A rough cube root is enough, and single precision is the quickest there is.
    cubic = np.exp(np.log((3.0 * above).astype(np.float32)) * np.float32(2.0 / 3.0))
    even = 2.0 * above / gain
    return np.maximum(1.0 - 0.5 * cubic * even / (cubic + even), 0.0)


def settle(
    peak_v: Floats, held_v: Floats, source_ohm: Floats, farad_per_s: Floats, load_a: Floats, load_s: Floats
) -> tuple[Floats, Floats, Floats]:
    """Where a reservoir comes to within one time step, and what its rectifier draws on the way.

    ``peak_v`` is the source's peak less its diodes' drop, ``held_v`` the reservoir's voltage at the step's beginning,
    ``farad_per_s`` the capacitance over the step's length; the load takes ``load_a`` and ``load_s`` for each volt. All
    of one shape. Returns the voltage at the step's end, V, and the rectifier's mean, A, and mean square current, A^2.
    Implicit, so that steps may be as long as they are.
    """
    u = np.maximum(peak_v, 1e-9)
    per_v, given = farad_per_s + load_s, farad_per_s * held_v - load_a
    # In units of (2/pi) u and (2/pi) u/R, what comes meets what goes: sin(theta) - theta x = gain x - offset.
    scaled_ohm = (np.pi / 2.0) * source_ohm
    gain, offset = scaled_ohm * per_v, scaled_ohm * given / u
    x = _near_meeting(gain, offset)
    for _ in range(_ROUNDS):
        theta, sine = _angle(x)
        x = np.minimum(np.maximum((sine + offset) / (theta + gain), 0.0), 1.0)
    mean, square = mean_and_square(x)
    # Above the peak nothing is drawn: the reservoir empties into its load alone.
    alone_v = given / np.maximum(per_v, 1e-30)
    empties = (alone_v >= u) | (peak_v <= 0.0)
    unit_a = np.where(empties, 0.0, u / source_ohm)
    return np.where(empties, np.maximum(alone_v, 0.0), x * u), mean * unit_a, square * unit_a * unit_a
