"""What can be wrong with a unit, as a load model sees it: a fault is a few more parameters, at zero in a healthy unit.

All in terms of the nameplate (see `model`). A fault is there from the beginning, or comes at some moment of the ramp:
``faulted`` is then 0 at first, and may turn to 1 at any reading.

Sizes are common practice, no source, where nothing else is said.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Final, NamedTuple

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.model import Drawn, State
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import ROOT2, Floats, mean_and_square
from rampguard.quantities import Cause

ARISES: Final = Range(0.0, 1.0, f"two faults in three are there at switch-on; {COMMON}")
THERE_SHARE: Final = 0.67
_SELDOM_LATER: Final = Range(0.0, 0.72, f"one in fourteen comes later; {COMMON}")
_THERE: Final = Range(0.0, 0.5, "there at switch-on")
HOTTEST: Final = 20.0
"""A runaway is followed so far: nothing is left of the devices then."""

FAULTS: Final[Mapping[Cause, Mapping[str, Range]]] = {
    Cause.OUTPUT_SHORT: {
        "short_s": Range(3.0, 150.0, "two devices and emitter resistors, from rail to rail", log=True),
        "smoothed": Range(0.0, 1.0, "in half of them the reservoirs hold the rails up between the peaks, in half not"),
        "partner": Range(0.15, 12.0, "what a shorted device's partner lets through, of nameplate current", log=True),
        "limited": Range(0.0, 1.0, "in half of them one device is shorted, and its partner driven"),
        "partner_from": Range(0.005, 0.08, "part of the rails from which the partner conducts"),
    },
    Cause.DIODE_SHORT: {
        "arises": _SELDOM_LATER,
        "tied": Range(0.4, 1.0, "current against what the winding's resistance would let through"),
        "tied_factor": Range(0.7, 1.0, "its power factor: the rest is the reservoir's reactance, and a half cycle's"),
    },
    Cause.SHORTED_TURNS: {
        "arises": _SELDOM_LATER,
        "turns_s": Range(0.03, 3.0, "a half to five per cent of the primary's turns, or the like", log=True),
    },
    Cause.LEAK: {
        "arises": _THERE,
        "leak": Range(0.004, 0.5, "power that leaks at full line, of nameplate power", log=True),
        "leak_bend": Range(1.0, 2.5, "leakage goes with the rail, or more steeply"),
    },
    Cause.RUNAWAY: {
        "arises": _THERE,
        "runs_away": Range(0.8, 4.0, "what idle would grow by for the warmth of its own heat", log=True),
        "runs_away_s": Range(10.0, 600.0, "time constant of the heat sink's part of that", log=True),
        "of_devices": Range(0.15, 1.0, "part of it that is of the devices themselves"),
        "devices_s": Range(1.0, 8.0, "time constant of theirs", log=True),
    },
    Cause.SWITCH_SHORT: {
        "bulk_s": Range(20.0, 6000.0, "switch, sense resistor and winding, across the bulk capacitor", log=True),
    },
}
"""The parameters of each fault."""

_BRIDGE: Final[Mapping[str, Range]] = {
    "tied": Range(0.5, 0.75, "one half of each cycle is shorted: 0.71 of what the resistance would let through"),
    "tied_factor": Range(0.66, 0.76, "half a sine against a whole one: 0.71"),
}


def fault_ranges(load_class: str, cause: Cause) -> Mapping[str, Range]:
    """A fault's parameters in one load class; none for a healthy unit. A shorted diode of a bridge has no reservoir."""
    if cause == Cause.DIODE_SHORT and load_class == "switch-mode":
        return _BRIDGE
    return FAULTS.get(cause, {})


class Extra(NamedTuple):
    """What a fault takes from the reservoir: a current, and more for each part of its voltage."""

    take: Floats
    per_v: Floats


