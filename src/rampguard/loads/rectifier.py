"""A rectifier that charges a reservoir through a resistance, averaged over a half cycle, in closed form.

The source is a sine of peak u behind a resistance R; the reservoir's voltage E stands still within the half cycle, and
the rectifier conducts while the sine is above it. With x = E/u and cos(theta) = x, the current (u/R)(cos(phi) - x) over
-theta < phi < theta has the mean (2/pi)(sin(theta) - theta x) and the mean square (1/pi)(theta (1 + 2 x^2) - 3 x
sin(theta)), in units of u/R and its square: integration by hand, checked by numerical integration in the tests.

Everything is in terms of the line: voltages divided by the turns ratio, currents multiplied by it.
"""

from __future__ import annotations

from typing import Any, Final

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]

ROOT2: Final = 1.4142135623730951
_ROUNDS: Final = 7


def mean_and_square(x: Any) -> tuple[Floats, Floats]:
    """Mean current and mean square current at x = E/u from 0 to 1 (any shape), in units of u/R and its square."""
    x = np.clip(x, 0.0, 1.0)
    theta = np.arccos(x)
    sine = np.sin(theta)
    mean = (2.0 / np.pi) * (sine - theta * x)
    square = (theta * (1.0 + 2.0 * x * x) - 3.0 * x * sine) / np.pi
    return np.maximum(mean, 0.0), np.maximum(square, 0.0)


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
    # In units of u and u/R: mean(x) = a x - b, with the right side rising and the left falling.
    gain = source_ohm * (farad_per_s + load_s)
    offset = source_ohm * (farad_per_s * held_v - load_a) / u
    # The left side falls and is hollow, so that Newton's method comes to the meeting point from below.
    x = np.full_like(u, 0.9)
    for _ in range(_ROUNDS):
        theta = np.arccos(x)
        mean = (2.0 / np.pi) * (np.sin(theta) - theta * x)
        x = np.clip(x + (mean - gain * x + offset) / ((2.0 / np.pi) * theta + gain), 0.0, 1.0)
    mean, square = mean_and_square(x)
    unit_a = u / source_ohm
    # Above the peak nothing is drawn: the reservoir empties into its load alone.
    alone_v = (farad_per_s * held_v - load_a) / np.maximum(farad_per_s + load_s, 1e-30)
    empties = (alone_v >= u) | (peak_v <= 0.0)
    end_v = np.where(empties, np.maximum(alone_v, 0.0), x * u)
    return end_v, np.where(empties, 0.0, mean * unit_a), np.where(empties, 0.0, square * unit_a * unit_a)
