"""The model of each load class, by the class's name."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from rampguard.loads.converter import SwitchMode
from rampguard.loads.model import Model
from rampguard.loads.others import FilamentLamp, Heater, Motor, TransformerAlone
from rampguard.loads.supply import LinearAmplifier, Receiver, ValveAmplifier

FAMILIES: Final[Mapping[str, type[Model]]] = {
    "linear-amplifier": LinearAmplifier,
    "receiver": Receiver,
    "valve-amplifier": ValveAmplifier,
    "switch-mode": SwitchMode,
    "transformer": TransformerAlone,
    "heater": Heater,
    "filament-lamp": FilamentLamp,
    "motor": Motor,
}
"""By load-class name."""
