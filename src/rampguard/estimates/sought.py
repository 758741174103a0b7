"""What is asked of a ramp, and how each follows from a sample's parameters: watts, joules, ohm, volts, amperes."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.estimates.sampled import Samples
from rampguard.loads.rectifier import Floats

DIODE_V: Final = (0.6, 1.1)
"""Drop of one rectifier diode, V: as the facts of `loads.basis` take it."""


@dataclass(frozen=True, slots=True)
class Unit:
    """The unit's nameplate."""

    load_class: str
    nameplate_v: float
    nameplate_w: float

    @property
    def ohm(self) -> float:
        """What draws nameplate power at nameplate voltage."""
        return self.nameplate_v**2 / self.nameplate_w


@dataclass(frozen=True, slots=True)
class Sought:
    """One quantity."""

    name: str
    unit: str
    title: str
    of: Callable[[Samples, Unit], Floats]


def _rail_v(some: Samples, unit: Unit) -> Floats:
    """One diode's drop over its part of the secondary's peak; the diode's own drop evenly within `DIODE_V`."""
    count = len(some.soft)
    diode_v = DIODE_V[0] + (DIODE_V[1] - DIODE_V[0]) * ((0.5 + np.arange(count) * 0.6180339887) % 1.0)
    drop = some.values["drop"]
    return np.asarray(diode_v * (1.0 - drop) / drop)


def _energy_j(some: Samples, unit: Unit) -> Floats:
    return np.asarray(0.5 * some.values["farad"] * some.way.held**2 * unit.nameplate_w)


def _magnetising_a(some: Samples, unit: Unit) -> Floats:
    return np.asarray((some.values["magnetising"] + some.values["knee"]) * unit.nameplate_w / unit.nameplate_v)


SOUGHT: Final = (
    Sought("idle_w", "W", "taken from the rails, idling", lambda s, u: s.way.taken * u.nameplate_w),
    Sought("output_stages_w", "W", "of it, output stages", lambda s, u: s.way.by_output * u.nameplate_w),
    Sought("energy_j", "J", "held by the reservoirs", _energy_j),
    Sought("source_ohm", "ohm", "ahead of the rectifier", lambda s, u: s.values["source_ohm"] * u.ohm),
    Sought("rail_v", "V", "each rail, by its diodes", _rail_v),
    Sought("core_loss_w", "W", "lost in the core", lambda s, u: s.values["core_loss"] * u.nameplate_w),
    Sought("magnetising_a", "A", "magnetising current", _magnetising_a),
)
"""In the order in which they are told."""
SOFT_START: Final = Sought("soft_start_ohm", "ohm", "soft start", lambda s, u: s.values["soft_ohm"] * u.ohm)
RESERVOIR: Final = Sought("reservoir_uf", "uF", "each reservoir", _energy_j)
"""By what the reservoirs hold and a rail's voltage."""

SPREADS: Final[Mapping[str, Mapping[str, float]]] = {
    "linear-amplifier": {
        "idle_w": 0.04,
        "output_stages_w": 0.09,
        "energy_j": 0.15,
        "reservoir_uf": 0.15,
        "source_ohm": 0.18,
        "core_loss_w": 0.25,
        "magnetising_a": 0.47,
        "soft_start_ohm": 0.32,
    },
    "receiver": {"idle_w": 0.02, "source_ohm": 0.20, "core_loss_w": 0.29},
}
"""By class and quantity, what the models' error leaves of its logarithm, as a standard deviation; else nothing.

The least with which 95 % of the intervals of 252 simulated units of the class hold, rounded up: docs/estimates.md.
"""
