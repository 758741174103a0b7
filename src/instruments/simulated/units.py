"""The units that can be put on the simulated bench, each drawn by a seed from its parts' tolerances.

To add one: a module with parts, parameters, state, `step` and `rest`, a class here that satisfies `Unit`, and an entry
in `UNITS`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final, Protocol

import numpy as np

from instruments.simulated import amplifier, lamp
from instruments.simulated.ops import SCALAR
from instruments.simulated.tolerances import draw
from rampguard.quantities import Quantity, Signal

EMITTER_LEFT: Final = Signal(Quantity.EMITTER_RESISTOR, "left")
OFFSET_LEFT: Final = Signal(Quantity.DC_OFFSET, "left")
RAIL_PLUS: Final = Signal(Quantity.RAIL, "plus")


class UnknownUnit(ValueError):  # noqa: N818 - a state of the input, read as one
    """No such unit on the simulated bench."""


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the unit's plate says, and what kind of unit it is."""

    load_class: str
    nameplate_w: float


class Unit(Protocol):
    """One unit on the bench, in the time domain."""

    nameplate: Nameplate
    supply_ohm: float
    """Resistance ahead of the unit's terminals."""

    def step(self, source_v: float, dt_s: float) -> float:
        """One time step at an instantaneous source voltage; the instantaneous line current, A."""
        ...

    def rest(self, dt_s: float) -> None:
        """One time step with the line open."""
        ...

    def dc_values(self) -> Mapping[Signal, float]:
        """What DC meters clipped into it would see now, V."""
        ...


class Amplifier:
    """A two-channel class-AB amplifier; ``short_ohm`` makes one channel's output pair a short from rail to rail."""

    nameplate = Nameplate("linear-amplifier", 300.0)

    def __init__(self, seed: int, mains_v: float, frequency_hz: float, short_ohm: float | None = None) -> None:
        generator = np.random.default_rng([seed, 1])
        values = amplifier.for_mains(draw(amplifier.PARTS, generator), mains_v, frequency_hz)
        left = float(generator.integers(0, 2))
        # A shorted pair has its two emitter resistors in series with what is left of the devices.
        conductance = 0.0 if short_ohm is None else 1.0 / (short_ohm + 2.0 * values["emitter_ohm"])
        self._p = amplifier.AmplifierParameters(**values, short_s=conductance, short_share_left=left)
        self._s = amplifier.AmplifierState()
        self.supply_ohm: float = values["supply_ohm"]

    def step(self, source_v: float, dt_s: float) -> float:
        """One time step; the instantaneous line current, A."""
        return float(amplifier.step(self._p, self._s, source_v, dt_s, SCALAR))

    def rest(self, dt_s: float) -> None:
        """One time step with the line open."""
        amplifier.rest(self._p, self._s, dt_s, SCALAR)

    def dc_values(self) -> Mapping[Signal, float]:
        """Emitter resistor and offset of the left channel, and the positive rail."""
        p, s = self._p, self._s
        on = min(1.0, max(0.0, (min(s.plus_v, s.minus_v) - p.dark_below_v) / p.idle_span_v))
        shorted_a = s.short_a * p.short_share_left
        # A pair shorted from rail to rail holds its output half way between the rails.
        pulled_v = 0.5 * (s.plus_v - s.minus_v) if shorted_a else 0.0
        return {
            EMITTER_LEFT: (s.idle_left_a + shorted_a) * p.emitter_ohm,
            OFFSET_LEFT: p.offset_left_v * on + pulled_v,
            RAIL_PLUS: s.plus_v,
        }


class Lamp:
    """A filament lamp."""

    nameplate = Nameplate("filament-lamp", 75.0)

    def __init__(self, seed: int, mains_v: float) -> None:
        values = draw(lamp.PARTS, np.random.default_rng([seed, 2]))
        self._p = lamp.LampParameters(**values, rated_v=mains_v)
        self._s = lamp.LampState()
        self.supply_ohm: float = values["supply_ohm"]

    def step(self, source_v: float, dt_s: float) -> float:
        """One time step; the instantaneous line current, A."""
        return float(lamp.step(self._p, self._s, source_v, dt_s, SCALAR))

    def rest(self, dt_s: float) -> None:
        """One time step with the line open."""
        lamp.rest(self._p, self._s, dt_s, SCALAR)

    def dc_values(self) -> Mapping[Signal, float]:
        """Nothing to clip a DC meter to."""
        return {}


SHORTED_PAIR_OHM: Final = 0.1
"""What is left of two shorted output devices in series; common practice, no source."""

UNITS: Final[dict[str, Callable[[int, float, float], Unit]]] = {
    "healthy-amplifier": Amplifier,
    "shorted-output": lambda seed, volts, hertz: Amplifier(seed, volts, hertz, SHORTED_PAIR_OHM),
    "lamp": lambda seed, volts, hertz: Lamp(seed, volts),
}
"""Every unit, by name: made from a seed, mains volts and hertz."""


def make_unit(name: str, seed: int, mains_v: float, frequency_hz: float) -> Unit:
    """A specimen of a unit. Raises UnknownUnit, saying which there are."""
    try:
        make = UNITS[name]
    except KeyError:
        raise UnknownUnit(f"there is no unit {name!r} on the simulated bench; there are: {', '.join(UNITS)}") from None
    return make(seed, mains_v, frequency_hz)
