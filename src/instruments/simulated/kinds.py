"""The kinds of unit: which parts each has, how it is wound for other mains, and how it is put together."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from instruments.simulated import amplifier, coil, converter, lamp, motor, receiver, valve, warm
from instruments.simulated.front import Relay, Resistor, Thermistor
from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part
from instruments.simulated.unit import Unit

Values = Mapping[str, Real]


@dataclass(frozen=True, slots=True)
class Kind:
    """One kind of unit. ``make`` takes a specimen's values, for the mains (volts rms, hertz) they are used on."""

    parts: Mapping[str, Part]
    make: Callable[[Values, Ops, Real, float], Unit]


SOFT_START: Final = {
    "soft_ohm": Part(28.0, 0.6, "soft-start resistor, 10 to 47 ohm (common practice, no source)"),
    "pull_in": Part(0.70, 0.14, "line voltage at which its bypass relay pulls in, of full: 60 to 80 %"),
    "bypass_delay_s": Part(0.5, 0.4, "delay of the bypass"),
}
INRUSH_NTC: Final = {
    "ntc_ohm": Part(10.0, 0.2, "inrush thermistor, 25 degC"),
    "ntc_beta_k": Part(3000.0, 0.1, "its constant"),
    "ntc_k_per_w": Part(50.0, 0.2, "in still air"),
    "ntc_j_per_k": Part(0.9, 0.3, "a 15 mm disc"),
}


SEVEN_SECTIONS: Final = amplifier.parts_of("split", 7) | {
    f"idle_a_{n}": Part(0.035, 0.3, "idle of a plug-in channel of a seven-channel amplifier") for n in range(1, 8)
}


def _amplifier(layout: amplifier.Layout, extra: Mapping[str, Part] | None = None, channels: int = 2) -> Kind:
    def make(values: Values, ops: Ops, mains_v: float, frequency_hz: float) -> Unit:
        fitted = amplifier.for_mains(values, mains_v, frequency_hz)
        unit = amplifier.Amplifier(fitted, ops, layout=layout, channels=channels, mains_v=mains_v)
        square = (mains_v / amplifier.REFERENCE_V) ** 2
        if "soft_ohm" in values:
            pull_in_v = values["pull_in"] * mains_v
            relay = Relay(pull_in_v, 0.7 * pull_in_v, values["bypass_delay_s"])
            unit.front.add(Resistor(values["soft_ohm"] * square, relay))
        if "ntc_ohm" in values:
            unit.front.add(
                Thermistor(
                    values["ntc_ohm"] * square, values["ntc_beta_k"], values["ntc_k_per_w"], values["ntc_j_per_k"]
                )
            )
        return unit

    return Kind(amplifier.parts_of(layout) | dict(extra or {}), make)


def _receiver(channels: int, *, soft_start: bool = False) -> Kind:
    def make(values: Values, ops: Ops, mains_v: float, frequency_hz: float) -> Unit:
        fitted = receiver.for_mains_receiver(values, mains_v, frequency_hz)
        return receiver.Receiver(fitted, ops, channels=channels, mains_v=mains_v)

    return Kind(receiver.parts_of_receiver(channels, soft_start=soft_start), make)


def _switch_mode(kind: converter.Kind) -> Kind:
    return Kind(
        converter.CORRECTED if kind == "corrected" else converter.PARTS,
        lambda values, ops, volts, hertz: converter.SwitchMode(
            converter.for_mains(values, volts), ops, kind=kind, mains_v=volts
        ),
    )


def _valve(rectifier: valve.Rectifier, *, choke_input: bool = False, standby_switch: bool = False) -> Kind:
    parts = dict(valve.PARTS)
    if choke_input:  # without a capacitor to charge to the peak, the winding is of a higher voltage
        parts["turns_ratio"] = Part(2.0, 0.03, "460-0-460 V")
        parts["bleeder_ohm"] = Part(18_000.0, 0.05, "bleeder that keeps the choke's current above critical")
    return Kind(
        parts,
        lambda values, ops, volts, hertz: valve.ValveAmplifier(
            amplifier.for_mains(values, volts, hertz),
            ops,
            rectifier=rectifier,
            choke_input=choke_input,
            standby_switch=standby_switch,
            mains_v=volts,
        ),
    )


KINDS: Final[Mapping[str, Kind]] = {
    "amplifier": _amplifier("split"),
    "amplifier, 7 sections": _amplifier("split", SEVEN_SECTIONS, channels=7),
    "single-rail amplifier": _amplifier("single"),
    "class-G amplifier": _amplifier("two-pairs"),
    "amplifier, soft start by resistor": _amplifier("split", SOFT_START),
    "amplifier, soft start by NTC": _amplifier("split", INRUSH_NTC),
    "receiver, 2 channels": _receiver(2),
    "receiver, 5 channels": _receiver(5),
    "receiver, 7 channels": _receiver(7),
    "receiver, 9 channels": _receiver(9),
    "receiver, soft start": _receiver(2, soft_start=True),
    "switch-mode unit": _switch_mode("lockout"),
    "switch-mode unit without lockout": _switch_mode("no-lockout"),
    "switch-mode unit, power factor corrected": _switch_mode("corrected"),
    "valve amplifier": _valve("valve"),
    "valve amplifier, directly heated rectifier": _valve("direct-valve"),
    "valve amplifier, silicon rectifier": _valve("silicon"),
    "valve amplifier, choke input": _valve("valve", choke_input=True),
    "valve amplifier, standby switch": _valve("silicon", standby_switch=True),
    "transformer": Kind(
        coil.PARTS,
        lambda values, ops, volts, hertz: coil.BareTransformer(amplifier.for_mains_core(values, volts, hertz), ops),
    ),
    "lamp": Kind(lamp.PARTS, lambda values, ops, volts, hertz: warm.Lamp(values, ops, mains_v=volts)),
    "heater": Kind(warm.HEATER, lambda values, ops, volts, hertz: warm.Heater(values, ops, mains_v=volts)),
    "induction motor": Kind(
        motor.INDUCTION,
        lambda values, ops, volts, hertz: motor.InductionMotor(
            motor.for_mains(values, volts, hertz), ops, frequency_hz=hertz
        ),
    ),
    "universal motor": Kind(
        motor.UNIVERSAL,
        lambda values, ops, volts, hertz: motor.UniversalMotor(motor.for_mains(values, volts, hertz), ops),
    ),
}
"""Every kind, by name."""
