"""The units that can be put on the simulated bench: a kind, perhaps a fault, each drawn by a seed from its parts.

The same seed draws the same specimen of a kind, whole or faulted.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Final
from zlib import crc32

import numpy as np

from instruments.simulated import lamp
from instruments.simulated.faults import FAULTS
from instruments.simulated.front import SeriesLamp
from instruments.simulated.kinds import KINDS
from instruments.simulated.ops import ARRAY, SCALAR, Ops, Real
from instruments.simulated.tolerances import draw, stack
from instruments.simulated.unit import Unit


class UnknownUnit(ValueError):  # noqa: N818 - a state of the input, read as one
    """No such unit on the simulated bench."""


@dataclass(frozen=True, slots=True)
class Recipe:
    """A unit by name: its kind, its fault, and where in a ramp someone has to press its power button."""

    kind: str
    fault: str = ""
    press_power_at: float | None = None
    """Part of line voltage; None: as its load class has it."""
    fault_at_s: float = 0.0
    """Seconds under voltage after which the fault comes; 0: it is there from the beginning."""


UNITS: Final[Mapping[str, Recipe]] = {
    "healthy-amplifier": Recipe("amplifier"),
    "single-rail-amplifier": Recipe("single-rail amplifier"),
    "class-g-amplifier": Recipe("class-G amplifier"),
    "soft-start-amplifier": Recipe("amplifier, soft start by resistor"),
    "ntc-amplifier": Recipe("amplifier, soft start by NTC"),
    "shorted-output": Recipe("amplifier", "shorted output pair"),
    "late-shorted-output": Recipe("amplifier", "shorted output pair", fault_at_s=24.0),
    "seven-sections": Recipe("amplifier, 7 sections"),
    "shorted-section": Recipe("amplifier, 7 sections", "shorted section"),
    "seven-sections-shorted-rectifier": Recipe("amplifier, 7 sections", "shorted diode"),
    "one-sided-short": Recipe("amplifier", "one output device shorted"),
    "shorted-rectifier": Recipe("amplifier", "shorted diode"),
    "shorted-turns": Recipe("amplifier", "shorted turns"),
    "leaky-reservoir": Recipe("amplifier", "leaking reservoir"),
    "rising-leak": Recipe("amplifier", "reservoir leaking more and more"),
    "reforming-reservoir": Recipe("amplifier", "leaking reservoir that reforms"),
    "idle-runaway": Recipe("amplifier", "idle runaway"),
    "missing-rail": Recipe("amplifier", "missing rail"),
    "open-fuse": Recipe("amplifier", "open fuse"),
    "switch-off": Recipe("amplifier", "switch left off"),
    "healthy-receiver": Recipe("receiver, 5 channels"),
    "stereo-receiver": Recipe("receiver, 2 channels"),
    "seven-channel-receiver": Recipe("receiver, 7 channels"),
    "repaired-receiver": Recipe("receiver, 7 channels", "trimmers at minimum"),
    "repaired-amplifier": Recipe("amplifier", "trimmers at minimum"),
    "seven-channel-runaway": Recipe("receiver, 7 channels", "idle runaway of one channel"),
    "nine-channel-receiver": Recipe("receiver, 9 channels"),
    "soft-start-receiver": Recipe("receiver, soft start"),
    "shorted-soft-start-receiver": Recipe("receiver, soft start", "shorted output pair"),
    "shorted-receiver": Recipe("receiver, 5 channels", "shorted output pair"),
    "one-channel-runaway": Recipe("receiver, 5 channels", "idle runaway of one channel"),
    "healthy-switch-mode": Recipe("switch-mode unit"),
    "no-lockout-switch-mode": Recipe("switch-mode unit without lockout"),
    "corrected-switch-mode": Recipe("switch-mode unit, power factor corrected"),
    "shorted-switch": Recipe("switch-mode unit", "shorted converter switch"),
    "hiccup-switch-mode": Recipe("switch-mode unit", "overloaded converter"),
    "switch-mode-switch-off": Recipe("switch-mode unit", "switch left off behind the filter"),
    "healthy-valve": Recipe("valve amplifier"),
    "direct-rectifier-valve": Recipe("valve amplifier, directly heated rectifier"),
    "silicon-valve": Recipe("valve amplifier, silicon rectifier"),
    "choke-input-valve": Recipe("valve amplifier, choke input"),
    "standby-valve": Recipe("valve amplifier, standby switch", press_power_at=1.0),
    "shorted-rectifier-valve": Recipe("valve amplifier", "shorted rectifier valve"),
    "transformer": Recipe("transformer"),
    "transformer-shorted-turns": Recipe("transformer", "shorted turns"),
    "lamp": Recipe("lamp"),
    "heater": Recipe("heater"),
    "induction-motor": Recipe("induction motor"),
    "universal-motor": Recipe("universal motor"),
}
"""Every unit, by name."""


def recipe(name: str) -> Recipe:
    """A unit's recipe. Raises UnknownUnit, saying which there are."""
    try:
        return UNITS[name]
    except KeyError:
        raise UnknownUnit(f"there is no unit {name!r} on the simulated bench; there are: {', '.join(UNITS)}") from None


def make_unit(
    name: str,
    seed: int,
    mains_v: float,
    frequency_hz: float,
    *,
    series_lamp_w: float | None = None,
    fault_at_s: float | None = None,
) -> Unit:
    """One specimen, volts rms, hertz; behind a series lamp of ``series_lamp_w`` watts where that is given.

    ``fault_at_s`` has a fault come so long after line voltage first did. Raises UnknownUnit.
    """
    values, drawn = _draw(recipe(name), seed)
    unit = _assemble(name, values, drawn, SCALAR, mains_v, frequency_hz, fault_at_s)
    if series_lamp_w is not None:
        parts = {key: part for key, part in lamp.PARTS.items() if key not in ("supply_ohm", "rated_w")}
        others = draw(parts, np.random.default_rng([seed, crc32(b"series lamp")]))
        parameters = lamp.LampParameters(supply_ohm=0.0, rated_w=series_lamp_w, rated_v=mains_v, **others)
        unit.front.add(SeriesLamp(parameters))
    return unit


def make_batch(name: str, seeds: Sequence[int], mains_v: float, frequency_hz: float) -> Unit:
    """As many specimens as there are seeds, as one unit whose every value is an array. Raises UnknownUnit."""
    pairs = [_draw(recipe(name), seed) for seed in seeds]
    values = stack([values for values, _ in pairs])
    drawn = stack([drawn for _, drawn in pairs]) if pairs[0][1] else {}
    return _assemble(name, values, drawn, ARRAY, mains_v, frequency_hz, None)


def _draw(chosen: Recipe, seed: int) -> tuple[dict[str, float], dict[str, float]]:
    values = draw(KINDS[chosen.kind].parts, np.random.default_rng([seed, crc32(chosen.kind.encode())]))
    if not chosen.fault:
        return values, {}
    return values, draw(FAULTS[chosen.fault].parts, np.random.default_rng([seed, crc32(chosen.fault.encode())]))


def _assemble(
    name: str,
    values: Mapping[str, Real],
    drawn: Mapping[str, Real],
    ops: Ops,
    mains_v: float,
    frequency_hz: float,
    fault_at_s: float | None,
) -> Unit:
    chosen = UNITS[name]
    unit = KINDS[chosen.kind].make(values, ops, mains_v, frequency_hz)
    if chosen.fault:
        happens = FAULTS[chosen.fault].happens
        unit.fail(chosen.fault_at_s if fault_at_s is None else fault_at_s, lambda: happens(unit, drawn))
    return unit