class Trouble:
    """The faults of samples; parameters that are not among the values are zero."""

    def __init__(self, values: Mapping[str, Floats]) -> None:
        some = next(iter(values.values()))
        self._nothing = np.zeros_like(some)
        self.p: Mapping[str, Floats] = {
            name: values.get(name, self._nothing) for fault in FAULTS.values() for name in fault if name != "arises"
        }
        arises = values.get("arises")
        self._later = np.zeros_like(some, dtype=np.bool_) if arises is None else arises > THERE_SHARE
        self._smoothed, self._limited = self.p["smoothed"] > 0.5, self.p["limited"] > 0.5
        self.present = any(name in values for name in self.p)
        """Whether any sample has a fault at all."""

    def rest(self) -> dict[str, Floats]:
        """``faulted`` is 1 while the fault is there; how far a runaway has heated devices and heat sink."""
        if not self.present:
            return {}
        return {"faulted": np.where(self._later, 0.0, 1.0), "hot_devices": self._nothing, "hot_sink": self._nothing}

    def or_comes(
        self, state: State, turned: tuple[NDArray[np.bool_], State] | None
    ) -> tuple[NDArray[np.bool_], State] | None:
        """Beside whatever else may turn in a model now: the faults that may come. See `Model.turned`."""
        if not self._later.any():
            return turned
        comes = self._later & (state["faulted"] < 0.5)
        if not comes.any():
            return turned
        mask, other = (np.zeros_like(comes), state) if turned is None else turned
        return mask | comes, {**other, "faulted": np.where(comes & ~mask, 1.0, state["faulted"])}

    def on_rails(self, state: State, held: Floats, full: Floats, peak: Floats | float) -> Extra:
        """What is taken from rails that hold so much, ``full`` at full line, and could be charged to ``peak``.

        A short; a shorted device whose partner conducts more and more from a threshold on, up to a limit; a leak.
        """
        p, there = self.p, state["faulted"]
        x, threshold = held / full, p["partner_from"]
        slope = p["partner"] / (ROOT2 * 2.0 * np.maximum(threshold, 1e-3))
        driven = self._limited & (peak > threshold * full)
        at_limit = driven & (x > 3.0 * threshold)
        rising = driven & ~at_limit
        partner = np.where(at_limit, p["partner"] / ROOT2, np.where(rising, -slope * threshold, 0.0))
        short_s = np.where(self._smoothed & ~self._limited, p["short_s"], 0.0)
        leak = p["leak"] / full * x ** p["leak_bend"]
        return Extra(there * (partner + leak), there * (short_s + np.where(rising, slope / full, 0.0)))

    def on_rectifier(self, state: State, v: Floats | float, ohm: Floats, drop: Floats) -> Drawn:
        """What a short draws through the rectifier that no reservoir smoothes; ``ohm`` and ``drop`` are the path's."""
        p = self.p
        short_s = state["faulted"] * np.where(self._smoothed | self._limited, 0.0, p["short_s"] + p["bulk_s"])
        conducts = short_s / (1.0 + ohm * short_s)
        peak = np.maximum(ROOT2 * v, 1e-9)
        mean, square = mean_and_square(drop / peak)
        current = peak * conducts
        # Of the path's power one part is its thresholds', the rest its resistance's.
        power = drop * mean * current + square * current * peak
        return Drawn(np.sqrt(square) * current, power)

    def beside(self, own: Drawn, state: State, v: Floats | float, ohm: Floats, drop: Floats) -> Drawn:
        """What flows with a short through the rectifier, or a shorted diode of it, beside its ``own``."""
        short, tied = self.on_rectifier(state, v, ohm, drop), self.tied(state, v, ohm)
        current = np.hypot(own.current + short.current, tied.current)
        return Drawn(current, own.power + short.power + tied.power)

    def tied(self, state: State, v: Floats | float, ohm: Floats) -> Drawn:
        """What a shorted diode draws: it ties its reservoir to the winding, and no threshold is left."""
        current = state["faulted"] * self.p["tied"] * v / ohm
        return Drawn(current, current * v * self.p["tied_factor"])

    def turns(self, state: State, v: Floats | float) -> Floats:
        """Power in shorted turns: of the core, in phase."""
        return np.asarray(state["faulted"] * self.p["turns_s"] * v * v)

    def running_away(self, state: State, heat: Floats, seconds: float) -> tuple[State, Floats]:
        """How hot devices and heat sink are then, for the ``heat`` of an idle that grows with it; what it has grown by.

        Each follows the heat by a time constant of its own: the devices in seconds, their heat sink in minutes.
        """
        p, part = self.p, self.p["of_devices"]
        grows = state["faulted"] * p["runs_away"]
        hot = part * state["hot_devices"] + (1.0 - part) * state["hot_sink"]
        into = heat * (1.0 + grows * hot)
        after = {
            name: np.minimum(state[name] + _follows(seconds, p[time]) * (into - state[name]), HOTTEST)
            for name, time in (("hot_devices", "devices_s"), ("hot_sink", "runs_away_s"))
        }
        return after, grows * (part * after["hot_devices"] + (1.0 - part) * after["hot_sink"])


def _follows(seconds: float, time_s: Floats) -> Floats:
    """What part of a step a first-order lag has followed by then."""
    return np.asarray(1.0 - np.exp(-seconds / np.maximum(time_s, 1e-3)))
