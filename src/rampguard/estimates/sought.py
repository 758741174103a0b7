"""What is asked of a ramp, and how each follows from a sample's parameters: watts, joules, ohm, volts, amperes."""

from __future__ import annotations

from collections.abc import Callable
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
    """One quantity.

    ``spread`` is what the models' error alone leaves of its logarithm, as a standard deviation: learnt from simulated
    units, see docs/estimates.md.
    """

    name: str
    unit: str
    title: str
    of: Callable[[Samples, Unit], Floats]
    spread: float


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
    Sought("idle_w", "W", "taken from the rails, idling", lambda s, u: s.way.taken * u.nameplate_w, 0.05),
    Sought("output_stages_w", "W", "of it, output stages", lambda s, u: s.way.by_output * u.nameplate_w, 0.0),
    Sought("energy_j", "J", "held by the reservoirs", _energy_j, 0.14),
    Sought("source_ohm", "ohm", "ahead of the rectifier", lambda s, u: s.values["source_ohm"] * u.ohm, 0.21),
    Sought("rail_v", "V", "each rail, by its diodes", _rail_v, 0.0),
    Sought("core_loss_w", "W", "lost in the core", lambda s, u: s.values["core_loss"] * u.nameplate_w, 0.19),
    Sought("magnetising_a", "A", "magnetising current", _magnetising_a, 0.44),
)
"""In the order in which they are told."""
SOFT_START: Final = Sought("soft_start_ohm", "ohm", "soft start", lambda s, u: s.values["soft_ohm"] * u.ohm, 0.28)
RESERVOIR: Final = Sought("reservoir_uf", "uF", "each reservoir", _energy_j, 0.14)
"""By what the reservoirs hold and a rail's voltage."""
