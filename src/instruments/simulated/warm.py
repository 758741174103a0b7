"""Units that are a resistance which warms: a filament lamp and a heater."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from instruments.simulated import lamp
from instruments.simulated.cycle_mean import CycleMean
from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part
from instruments.simulated.unit import Nameplate, Unit

HEATER: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac"),
    "rated_w": Part(750.0, 0.05, "750 W, 5 %"),
    "cold_part": Part(0.94, 0.03, "nickel-chromium: some 6 % more resistance hot (common practice, no source)"),
    "warm_s": Part(20.0, 0.5, "time in which it gets hot"),
}
"""Nominal parts of the heater."""


class Lamp(Unit):
    """A filament lamp; ``values`` as in `lamp.PARTS`."""

    nameplate = Nameplate("filament-lamp", 75.0, 1.0)

    def __init__(self, values: Mapping[str, Real], ops: Ops, *, mains_v: float) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.parameters = lamp.LampParameters(**values, rated_v=mains_v)
        self.state = lamp.LampState()

    def _step(self, source_v: Real, dt_s: float) -> Real:
        filament_ohm = lamp.resistance_ohm(self.parameters, self.state.filament_k)
        line_a = source_v / (self.front.ahead_ohm + filament_ohm)
        lamp.heat(self.parameters, self.state, line_a * line_a * filament_ohm, dt_s)
        return line_a

    def _rest(self, dt_s: float) -> None:
        lamp.heat(self.parameters, self.state, 0.0, dt_s)


class Heater(Unit):
    """A heating element; ``values`` as in `HEATER`."""

    nameplate = Nameplate("heater", 750.0)

    def __init__(self, values: Mapping[str, Real], ops: Ops, *, mains_v: float) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.values = dict(values)
        self._hot_ohm = mains_v * mains_v / values["rated_w"]
        self.warmth: Real = 0.0
        """Its temperature rise, as a part of that at rated power."""
        self._heat_w = CycleMean()

    def _step(self, source_v: Real, dt_s: float) -> Real:
        cold = self.values["cold_part"]
        ohm = self._hot_ohm * (cold + (1.0 - cold) * self.warmth)
        line_a = source_v / (self.front.ahead_ohm + ohm)
        self._heat_w.add(line_a * line_a * ohm)
        return line_a

    def _rest(self, dt_s: float) -> None:
        self._heat_w.add(0.0)

    def _tick(self, span_s: float) -> None:
        heat = self._heat_w.value / self.values["rated_w"]
        self.warmth = self.warmth + span_s * (heat - self.warmth) / self.values["warm_s"]
