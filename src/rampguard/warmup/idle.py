"""Idle current from what a meter shows across emitter (or cathode) resistors: amperes a device, watts a channel.

The trap: between two test points there may be one resistor or two. The voltage across both is twice that across one, so
that a target given for the one, set across the other, is half or double the current meant.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from rampguard.loads.uncertainty import combined, standard

BOLTZMANN_J_PER_K: Final = 1.380649e-23
ELEMENTARY_CHARGE_C: Final = 1.602176634e-19
"""Both exact (SI, 2019)."""
ZERO_CELSIUS_K: Final = 273.15


@dataclass(frozen=True, slots=True, kw_only=True)
class Span:
    """What lies between two test points: ``resistors`` (1 or 2) of ``resistor_ohm`` each, one after the other."""

    resistor_ohm: float
    resistors: int = 1
    tolerance: float = 0.05
    """Of a resistor, as a part; 5 % is usual, common practice."""

    @property
    def ohm(self) -> float:
        """Between the test points."""
        return self.resistor_ohm * self.resistors


@dataclass(frozen=True, slots=True)
class Idle:
    """Idle current, with standard uncertainty, A; and the heat it makes in its channel, W."""

    current_a: float
    current_u: float
    heat_w: float
    heat_u: float


def idle_from(
    volts: float, volts_bound: float, span: Span, *, rails_v: float, rails_bound: float = 0.0, pairs: int = 1
) -> Idle:
    """Idle of one device of a channel of so many output ``pairs``, alike; its heat is all pairs', rail to rail.

    ``volts`` is across the test points, ``rails_v`` from rail to rail; bounds are the meters'. GUM, 5.1.2.
    """
    current_a = abs(volts) / span.ohm
    of_volts, of_ohm = standard(volts_bound) / span.ohm, current_a * standard(span.tolerance)
    current_u = combined((1.0, 1.0), (of_volts, of_ohm))
    heat_w = pairs * current_a * rails_v
    heat_u = pairs * combined((rails_v, current_a), (current_u, standard(rails_bound)))
    return Idle(current_a, current_u, heat_w, heat_u)


def volts_for(current_a: float, span: Span) -> float:
    """What the test points show at an idle current of one device."""
    return current_a * span.ohm


def thermal_voltage_v(junction_degc: float) -> float:
    """kT/q, V."""
    return BOLTZMANN_J_PER_K * (junction_degc + ZERO_CELSIUS_K) / ELEMENTARY_CHARGE_C


def class_b_optimum_a(emitter_ohm: float, *, device_ohm: float = 0.0, thermal_v: float = 0.026) -> float:
    """The idle at which output impedance changes least through the crossover, A; a reference where no figure is given.

    26 mV over the emitter resistor and what the device itself has in series with it (its bulk resistance, and its base
    resistance divided by its gain): B. M. Oliver, "Distortion in Complementary-Pair Class-B Amplifiers",
    Hewlett-Packard Journal, February 1971, as summarised by others. Across the resistor alone it is 26 mV less the
    device's own part.
    """
    return thermal_v / (emitter_ohm + device_ohm)
