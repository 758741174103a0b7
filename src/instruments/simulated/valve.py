"""Valve amplifiers: heaters, a rectifier of valves or silicon, capacitor or choke input, and a standby switch."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final, Literal

from instruments.simulated import amplifier
from instruments.simulated.cycle_mean import CycleMean
from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part
from instruments.simulated.transformer import Output
from instruments.simulated.unit import Nameplate, Unit

PARTS: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac"),
    "primary_ohm": Part(9.0, 0.15, "150 VA frame: some 5 % regulation in the primary (makers' tables, from memory)"),
    "turns_ratio": Part(1.35, 0.03, "310-0-310 V"),
    "secondary_ohm": Part(70.0, 0.15, "each half of the high-tension winding"),
    "reservoir_plus_f": Part(50e-6, 0.2, "47 uF electrolytic"),
    "magnetising_h": Part(9.0, 0.3, "a laminated frame: some 80 mA of magnetising current"),
    "knee_wb": Part(1.15, 0.05, "a tenth above the peak flux at 230 V, 50 Hz"),
    "knee_a": Part(0.08, 0.3, "extra magnetising current at the knee"),
    "residual": Part(0.4, 0.5, "flux kept by the core"),
    "core_loss_ohm": Part(8_800.0, 0.3, "6 W of core loss at 230 V"),
    "heater_w": Part(34.0, 0.08, "heaters of all valves but the rectifier, at rated voltage"),
    "rectifier_heater_w": Part(10.0, 0.05, "the rectifier's own"),
    "cold_part": Part(0.16, 0.15, "cold heater resistance, of the hot"),
    "warm_s": Part(9.0, 0.2, "cathodes, heated indirectly"),
    "rectifier_warm_s": Part(6.0, 0.4, "the rectifier's cathode; a directly heated one is a third of that"),
    "perveance": Part(2.0e-3, 0.15, "rectifier valve: 200 mA at 22 V"),
    "anode_a": Part(0.095, 0.15, "anodes and screens at 400 V of high tension, all valves warm"),
    "bleeder_ohm": Part(220_000.0, 0.1, "bleeder"),
    "choke_h": Part(8.0, 0.15, "smoothing choke, where it comes first"),
    "choke_ohm": Part(110.0, 0.15, "its winding"),
}
"""Nominal parts of a 120 W nameplate. All common practice, no source."""

NAMEPLATE: Final = Nameplate("valve-amplifier", 120.0, 1.0)
ANODE_AT_V: Final = 400.0
Rectifier = Literal["valve", "direct-valve", "silicon"]


@dataclass(slots=True)
class Heater:
    """Heaters in parallel: resistance rises with temperature, cathodes follow. ``warmth`` is 0 cold, 1 at rated power.

    Tungsten from room temperature to some 1100 K rises five to seven times (CRC Handbook's resistivity: 1000 K over
    300 K is 4.4); loss goes as the fourth power of temperature, here as a mix of that and of conduction.
    """

    rated_w: Real
    cold_part: Real
    warm_s: Real
    warmth: Real = 0.0

    def resistance_part(self) -> Real:
        """Resistance now, of that at rated power."""
        return self.cold_part + (1.0 - self.cold_part) * self.warmth

    def tick(self, voltage_part_squared: Real, dt_s: float, ops: Ops) -> None:
        """One slow tick at a mean square voltage, as a part of the rated one's."""
        heat = voltage_part_squared / self.resistance_part()
        absolute = 0.27 + 0.73 * self.warmth  # of the temperature at rated power
        square = absolute * absolute
        lost = 0.85 * (square * square - 0.0053) / 0.9947 + 0.15 * self.warmth
        self.warmth = ops.above_zero(self.warmth + dt_s * (heat - lost) / self.warm_s)

    def emission(self, ops: Ops) -> Real:
        """How far the cathode emits: nothing below 80 % of its temperature rise, all it is asked for above 95 %."""
        return ops.within_unit((self.warmth - 0.80) / 0.15)


class ValveAmplifier(Unit):
    """A valve amplifier; ``values`` as in `PARTS`, for the mains they are used on."""

    def __init__(
        self,
        values: Mapping[str, Real],
        ops: Ops,
        *,
        rectifier: Rectifier = "valve",
        choke_input: bool = False,
        standby_switch: bool = False,
        mains_v: float,
    ) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.nameplate = NAMEPLATE
        self.values = dict(values)
        self.mains_v = mains_v
        self.output = Output(
            values["turns_ratio"],
            values["secondary_ohm"] + (values["choke_ohm"] if choke_input else 0.0),
            values["reservoir_plus_f"],
            choke_h=values["choke_h"] if choke_input else 0.0,
            perveance=None if rectifier == "silicon" else values["perveance"],
            emission=1.0 if rectifier == "silicon" else 0.0,
        )
        self.transformer = amplifier.transformer_of(values, (self.output,))
        self.heaters = Heater(values["heater_w"], values["cold_part"], values["warm_s"])
        own_s = values["rectifier_warm_s"] * (0.33 if rectifier == "direct-valve" else 1.0)
        self.rectifier_heater = (
            None if rectifier == "silicon" else Heater(values["rectifier_heater_w"], values["cold_part"], own_s)
        )
        self.connected: Real = 0.0 if standby_switch else 1.0
        """1 while the standby switch lets high tension through to the valves."""
        self._square_v2 = CycleMean()

    def press_power(self) -> None:
        """Throw the standby switch to operate."""
        self.connected = 1.0

    def _step(self, source_v: Real, dt_s: float) -> Real:
        line_a = self.transformer.step(self.front.ahead_ohm, source_v, dt_s, self.ops)
        core_v = self.transformer.core_v
        self._square_v2.add(core_v * core_v)
        return line_a

    def _rest(self, dt_s: float) -> None:
        self.transformer.rest(dt_s, self.ops)
        self._square_v2.add(0.0)

    def _tick(self, span_s: float) -> None:
        ops, p = self.ops, self.values
        part2 = self._square_v2.value / (self.mains_v * self.mains_v)
        loaded_s: Real = 0.0
        for heater in (self.heaters, self.rectifier_heater):
            if heater is not None:
                heater.tick(part2, span_s, ops)
                loaded_s = loaded_s + heater.rated_w / (self.mains_v * self.mains_v) / heater.resistance_part()
        self.transformer.loaded_s = loaded_s
        if self.rectifier_heater is not None:
            self.output.emission = self.rectifier_heater.emission(ops)
        volts = self.output.volts
        # Triodes and screens: current as the 3/2 power of the high tension (Child and Langmuir's law), self-biased.
        anode_a = p["anode_a"] * ops.power(ops.above_zero(volts) / ANODE_AT_V, 1.5) * self.heaters.emission(ops)
        self.output.take_a = anode_a * self.connected + volts / p["bleeder_ohm"]
