"""A transformer's core, cycle-averaged: magnetising current with its rise past the knee, and core loss.

In terms of the nameplate: voltages as parts of nameplate voltage, currents of nameplate current, powers of nameplate
power. Magnetising current is in quadrature with the line, core loss in phase.
"""

from __future__ import annotations

from rampguard.loads.rectifier import Floats


def magnetising(v: float, linear: Floats, knee: Floats, exponent: Floats) -> Floats:
    """RMS magnetising current: ``linear`` and ``knee`` are its straight and its steep part at nameplate voltage."""
    return linear * v + knee * v**exponent


def core_loss(v: float, at_full: Floats) -> Floats:
    """Core loss; with the square of the voltage (hysteresis a little less, eddies just so: textbook)."""
    return at_full * v * v
