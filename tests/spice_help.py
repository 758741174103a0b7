"""The circuits that are held against ngspice: the nominal parts, and the simulated unit made of the same parts.

Both start from nothing and run for the same time, so that they are compared while some of them still settle.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

from instruments.simulated.faults import FAULTS
from instruments.simulated.kinds import KINDS
from instruments.simulated.ops import SCALAR
from instruments.simulated.unit import Unit

MAINS_V = 230.0
FREQUENCY_HZ = 50.0
STEPS = 128
LAST_CYCLES = 5
FRACTIONS = (0.1, 0.3, 0.5, 0.8, 1.0)


@dataclass(frozen=True)
class Circuit:
    """One circuit: its netlist's name, the kind of unit and fault it is of, and what is held still for both."""

    name: str
    kind: str
    fault: str = ""
    extra: dict[str, float] = field(default_factory=dict)
    """Parameters that the netlist needs besides the parts."""
    still: Callable[[Any], None] = lambda unit: None
    """What is done to the simulated unit, so that it holds still what the netlist does not have."""
    rail: Callable[[Any], float] = lambda unit: unit.outputs[0].volts
    fractions: tuple[float, ...] = FRACTIONS
    seconds: float = 2.0


def nominal(circuit: Circuit) -> dict[str, float]:
    """Nominal parts of kind and fault, and what the netlist needs besides."""
    parts = {**KINDS[circuit.kind].parts, **(FAULTS[circuit.fault].parts if circuit.fault else {})}
    values = {name: part.nominal for name, part in parts.items()}
    return {"front_ohm": 0.0, "flux0": 0.0, "full_v": MAINS_V * math.sqrt(2.0)} | values | circuit.extra


def simulated(circuit: Circuit) -> Unit:
    """The simulated unit of the same parts."""
    kind = KINDS[circuit.kind]
    values = {name: part.nominal for name, part in kind.parts.items()}
    unit = kind.make(values, SCALAR, MAINS_V, FREQUENCY_HZ)
    if circuit.fault:
        fault = FAULTS[circuit.fault]
        fault.happens(unit, {name: part.nominal for name, part in fault.parts.items()})
    circuit.still(unit)
    return unit


def steady(circuit: Circuit, line_v: float) -> tuple[float, float, float]:
    """Line current (A rms), real power (W) and rail (V) of the simulated unit, over the last whole cycles."""
    unit, dt_s = simulated(circuit), 1.0 / FREQUENCY_HZ / STEPS
    cycles = round(circuit.seconds * FREQUENCY_HZ)
    squares = watts = rail_v = 0.0
    for k in range(1, cycles * STEPS + 1):
        source_v = line_v * math.sqrt(2.0) * math.sin(2.0 * math.pi * k / STEPS)
        line_a = unit.step(source_v, dt_s)
        if k > (cycles - LAST_CYCLES) * STEPS:
            squares += line_a * line_a
            watts += line_a * (source_v - line_a * unit.supply_ohm)
            rail_v += circuit.rail(unit)
    samples = LAST_CYCLES * STEPS
    return math.sqrt(squares / samples), watts / samples, rail_v / samples


def peaks(circuit: Circuit, line_v: float, cycles: int) -> list[float]:
    """Largest line current of each cycle after the relay closes at a rising zero crossing, A."""
    unit, dt_s = simulated(circuit), 1.0 / FREQUENCY_HZ / STEPS
    found = []
    for cycle in range(cycles):
        largest_a = 0.0
        for k in range(1, STEPS + 1):
            source_v = line_v * math.sqrt(2.0) * math.sin(2.0 * math.pi * (cycle * STEPS + k) / STEPS)
            largest_a = max(largest_a, abs(unit.step(source_v, dt_s)))
        found.append(largest_a)
    return found


def _no_drift(unit: Any) -> None:
    for channel in unit.stages.channels:
        channel.drift_a_per_k = 0.0
    unit.stages.relay_a = 0.0


def _soft_start(unit: Any) -> None:
    _no_drift(unit)
    unit.front.elements[0].bypass.pull_in_v = 1e9


def _demagnetised(unit: Any) -> None:
    unit.transformer.magnetise(0.0)


def _running(unit: Any) -> None:
    unit.values |= {"start": 0.0, "stop": -1.0, "soft_s": 1e-6}


def _hot(unit: Any) -> None:
    for heater in (unit.heaters, unit.rectifier_heater):
        heater.warmth, heater.warm_s = 1.0, 1e12


_VALVE = {"heater_ohm": MAINS_V**2 / 44.0}

CIRCUITS = (
    Circuit("amplifier", "amplifier", still=_no_drift),
    Circuit("soft-start-amplifier", "amplifier, soft start by resistor", extra={"front_ohm": 28.0}, still=_soft_start),
    Circuit("single-rail-amplifier", "single-rail amplifier", still=_no_drift),
    Circuit("class-g-amplifier", "class-G amplifier", still=_no_drift),
    Circuit("shorted-rectifier", "amplifier", "shorted diode", still=_no_drift, seconds=1.0),
    Circuit("shorted-output", "amplifier", "shorted output pair", still=_no_drift, seconds=1.0),
    Circuit("transformer", "transformer", still=_demagnetised, rail=lambda unit: abs(unit.transformer.core_v)),
    Circuit(
        "switch-mode",
        "switch-mode unit",
        still=_running,
        rail=lambda u: u.bulk.volts,
        fractions=(0.4, 0.55, 0.7, 0.85, 1.0),
    ),
    Circuit("valve-amplifier", "valve amplifier", extra=_VALVE, still=_hot, rail=lambda unit: unit.output.volts),
    Circuit(
        "choke-input-valve", "valve amplifier, choke input", extra=_VALVE, still=_hot, rail=lambda u: u.output.volts
    ),
)


def _magnetised(unit: Any) -> None:
    # The netlist's core has no remanence: there the flux is of the current alone.
    unit.transformer.magnetise(0.0)
    unit.transformer.flux_wb = 0.4 * unit.transformer.knee_wb


def _magnetised_amplifier(unit: Any) -> None:
    _no_drift(unit)
    _magnetised(unit)


CLOSINGS = (
    (Circuit("amplifier", "amplifier", extra={"flux0": 0.4 * 1.12}, still=_magnetised_amplifier), 161.0),
    (Circuit("transformer", "transformer", extra={"flux0": 0.4 * 1.12}, still=_magnetised), 230.0),
)
"""A relay closes at a rising zero crossing on a core that was left magnetised: circuit and line voltage."""
CLOSING_CYCLES = 8
