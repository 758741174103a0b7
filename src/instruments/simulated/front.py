"""What stands between the bench and a unit: its fuse and switch, a soft start, a series lamp of the technician's.

All of it is a resistance that changes slowly against a time step, so it is worked out anew at each slow tick.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field
from typing import Final

from instruments.simulated import lamp
from instruments.simulated.cycle_mean import STEPS_A_CYCLE, CycleMean
from instruments.simulated.ops import Ops, Real

FILAMENT_STEP_S: Final = 0.003
"""A filament settles in some 20 ms near its rated power: no longer steps than this."""
ROOT2: Final = math.sqrt(2.0)
OPEN_OHM: Final = 1e9
"""An open contact."""
PEAK_KEPT: Final = 1.0 - 1.0 / (6.0 * STEPS_A_CYCLE)
"""What the small auxiliary supply that feeds a relay's coil keeps of its voltage from step to step: for six cycles."""


@dataclass(slots=True)
class Relay:
    """A relay whose coil follows the line: pulls in above one rms voltage, after a delay, and lets go below another."""

    pull_in_v: Real
    let_go_v: Real
    delay_s: Real
    closed: Real = 0.0
    """1 when closed."""
    above_s: Real = 0.0

    def tick(self, coil_v: Real, dt_s: float, ops: Ops) -> None:
        """One slow tick at a coil voltage in terms of line voltage, rms."""
        self.above_s = ops.either(coil_v >= self.pull_in_v, self.above_s + dt_s, 0.0)
        self.closed = ops.either(
            self.above_s >= self.delay_s, 1.0, ops.either(coil_v < self.let_go_v, 0.0, self.closed)
        )


@dataclass(slots=True)
class Resistor:
    """A soft start: a resistor, and the relay that bypasses it."""

    ohm: Real
    bypass: Relay

    def now_ohm(self) -> Real:
        """What it puts into the line now."""
        return self.ohm * (1.0 - self.bypass.closed)

    def tick(self, coil_v: Real, mean_square_a2: Real, dt_s: float, ops: Ops) -> None:
        """One slow tick; the current does not matter to it."""
        self.bypass.tick(coil_v, dt_s, ops)


@dataclass(slots=True)
class Thermistor:
    """A soft start by an NTC thermistor: R = R25 exp(B (1/T - 1/298.15)), warmed by its own loss."""

    ohm_at_25: Real
    beta_k: Real
    k_per_w: Real
    j_per_k: Real
    rise_k: Real = 0.0
    _ohm: Real = field(default=None)

    def now_ohm(self) -> Real:
        """What it puts into the line now."""
        return self.ohm_at_25 if self._ohm is None else self._ohm

    def tick(self, coil_v: Real, mean_square_a2: Real, dt_s: float, ops: Ops) -> None:
        """One slow tick at a mean square current, A^2."""
        heat_w = mean_square_a2 * self.now_ohm()
        self.rise_k = self.rise_k + dt_s * (heat_w - self.rise_k / self.k_per_w) / self.j_per_k
        self._ohm = self.ohm_at_25 * ops.exp(self.beta_k * (1.0 / (298.15 + self.rise_k) - 1.0 / 298.15))


@dataclass(slots=True)
class SeriesLamp:
    """A filament lamp in series with the unit."""

    parameters: lamp.LampParameters
    state: lamp.LampState = field(default_factory=lamp.LampState)

    def now_ohm(self) -> Real:
        """What it puts into the line now."""
        return lamp.resistance_ohm(self.parameters, self.state.filament_k)

    def tick(self, coil_v: Real, mean_square_a2: Real, dt_s: float, ops: Ops) -> None:
        """One slow tick at a mean square current, A^2."""
        pieces = math.ceil(dt_s / FILAMENT_STEP_S)
        for _ in range(pieces):
            lamp.heat(self.parameters, self.state, mean_square_a2 * self.now_ohm(), dt_s / pieces)


Element = Resistor | Thermistor | SeriesLamp


@dataclass(slots=True)
class Front:
    """Everything in series with the unit, from the bench's terminals on."""

    supply_ohm: Real
    """The bench's own: mains, isolation transformer, variac. Ahead of where the line is measured."""
    elements: list[Element] = field(default_factory=list)
    switch_s: Real = 1.0
    """1 while switch and fuse conduct."""
    ahead_ohm: Real = field(init=False)
    _peak_v: Real = 0.0
    _square_a2: CycleMean = field(default_factory=CycleMean)
    _tick_sum: Real = 0.0
    _tick_steps: int = 0

    def __post_init__(self) -> None:
        self._renew()

    def _renew(self) -> None:
        ohm = self.supply_ohm
        for element in self.elements:
            ohm = ohm + element.now_ohm()
        self.ahead_ohm = ohm + OPEN_OHM * (1.0 - self.switch_s)

    def add(self, element: Element) -> None:
        """Put something more in series."""
        self.elements.append(element)
        self._renew()

    def open(self) -> None:
        """Switch off, or blow the fuse."""
        self.switch_s = 0.0
        self._renew()

    def note(self, source_v: Real, line_a: Real, ops: Ops) -> None:
        """Take in one time step, for the next slow tick. Only needed where there are elements."""
        self._peak_v = ops.most(self._peak_v * PEAK_KEPT, ops.size(source_v))
        square_a2 = line_a * line_a
        self._square_a2.add(square_a2)
        self._tick_sum = self._tick_sum + square_a2
        self._tick_steps += 1

    def tick(self, dt_s: float, ops: Ops) -> None:
        """One slow tick."""
        if not self.elements:
            return
        # Since the last tick: a cold filament follows within a cycle. In the averaged model, the last cycle's goes on.
        mean_a2 = self._tick_sum / self._tick_steps if self._tick_steps else self._square_a2.value
        self._tick_sum, self._tick_steps = 0.0, 0
        for element in self.elements:
            element.tick(self._peak_v / ROOT2, mean_a2, dt_s, ops)
        self._renew()
