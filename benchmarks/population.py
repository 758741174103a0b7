"""Healthy units spread over what the load classes allow: parts of simulated units from parameters of the classes.

The parameters lie in the classes' ranges but with marginals of their own: towards the middle of the range (the mean of
two even draws, of the logarithm where the range is of one), where the classes' samples fill it evenly. ``beyond``
stretches every range by that part of itself at both ends. The units are then what the simulator makes of their parts,
sample by sample of the waves, with no formula of the classes.

Volts rms, hertz, watts; parts as the simulator names them, for its 230 V, 50 Hz version.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np

from instruments.simulated import kinds
from instruments.simulated.amplifier import REFERENCE_V
from instruments.simulated.ops import ARRAY
from instruments.simulated.tolerances import draw
from instruments.simulated.unit import Unit
from rampguard.loads.families import FAMILIES
from rampguard.loads.ranges import Range

HERTZ: Final = 50.0
PEAK_V: Final = REFERENCE_V * 2.0**0.5
INDUCTION_W: Final = 56.0
UNIVERSAL_W: Final = 113.0
"""What the simulated motors take, running, by their nominal parts."""
Parts = dict[str, float]
Specimen = tuple[float, Parts]
"""Nameplate power and parts."""


@dataclass(frozen=True, slots=True)
class Population:
    """One kind of unit of a class; ``parts`` draws a specimen. ``press_at``: part of line at which it is pressed."""

    load_class: str
    kind: str
    parts: Callable[[Draw], Specimen]
    press_at: float | None = None


class Draw:
    """Draws from a class's ranges, and from the parts of a simulated kind."""

    def __init__(self, load_class: str, kind: str, generator: np.random.Generator, beyond: float) -> None:
        self._ranges = FAMILIES[load_class].ranges
        self._generator = generator
        self._beyond = beyond
        self.nominal = draw(kinds.KINDS[kind].parts, generator)
        """The kind's own parts with their tolerances, for those that no class speaks of."""

    def __call__(self, name: str, low: float | None = None, high: float | None = None) -> float:
        """A parameter of the class; ``low`` and ``high`` narrow it to what the simulator can make."""
        item = self._ranges[name]
        return self.between(item.low if low is None else low, item.high if high is None else high, log=item.log)

    def between(self, low: float, high: float, *, log: bool = False) -> float:
        """A value within (or a little beyond) two others."""
        part = float(np.mean(self._generator.uniform(0.0, 1.0, 2)))
        part = (1.0 + 2.0 * self._beyond) * part - self._beyond
        return float(Range(low, high, "drawn", log=log).at(np.array(part)))


def _core(d: Draw, watts: float) -> Parts:
    nominal_a = watts / REFERENCE_V
    return {
        "magnetising_h": REFERENCE_V / (2.0 * np.pi * HERTZ * d("magnetising") * nominal_a),
        "knee_a": d("knee") * nominal_a,
        "core_loss_ohm": REFERENCE_V**2 / (d("core_loss") * watts),
    }


def _amplifier(d: Draw, watts_from: float = 50.0, watts_to: float = 900.0, channels: int = 2) -> Specimen:
    watts = d.between(watts_from, watts_to, log=True)
    unit_ohm = REFERENCE_V**2 / watts
    # The simulator's small stages draw fully from 20 V: rails of 31 V and more keep within the class's small_full.
    rail_v = 0.8 / d("drop", 0.8 / 110.0, 0.8 / 33.0)
    ratio = rail_v / PEAK_V
    source_ohm, primary = d("source_ohm") * unit_ohm, d.between(0.4, 0.6)
    supply_ohm = min(d.nominal["supply_ohm"], 0.2 * source_ohm)
    idle_w, biased, resistive = d("idle") * watts, d("biased"), d("resistive", 0.01)
    channel_w = idle_w * biased * (1.0 - resistive) / channels
    idle_a = channel_w / (2.0 * rail_v)
    sink_k, device_k = 22.0, 6.0
    parts = d.nominal | _core(d, watts)
    parts |= {
        "supply_ohm": supply_ohm,
        "primary_ohm": primary * source_ohm - supply_ohm,
        "turns_ratio": ratio,
        # On each half cycle both half windings charge, side by side.
        "secondary_ohm": 2.0 * ratio**2 * (1.0 - primary) * source_ohm,
        "reservoir_plus_f": d("farad") * watts / rail_v**2 * d.between(0.9, 1.1),
        "small_signal_a": idle_w * (1.0 - biased) * (1.0 - resistive) / (2.0 * rail_v),
        "bleeder_ohm": 2.0 * rail_v**2 / (idle_w * resistive),
        "relay_a": 0.05 * idle_w / rail_v,
        "dark_below_v": d("dark") * rail_v,
        "idle_span_v": d("span") * rail_v,
    }
    parts["reservoir_minus_f"] = parts["reservoir_plus_f"] * d.between(0.9, 1.1)
    drift, drift_s = d("drift"), d("drift_s")
    for n in range(1, channels + 1):
        parts |= {
            f"idle_a_{n}": idle_a,
            f"drift_a_per_k_{n}": drift * idle_a / (sink_k + device_k),
            f"sink_k_per_w_{n}": sink_k / channel_w,
            f"sink_j_per_k_{n}": drift_s * channel_w / sink_k,
            f"device_k_per_w_{n}": device_k / channel_w,
            f"device_j_per_k_{n}": 0.05 * drift_s * channel_w / device_k,
        }
    if "soft_ohm" in parts:
        parts |= {"soft_ohm": d("soft_ohm") * unit_ohm, "pull_in": d.between(0.6, 0.8)}
    return watts, parts


