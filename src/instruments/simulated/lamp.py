"""A filament lamp in the time domain: tungsten's resistivity, radiation, conduction along the leads, thermal mass.

Resistivity against temperature: a cubic through the handbook table (CRC Handbook of Chemistry and Physics, after
Forsythe and Worthing), held against the table itself in the tests.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part

AMBIENT_K: Final = 298.0
HOT_K: Final = 2750.0
"""Temperature of a general-service filament at its rated voltage."""
_RHO: Final = (-1.39091938, 2.19039344e-2, 4.83764846e-6, -6.07825e-10)
"""Resistivity in microohm centimetres as a cubic in kelvin, fitted to the table from 300 to 3000 K."""

PARTS: Final = {
    "supply_ohm": Part(0.4, 0.5, "as for the amplifier"),
    "rated_w": Part(75.0, 0.05, "75 W lamp, 5 %"),
    "conducted": Part(0.08, 0.3, "share of the rated power lost through leads and gas, linear in temperature"),
    "thermal_s": Part(0.09, 0.3, "time in which the rated power would heat the filament from cold to hot"),
}
"""Nominal parts of the lamp."""


@dataclass(slots=True)
class LampParameters:
    """Of one specimen (floats) or a batch (arrays). ``rated_v`` is the lamp's voltage, rms."""

    supply_ohm: Real
    rated_w: Real
    conducted: Real
    thermal_s: Real
    rated_v: Real


@dataclass(slots=True)
class LampState:
    """Filament temperature, K."""

    filament_k: Real = AMBIENT_K


def resistivity(filament_k: Real) -> Real:
    """Tungsten's resistivity, microohm centimetres, at a temperature in kelvin (300 to 3000 K)."""
    constant, linear, square, cube = _RHO
    return constant + filament_k * (linear + filament_k * (square + filament_k * cube))


def resistance_ohm(p: LampParameters, filament_k: Real) -> Real:
    """Resistance of the filament at a temperature, ohm."""
    hot_ohm = p.rated_v * p.rated_v / p.rated_w
    return hot_ohm * resistivity(filament_k) / resistivity(HOT_K)


def lost_w(p: LampParameters, filament_k: Real) -> Real:
    """Power that leaves the filament at a temperature, W: radiated by the fourth power, conducted linearly."""
    span4 = HOT_K**4 - AMBIENT_K**4
    squared = filament_k * filament_k
    radiated = (squared * squared - AMBIENT_K**4) / span4
    conducted = (filament_k - AMBIENT_K) / (HOT_K - AMBIENT_K)
    return p.rated_w * ((1.0 - p.conducted) * radiated + p.conducted * conducted)


def step(p: LampParameters, s: LampState, source_v: Real, dt_s: float, ops: Ops) -> Real:
    """One time step at an instantaneous source voltage; returns the instantaneous line current, A."""
    filament_ohm = resistance_ohm(p, s.filament_k)
    line_a = source_v / (p.supply_ohm + filament_ohm)
    heat(p, s, line_a * line_a * filament_ohm, dt_s)
    return line_a


def rest(p: LampParameters, s: LampState, dt_s: float, ops: Ops) -> None:
    """One time step with the line open."""
    heat(p, s, 0.0, dt_s)


def heat(p: LampParameters, s: LampState, power_w: Real, dt_s: float) -> None:
    """Warm the filament by a power, W, for a time."""
    capacity_j_per_k = p.rated_w * p.thermal_s / (HOT_K - AMBIENT_K)
    s.filament_k = s.filament_k + dt_s * (power_w - lost_w(p, s.filament_k)) / capacity_j_per_k
