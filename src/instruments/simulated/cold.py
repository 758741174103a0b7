"""Ohms and diode test of a simulated multimeter: of what its probes are on, once nothing is charged any more."""

from __future__ import annotations

from enum import Enum
from typing import Final

from instruments.simulated.meters import NO_READING_REPLY, OVER_RANGE_REPLY, Front, Input
from instruments.simulated.scpi_server import ScpiInstrument
from instruments.simulated.unit import RAIL_MINUS, RAIL_PLUS
from instruments.simulated.world import World
from rampguard.quantities import Signal

LEADS_OHM: Final = 0.12
TEST_A: Final = 1e-3
DIODE_CEILING_V: Final = 2.5
CHARGED_V: Final = 0.05
"""With more than this on a rail, or at the probes, there is no reading of ohms."""
FULL_OHM: Final = 100.0


class Function(Enum):
    """What a multimeter is set to."""

    VOLTS = "volts"
    RESISTANCE = "resistance"
    FOUR_WIRE = "four-wire resistance"
    DIODE = "diode test"


class Ohms:
    """What a multimeter is set to, and what it reads where that is not volts."""

    def __init__(self, world: World, wired_to: Signal, name: str, seed: int) -> None:
        self._world = world
        self._wired_to = wired_to
        self._front = Input(Front(f"{name}-ohms", 0.0002, 0.00001, 0.000003), seed)
        self.function = Function.VOLTS

    def teach(self, scpi: ScpiInstrument) -> None:
        """Teach an instrument how it is set to ohms and to the diode test."""
        scpi.add("CONFigure:RESistance", lambda _: self._set(Function.RESISTANCE))
        scpi.add("CONFigure:FRESistance", lambda _: self._set(Function.FOUR_WIRE))
        scpi.add("CONFigure:DIODe", lambda _: self._set(Function.DIODE))

    def _set(self, function: Function) -> None:
        self.function = function

    def read(self) -> float:
        """Ohms, or volts of the diode test."""
        if self._is_charged():
            return NO_READING_REPLY
        ohm = self._world.unit.cold_ohm(self._wired_to)
        if self.function is Function.DIODE:
            volts = (ohm + LEADS_OHM) * TEST_A
            return volts if volts < DIODE_CEILING_V else OVER_RANGE_REPLY
        seen = ohm if self.function is Function.FOUR_WIRE else ohm + LEADS_OHM
        return self._front.read(seen, window=self._world.window.number, full=FULL_OHM, resolution=1e-4)

    def _is_charged(self) -> bool:
        at = self._world.unit.dc_values()
        places = (self._wired_to, RAIL_PLUS, RAIL_MINUS)
        return any(abs(float(at.get(place, 0.0))) > CHARGED_V for place in places)
