"""The model of each load class, by the class's name."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from rampguard.loads.converter import SwitchMode
from rampguard.loads.model import Model
from rampguard.loads.others import FilamentLamp, Heater, Motor, TransformerAlone
from rampguard.loads.ranges import Range
from rampguard.loads.rectifier import Floats
from rampguard.loads.supply import LinearAmplifier, Receiver, ValveAmplifier


@dataclass(frozen=True, slots=True)
class Family:
    """A class's parameters with their ranges, and how its model is made from samples of them."""

    ranges: Mapping[str, Range]
    make: Callable[[Mapping[str, Floats]], Model]


FAMILIES: Final[Mapping[str, Family]] = {
    "linear-amplifier": Family(LinearAmplifier.ranges, LinearAmplifier),
    "receiver": Family(Receiver.ranges, Receiver),
    "valve-amplifier": Family(ValveAmplifier.ranges, ValveAmplifier),
    "switch-mode": Family(SwitchMode.ranges, SwitchMode),
    "transformer": Family(TransformerAlone.ranges, TransformerAlone),
    "heater": Family(Heater.ranges, Heater),
    "filament-lamp": Family(FilamentLamp.ranges, FilamentLamp),
    "motor": Family(Motor.ranges, Motor),
}
"""By load-class name."""
