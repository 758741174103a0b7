"""What can be wrong with a unit: each fault as what happens to a whole one, with parts of its own to draw."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np

from instruments.simulated.kinds import Values
from instruments.simulated.stages import Leak
from instruments.simulated.tolerances import Part


@dataclass(frozen=True, slots=True)
class Fault:
    """A fault: ``happens`` does it to a unit, with the values drawn for ``parts``.

    Done again with other values, it is as if they had been the first: so of a batch some can fail, and others later.
    """

    happens: Callable[[Any, Values], None]
    parts: Mapping[str, Part] = field(default_factory=dict)


def _short_output(unit: Any, v: Values) -> None:
    # A shorted pair has its two emitter resistors in series with what is left of the devices.
    unit.stages.short_s = 1.0 / (v["short_ohm"] + 2.0 * unit.stages.channels[0].emitter_ohm)


def _short_a_section(unit: Any, v: Values) -> None:
    unit.stages.short_in = np.floor(v["section"])
    unit.stages.short_s = 10.0 ** -v["decades_ohm"]


def _short_one_side(unit: Any, v: Values) -> None:
    _short_output(unit, v)
    unit.stages.driven_a = v["driven_a"]


def _short_diode(unit: Any, v: Values) -> None:
    output = unit.outputs[0]
    output.short_s = 1.0 / (output.ohm + v["short_ohm"])


def _short_turns(unit: Any, v: Values) -> None:
    # A part f of the primary's turns, of the same wire, shorted: its resistance f R, seen through f squared.
    unit.transformer.shorted_s = v["turns"] / unit.transformer.primary_ohm


def _leak(per_s: float) -> Callable[[Any, Values], None]:
    def happens(unit: Any, v: Values) -> None:
        stages = unit.stages
        stages.leak = Leak(stages.plus, stages.full_v, v["leak_a"], per_s)

    return happens


def _run_away(unit: Any, v: Values) -> None:
    for channel in unit.stages.channels:
        channel.drift_a_per_k = v["drift_a_per_k"]


def _one_runs_away(unit: Any, v: Values) -> None:
    unit.stages.channels[-1].drift_a_per_k = v["drift_a_per_k"]


def _turn_trimmers_down(unit: Any, v: Values) -> None:
    for channel in unit.stages.channels:
        channel.idle_a = v["least_a"]


def _lose_rail(unit: Any, v: Values) -> None:
    unit.outputs[0].ratio = 0.0 * unit.outputs[0].ratio


def _open(unit: Any, v: Values) -> None:
    unit.front.open()


def _open_behind_filter(unit: Any, v: Values) -> None:
    unit.bulk.ohm = 1e9


def _short_switch(unit: Any, v: Values) -> None:
    unit.bulk.load_s = 1.0 / v["short_ohm"]


def _overload(unit: Any, v: Values) -> None:
    unit.overloaded = True


def _short_valve(unit: Any, v: Values) -> None:
    unit.output.short_s = 1.0 / (unit.output.ohm + v["short_ohm"])


_PAIR: Final = {"short_ohm": Part(0.1, 0.5, "what is left of two shorted devices in series")}
_LEAK: Final = {"leak_a": Part(0.075, 0.33, "50 to 100 mA at the full rail")}
_DRIFT: Final = {"drift_a_per_k": Part(0.0095, 0.1, "2.1 mV/K of base voltage across 0.22 ohm, nothing compensated")}

FAULTS: Final[Mapping[str, Fault]] = {
    "shorted output pair": Fault(_short_output, _PAIR),
    "one output device shorted": Fault(
        _short_one_side, _PAIR | {"driven_a": Part(5.0, 0.3, "its partner's current gain times its driver's current")}
    ),
    "shorted section": Fault(
        _short_a_section,
        {
            "section": Part(3.5, 1.0, "any of seven"),
            "decades_ohm": Part(0.75, 1.67, "logarithm of the ohms from rail to rail: 0.3 to 100"),
        },
    ),
    "shorted diode": Fault(_short_diode, {"short_ohm": Part(0.02, 0.5, "a diode melted through")}),
    "shorted turns": Fault(_short_turns, {"turns": Part(0.01, 0.5, "part of the primary's turns")}),
    "leaking reservoir": Fault(_leak(0.0), _LEAK),
    "reservoir leaking more and more": Fault(_leak(0.05), _LEAK),
    "leaking reservoir that reforms": Fault(_leak(-1.0 / 40.0), _LEAK),
    "idle runaway": Fault(_run_away, _DRIFT),
    "idle runaway of one channel": Fault(_one_runs_away, _DRIFT),
    "trimmers at minimum": Fault(
        _turn_trimmers_down, {"least_a": Part(0.002, 0.5, "what is left with a bias trimmer at its minimum")}
    ),
    "missing rail": Fault(_lose_rail),
    "open fuse": Fault(_open),
    "switch left off": Fault(_open),
    "switch left off behind the filter": Fault(_open_behind_filter),
    "shorted converter switch": Fault(_short_switch, {"short_ohm": Part(0.6, 0.5, "switch, sense resistor, winding")}),
    "overloaded converter": Fault(_overload),
    "shorted rectifier valve": Fault(_short_valve, {"short_ohm": Part(15.0, 0.5, "anode touching cathode")}),
}
"""Every fault, by name. All parts: common practice, no source."""
