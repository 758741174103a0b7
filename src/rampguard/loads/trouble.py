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


class _Partner:
    """What the partner of a shorted device lets through: more and more from a threshold on, up to a limit."""

    def __init__(self, p: Mapping[str, Floats], full: Floats, run: slice) -> None:
        partner, threshold, limited, whole = (a[run] for a in (p["partner"], p["partner_from"], p["limited"], full))
        there = np.where(limited > 0.5, 1.0, 0.0)
        slope = there * partner / (ROOT2 * 2.0 * np.maximum(threshold, 1e-3))
        self.run = run
        self._from, self._to = threshold * whole, 3.0 * threshold * whole
        self._rises, self._rises_per_v = -slope * threshold, slope / whole
        self._limit = there * partner / ROOT2

    def add(self, into: Extra, there: Floats, held: Floats, peak: Floats | float) -> None:
        """Add it, ``there`` being 1 where the fault is; see `Trouble.on_rails`."""
        run = self.run
        driven = there[run] * (_of(peak, run) > self._from)
        at_limit = held[run] > self._to
        into.take[run] += driven * np.where(at_limit, self._limit, self._rises)
        into.per_v[run] += driven * ~at_limit * self._rises_per_v


class Trouble:
    """The faults of samples; parameters that are not among the values are zero.

    Each fault is worked out for the run of samples alone that have it: they are few. ``full`` is what the rails of each
    sample hold at full line, where its model has rails.
    """

    def __init__(self, values: Mapping[str, Floats], full: Floats | None = None) -> None:
        some = next(iter(values.values()))
        self._nothing = np.zeros_like(some)
        p = {name: values.get(name, self._nothing) for fault in FAULTS.values() for name in fault if name != "arises"}
        self.p: Mapping[str, Floats] = p
        self.present = any(name in values for name in p)
        """Whether any sample has a fault at all."""
        arises = values.get("arises")
        self._later = np.zeros_like(some, dtype=np.bool_) if arises is None else arises > THERE_SHARE
        limited = p["limited"] > 0.5
        smoothed = (p["smoothed"] > 0.5) & ~limited
        self._smoothed_s = np.where(smoothed, p["short_s"], 0.0)
        self._across_s = np.where(smoothed | limited, 0.0, p["short_s"] + p["bulk_s"])
        self._full = np.ones_like(some) if full is None else full
        driven = _run(p["limited"])
        self._partner = None if driven is None else _Partner(p, self._full, driven)
        self._across, self._leaks = _run(self._across_s), _run(p["leak"])
        self._tied, self._runs = _run(p["tied"]), _run(p["runs_away"])

    def rest(self) -> dict[str, Floats]:
        """``faulted`` is 1 while the fault is there; how far a runaway has heated devices and heat sink."""
        if not self.present:
            return {}
        return {"faulted": np.where(self._later, 0.0, 1.0), "hot_devices": self._nothing, "hot_sink": self._nothing}

    def or_comes(
        self, state: State, turned: tuple[NDArray[np.bool_], State] | None
    ) -> tuple[NDArray[np.bool_], State] | None:
        """Beside whatever else may turn in a model now: the faults that may come. See `Model.turned`."""
        comes = self._later & (state["faulted"] < 0.5) if self.present else self._later
        if not comes.any():
            return turned
        mask, other = (np.zeros_like(comes), state) if turned is None else turned
        return mask | comes, {**other, "faulted": np.where(comes & ~mask, 1.0, state["faulted"])}

    def on_rails(self, state: State, held: Floats, peak: Floats | float) -> Extra:
        """What is taken from rails that hold so much and could be charged to ``peak``.

        A short; a shorted device whose partner conducts; a leak.
        """
        there = state["faulted"]
        extra = Extra(self._nothing.copy(), there * self._smoothed_s)
        run = self._leaks
        if run is not None:
            full = self._full[run]
            extra.take[run] = there[run] * self.p["leak"][run] / full * (held[run] / full) ** self.p["leak_bend"][run]
        if self._partner is not None:
            self._partner.add(extra, there, held, peak)
        return extra

    def beside(self, own: Drawn, state: State, v: Floats | float, ohm: Floats, drop: Floats) -> Drawn:
        """What flows with a short through the rectifier, or a shorted diode of it, beside its ``own``.

        ``ohm`` and ``drop`` are the path's.
        """
        there, current, power = state["faulted"], own.current.copy(), own.power.copy()
        run = self._across
        if run is not None:
            short = across_rectifier(there[run] * self._across_s[run], _of(v, run), ohm[run], drop[run])
            current[run] += short.current
            power[run] += short.power
        run = self._tied
        if run is not None:
            # A shorted diode ties its reservoir to the winding: no threshold is left.
            over = _of(v, run)
            flows = there[run] * self.p["tied"][run] * over / ohm[run]
            current[run] = np.sqrt(current[run] ** 2 + flows * flows)
            power[run] += flows * over * self.p["tied_factor"][run]
        return Drawn(current, power)

    def turns(self, state: State, v: Floats | float) -> Floats:
        """Power in shorted turns: of the core, in phase."""
        return np.asarray(v * v * (state["faulted"] * self.p["turns_s"]))

    def running_away(self, state: State, heat: Floats, seconds: float) -> tuple[State, Floats | float]:
        """How hot devices and heat sink are then, for the ``heat`` of an idle that grows with it; what it has grown by.

        Each follows the heat by a time constant of its own: the devices in seconds, their heat sink in minutes.
        """
        run = self._runs
        if run is None:
            return {}, 0.0
        part, devices, sink = self.p["of_devices"][run], state["hot_devices"][run], state["hot_sink"][run]
        grows = state["faulted"][run] * self.p["runs_away"][run]
        into = heat[run] * (1.0 + grows * (sink + part * (devices - sink)))
        devices = np.minimum(devices + _follows(seconds, self.p["devices_s"][run]) * (into - devices), HOTTEST)
        sink = np.minimum(sink + _follows(seconds, self.p["runs_away_s"][run]) * (into - sink), HOTTEST)
        more = self._nothing.copy()
        more[run] = grows * (sink + part * (devices - sink))
        hot = {"hot_devices": devices, "hot_sink": sink}
        return {name: _put(state[name], run, values) for name, values in hot.items()}, more


def across_rectifier(short_s: Floats, v: Floats | float, ohm: Floats, drop: Floats) -> Drawn:
    """What a short draws through the rectifier that no reservoir smoothes; ``ohm`` and ``drop`` are the path's."""
    conducts = short_s / (1.0 + ohm * short_s)
    peak = np.maximum(ROOT2 * v, 1e-9)
    mean, square = mean_and_square(np.minimum(drop / peak, 1.0))
    current = peak * conducts
    # Of the path's power one part is its thresholds', the rest its resistance's.
    return Drawn(np.sqrt(square) * current, current * (drop * mean + peak * square))


def _run(values: Floats) -> slice | None:
    """From the first to the last sample that is not zero; None: all are."""
    found = np.flatnonzero(values)
    return slice(int(found[0]), int(found[-1]) + 1) if len(found) else None


def _of(value: Floats | float, run: slice) -> Floats | float:
    """A run's part; a plain number is every sample's."""
    return value[run] if isinstance(value, np.ndarray) and value.ndim else value


def _put(values: Floats, run: slice, new: Floats) -> Floats:
    """With new values for a run of samples."""
    after = values.copy()
    after[run] = new
    return after


def _follows(seconds: float, time_s: Floats) -> Floats:
    """What part of a step a first-order lag has followed by then."""
    return np.asarray(1.0 - np.exp(-seconds / np.maximum(time_s, 1e-3)))
