"""A receiver: a standby supply that is always on, and a main relay that closes when power is pressed."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final

from instruments.simulated.amplifier import (
    REFERENCE_V,
    SPLIT,
    Staged,
    for_mains,
    outputs_of,
    parts_of,
    stages_of,
    transformer_of,
)
from instruments.simulated.front import OPEN_OHM, Front, Relay, Resistor
from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part
from instruments.simulated.transformer import Output, Transformer
from instruments.simulated.unit import Nameplate

STANDBY: Final = {
    "primary_ohm": Part(900.0, 0.15, "3 VA frame (makers' tables, from memory)"),
    "turns_ratio": Part(0.047, 0.05, "11 V at 230 V, off load a fifth more"),
    "secondary_ohm": Part(3.0, 0.15, "3 VA frame"),
    "reservoir_plus_f": Part(0.001, 0.2, "1 mF electrolytic"),
    "magnetising_h": Part(60.0, 0.3, "small frames magnetise with much of their rated current"),
    "knee_wb": Part(1.08, 0.05, "little above the peak flux at 230 V, 50 Hz"),
    "knee_a": Part(0.004, 0.3, "extra magnetising current at the knee"),
    "residual": Part(0.3, 0.5, "flux kept by the core"),
    "core_loss_ohm": Part(70_000.0, 0.3, "0.8 W of core loss at 230 V"),
}
"""The standby supply's transformer; common practice, no source."""

CONTROL: Final = {
    "controller_a": Part(0.045, 0.3, "controller and display, behind a regulator"),
    "coil_a": Part(0.030, 0.2, "12 V relay coil"),
    "ready_v": Part(7.6, 0.08, "standby rail from which the controller runs and the relay pulls in"),
    "let_go_v": Part(5.2, 0.08, "standby rail below which the controller resets and the relay drops out"),
}
"""What hangs on the standby supply."""

SOFT_START: Final = {
    "soft_ohm": Part(28.0, 0.6, "soft-start resistor behind the main relay, 10 to 47 ohm (common practice, no source)"),
    "pull_in": Part(0.6, 0.1, "part of the full rails from which its bypass relay pulls in: it never does on a short"),
    "bypass_delay_s": Part(0.3, 0.3, "delay of the bypass"),
}
"""A soft start that watches the main rails; common practice, no source."""

MAIN: Final = SPLIT | {
    "small_signal_a": Part(0.18, 0.3, "drivers, voltage amplifiers, tuner, decoders and their regulators, per rail"),
}
NAMEPLATE: Final = Nameplate("receiver", 350.0)
CONTACT_OHM: Final = 0.03
REGULATED_FROM_V: Final = 3.0
"""Standby rail from which the controller draws its full current."""


def parts_of_receiver(channels: int, *, soft_start: bool = False) -> dict[str, Part]:
    """All parts: the amplifier's, and the standby supply's with ``standby_`` ahead."""
    parts = parts_of("split", channels) | MAIN | (SOFT_START if soft_start else {})
    parts |= {f"idle_a_{n}": Part(0.035, 0.3, "idle of an integrated-style channel") for n in range(3, channels + 1)}
    return parts | {f"standby_{name}": part for name, part in STANDBY.items()} | CONTROL


def for_mains_receiver(values: Mapping[str, Real], mains_v: float, frequency_hz: float) -> dict[str, Real]:
    """Both transformers wound for other mains."""
    small = for_mains(_standby_of(values), mains_v, frequency_hz)
    return for_mains(values, mains_v, frequency_hz) | {f"standby_{name}": value for name, value in small.items()}


def _standby_of(values: Mapping[str, Real]) -> dict[str, Real]:
    return {name: values[f"standby_{name}"] for name in STANDBY}


class Receiver(Staged):
    """A receiver with two to nine channels; ``values`` as named by `parts_of_receiver`."""

    def __init__(self, values: Mapping[str, Real], ops: Ops, *, channels: int = 5, mains_v: float) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.nameplate = NAMEPLATE
        self.values = dict(values)
        self.outputs = outputs_of(values, "split")
        self.transformer = transformer_of(values, self.outputs)
        # The core was left magnetised when it was last switched off.
        self.transformer.magnetise(self.transformer.residual_wb)
        self.stages = stages_of(values, self.outputs, channels, mains_v)
        self.channels = channels
        small = _standby_of(values)
        self.standby_output = Output(
            small["turns_ratio"], small["secondary_ohm"], small["reservoir_plus_f"], junctions=2
        )
        self.standby: Transformer = transformer_of(small, (self.standby_output,))
        self.ready: Real = 0.0
        """1 while the controller runs."""
        self.wanted: Real = 0.0
        """1 once power was pressed with the controller running."""
        self._pressed = False
        self._at_primary_v: Real = 0.0
        self._standby_a: Real = 0.0
        self._soft: Resistor | None = None
        if "soft_ohm" in values:
            pull_in_v = values["pull_in"] * self.stages.full_v
            bypass = Relay(pull_in_v, 0.5 * pull_in_v, values["bypass_delay_s"])
            self._soft = Resistor(values["soft_ohm"] * (mains_v / REFERENCE_V) ** 2, bypass)

    def press_power(self) -> None:
        """Press the power button; a controller that does not run takes no notice."""
        self._pressed = True

    def _step(self, source_v: Real, dt_s: float) -> Real:
        self.stages.step(self.ops)
        ahead_ohm = self.front.ahead_ohm
        # The standby supply as the main transformer sees it: its current of the step before, and what a volt adds.
        beside_s = self.standby.input_s
        shared = 1.0 + ahead_ohm * beside_s
        behind_v = (source_v - ahead_ohm * (self._standby_a - beside_s * self._at_primary_v)) / shared
        contact_ohm = CONTACT_OHM + OPEN_OHM * (1.0 - self.wanted)
        if self._soft is not None:
            contact_ohm = contact_ohm + self._soft.now_ohm()
        main_a = self.transformer.step(ahead_ohm / shared + contact_ohm, behind_v, dt_s, self.ops)
        self._at_primary_v = behind_v - main_a * ahead_ohm / shared
        self._standby_a = self.standby.step(0.0, self._at_primary_v, dt_s, self.ops)
        return main_a + self._standby_a

    def _rest(self, dt_s: float) -> None:
        self.stages.step(self.ops)
        self.transformer.rest(dt_s, self.ops)
        self.standby.rest(dt_s, self.ops)
        self._at_primary_v, self._standby_a = 0.0, 0.0

    def _tick(self, span_s: float) -> None:
        ops, p = self.ops, self.values
        rail_v = self.standby_output.volts
        self.ready = ops.either(rail_v >= p["ready_v"], 1.0, ops.either(rail_v < p["let_go_v"], 0.0, self.ready))
        if self._pressed:
            self._pressed = False
            self.wanted = ops.most(self.wanted, self.ready)
        self.wanted = self.wanted * self.ready
        drawn = ops.within_unit(rail_v / REGULATED_FROM_V)
        self.standby_output.take_a = p["controller_a"] * drawn + p["coil_a"] * self.wanted
        self.stages.tick(span_s, ops)
        if self._soft is not None:
            self._soft.bypass.tick(self.outputs[0].volts, span_s, ops)