def _receiver(d: Draw) -> Specimen:
    watts, parts = _amplifier(d, 200.0, 700.0)
    # The standby supply is the simulator's own, of some 2 W: within the class for nameplates from 200 W.
    if "soft_ohm" in parts:  # its relay watches the rails, not the line
        parts["pull_in"] = d.nominal["pull_in"]
    return watts, parts


def _valve(d: Draw) -> Specimen:
    watts = d.between(40.0, 300.0, log=True)
    unit_ohm = REFERENCE_V**2 / watts
    tension_v = 400.0
    parts = d.nominal | _core(d, watts)
    ratio = parts["turns_ratio"]
    source_ohm, primary = d("source_ohm", 0.05, 0.35) * unit_ohm, d.between(0.3, 0.5)
    supply_ohm = min(parts["supply_ohm"], 0.1 * source_ohm)
    anodes_w = d("anodes") * watts
    heaters_w = d("heaters") * watts
    rectifier = 0.2 if "rectifier_heater_w" in parts else 0.0
    return watts, parts | {
        "supply_ohm": supply_ohm,
        "primary_ohm": primary * source_ohm - supply_ohm,
        "secondary_ohm": ratio**2 * (1.0 - primary) * source_ohm,
        "reservoir_plus_f": 2.0 * d("farad", 0.01, 0.2) * watts / tension_v**2,
        "heater_w": heaters_w * (1.0 - rectifier),
        "rectifier_heater_w": heaters_w * max(rectifier, 0.01),
        "cold_part": d("cold"),
        "warm_s": d("heater_s", 3.0, 13.0),
        "rectifier_warm_s": d("heater_s", 3.0, 10.0),
        "perveance": parts["perveance"] * watts / 120.0,
        "anode_a": anodes_w / tension_v,
        "bleeder_ohm": tension_v**2 / (anodes_w * d("bleeder", 0.005)),
    }


def _switch_mode(d: Draw) -> Specimen:
    watts = d.between(15.0, 400.0, log=True)
    unit_ohm, nominal_a = REFERENCE_V**2 / watts, watts / REFERENCE_V
    source_ohm = d("source_ohm") * unit_ohm
    # With more load than that a converter that starts early passes layer 1's ceiling on current, healthy as it is.
    load_w, limit_w = d("load", high=0.6) * watts, d("limit") * watts
    supply_ohm = min(d.nominal["supply_ohm"], 0.3 * source_ohm)
    start = d.between(0.35, 0.90)
    return watts, d.nominal | {
        "supply_ohm": supply_ohm,
        "x_f": d("filter", high=0.2) * nominal_a / (2.0 * np.pi * HERTZ * REFERENCE_V),
        "limiter_ohm": source_ohm - supply_ohm,
        "bulk_f": d("farad") * nominal_a / REFERENCE_V,
        "idle_w": load_w,
        "bleed_ohm": PEAK_V**2 / (d("standby", high=0.02) * watts),
        "start": start,
        "stop": start * d.between(0.55, 0.85),
        "limit_w": max(limit_w, 1.2 * load_w),
        "soft_s": d("soft_s"),
    }


def _transformer(d: Draw) -> Specimen:
    watts = d.between(20.0, 800.0, log=True)
    return watts, d.nominal | _core(d, watts) | {"primary_ohm": d.between(0.02, 0.1) * REFERENCE_V**2 / watts}


def _heater(d: Draw) -> Specimen:
    watts = d.between(100.0, 2500.0, log=True)
    return watts, d.nominal | {"rated_w": watts * d("rated"), "cold_part": d("cold"), "warm_s": d("warm_s")}


def _lamp(d: Draw) -> Specimen:
    watts = d.between(15.0, 500.0, log=True)
    rated = {"rated_w": watts * d("rated"), "thermal_s": d("mass_s"), "conducted": d("conducted")}
    return watts, d.nominal | rated


def _motor(running_w: float) -> Callable[[Draw], Specimen]:
    """The simulated motors as they are: their tolerances are their spread; only the nameplate is drawn."""
    return lambda d: (running_w / d("running", 0.5, 1.1), d.nominal)


POPULATIONS: Final = (
    Population("linear-amplifier", "amplifier", _amplifier),
    Population("linear-amplifier", "amplifier, soft start by resistor", _amplifier),
    Population("receiver", "receiver, 2 channels", _receiver, press_at=0.75),
    Population("receiver", "receiver, soft start", _receiver, press_at=0.75),
    Population("valve-amplifier", "valve amplifier", _valve),
    Population("valve-amplifier", "valve amplifier, silicon rectifier", _valve),
    Population("switch-mode", "switch-mode unit", _switch_mode),
    Population("switch-mode", "switch-mode unit without lockout", _switch_mode),
    Population("switch-mode", "switch-mode unit, power factor corrected", _switch_mode),
    Population("transformer", "transformer", _transformer),
    Population("heater", "heater", _heater),
    Population("filament-lamp", "lamp", _lamp),
    Population("motor", "induction motor", _motor(INDUCTION_W)),
    Population("motor", "universal motor", _motor(UNIVERSAL_W)),
)


def specimens(
    population: Population, count: int, generator: np.random.Generator, *, beyond: float = 0.0
) -> tuple[np.ndarray, Mapping[str, np.ndarray]]:
    """Nameplate powers and parts of so many units, as arrays."""
    drawn = [population.parts(Draw(population.load_class, population.kind, generator, beyond)) for _ in range(count)]
    names = drawn[0][1].keys()
    return np.array([watts for watts, _ in drawn]), {name: np.array([p[name] for _, p in drawn]) for name in names}


def batch(population: Population, parts: Mapping[str, np.ndarray], mains_v: np.ndarray, frequency_hz: float) -> Unit:
    """Units of these parts, each wound for its mains, as one."""
    return kinds.KINDS[population.kind].make(parts, ARRAY, mains_v, frequency_hz)
