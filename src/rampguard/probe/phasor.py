"""Impedance from what meters read: volts, amperes, and a phase angle or real power; with its uncertainty.

R = (V/I) cos(phi), X = (V/I) sin(phi), Z = V/I, propagated linearly with correlations: the worked example H.2 of
JCGM 100:2008 (GUM), which the tests reproduce.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from rampguard.loads.uncertainty import combined

Correlations = Mapping[tuple[int, int], float]
"""r of pairs of volts (0), amperes (1) and phase angle (2)."""
_NONE: Final[Correlations] = {}
_LEAST_SINE: Final = 0.05
"""Below 3 degrees the power factor hardly tells the phase angle, and R is Z to a thousandth."""


@dataclass(frozen=True, slots=True)
class Impedance:
    """Resistance, reactance and their size, ohm, each with its standard uncertainty, and how R goes with X."""

    r_ohm: float
    x_ohm: float
    z_ohm: float
    u_r_ohm: float
    u_x_ohm: float
    u_z_ohm: float
    r_with_x: float
    """Coefficient of correlation of R and X; 0 where one of them is certain."""


def impedance(
    volts: float, amperes: float, phi_rad: float, u: tuple[float, float, float], r: Correlations = _NONE
) -> Impedance:
    """From V rms, A rms and the angle by which the current lags, with standard uncertainties ``u`` of the three.

    Raises ValueError unless volts and amperes are above zero.
    """
    if not (volts > 0.0 and amperes > 0.0):
        raise ValueError(f"{volts:g} V and {amperes:g} A are no impedance: both must be above zero")
    z, cosine, sine = volts / amperes, math.cos(phi_rad), math.sin(phi_rad)
    by_r = (cosine / amperes, -z * cosine / amperes, -z * sine)
    by_x = (sine / amperes, -z * sine / amperes, z * cosine)
    by_z = (1.0 / amperes, -z / amperes, 0.0)
    u_r, u_x = combined(by_r, u, r), combined(by_x, u, r)
    together = _covariance(by_r, by_x, u, r) / (u_r * u_x) if u_r > 0.0 and u_x > 0.0 else 0.0
    return Impedance(z * cosine, z * sine, z, u_r, u_x, combined(by_z, u, r), together)


def _covariance(a: Sequence[float], b: Sequence[float], u: Sequence[float], r: Correlations) -> float:
    """Covariance of two results of the same quantities (GUM 5.2.2 and H.2.3)."""
    own = sum(x * y * s * s for x, y, s in zip(a, b, u, strict=True))
    return own + sum((a[i] * b[j] + a[j] * b[i]) * u[i] * u[j] * rij for (i, j), rij in r.items())


def impedance_by_power(volts: float, amperes: float, watts: float, u: tuple[float, float, float]) -> Impedance:
    """From V, A and W, with standard uncertainties ``u`` of the three; the sign of X is not told, and taken as lagging.

    The phase angle is worked out from the power factor, so that it goes with volts and amperes: that correlation is
    carried on, and u(R) is then that of P/I^2. Raises ValueError unless volts and amperes are above zero.
    """
    phi = phase_of(volts, amperes, watts)
    sine = max(math.sin(phi), _LEAST_SINE)
    by_v, by_a = math.cos(phi) / (volts * sine), math.cos(phi) / (amperes * sine)
    u_phi = combined((by_v, by_a, 1.0 / (volts * amperes * sine)), u)
    if u_phi == 0.0:
        return impedance(volts, amperes, phi, (u[0], u[1], 0.0))
    r = {(0, 2): by_v * u[0] / u_phi, (1, 2): by_a * u[1] / u_phi}
    return impedance(volts, amperes, phi, (u[0], u[1], u_phi), r)


def phase_of(volts: float, amperes: float, watts: float) -> float:
    """The size of the phase angle, rad, 0 to pi/2, of the sines that would read so: power factor P/(V I).

    Power that is below zero, or above V I, by a meter's error is taken as 0 and as V I. Which of the two leads,
    power does not tell. Raises ValueError unless volts and amperes are above zero.
    """
    if not (volts > 0.0 and amperes > 0.0):
        raise ValueError(f"{volts:g} V and {amperes:g} A have no phase: both must be above zero")
    return math.acos(min(max(watts / (volts * amperes), 0.0), 1.0))
