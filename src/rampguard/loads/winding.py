"""A transformer's core, cycle-averaged: magnetising current with its rise past the knee, and core loss.

In terms of the nameplate: voltages as parts of nameplate voltage, currents of nameplate current, powers of nameplate
power. Magnetising current is in quadrature with the line, core loss in phase.
"""

from __future__ import annotations

import numpy as np

from rampguard.loads.rectifier import Floats


def magnetising(v: Floats | float, linear: Floats, knee: Floats, exponent: Floats) -> Floats:
    """RMS magnetising current: ``linear`` and ``knee`` are its straight and its steep part at nameplate voltage."""
    return np.asarray(linear * v + knee * raised(v, exponent))


def raised(v: Floats | float, exponent: Floats) -> Floats:
    """A voltage to each sample's own power: twice as fast this way where the voltage is a plain number."""
    return np.asarray(np.exp(exponent * np.log(np.maximum(v, 1e-9))))


def core_loss(v: Floats | float, at_full: Floats) -> Floats:
    """Core loss; with the square of the voltage (hysteresis a little less, eddies just so: textbook)."""
    return np.asarray(at_full * v * v)
