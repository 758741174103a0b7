"""Transformer alone, heater, filament lamp and motor, in terms of the nameplate (see `model`)."""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar

import numpy as np

from rampguard.loads import filament
from rampguard.loads.model import Drawn
from rampguard.loads.ranges import Range
from rampguard.loads.rectifier import Floats
from rampguard.loads.supply import COMMON, CORE
from rampguard.loads.winding import core_loss, magnetising


class TransformerAlone:
    """A transformer with its secondaries open."""

    ranges: ClassVar[Mapping[str, Range]] = CORE

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """See `Model.step`."""
        p = self._p
        nothing = np.zeros_like(p["core_loss"])
        reactive = magnetising(v, p["magnetising"], p["knee"], p["exponent"])
        return Drawn(nothing, nothing).beside(v, core_loss(v, p["core_loss"]), reactive)


class Heater:
    """A heating element: a resistance that rises a little as it warms."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "rated": Range(0.88, 1.12, f"power at nameplate voltage, hot; nameplates say +5/-10 %; {COMMON}"),
        "cold": Range(0.84, 1.0, f"cold resistance, of the hot: alloys for heating rise by 0 to 16 %; {COMMON}"),
        "warm_s": Range(1.0, 150.0, f"time in which it gets hot; {COMMON}", log=True),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._warmth = np.zeros_like(values["rated"])

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """See `Model.step`."""
        p = self._p
        ohm = (p["cold"] + (1.0 - p["cold"]) * self._warmth) / p["rated"]
        power = v * v / ohm
        self._warmth = self._warmth + (1.0 - np.exp(-seconds / p["warm_s"])) * (power / p["rated"] - self._warmth)
        return Drawn(v / ohm, power)


class FilamentLamp:
    """A filament lamp."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "rated": Range(0.88, 1.10, f"power at nameplate voltage; {COMMON}"),
        "mass_s": Range(
            0.03, 0.30, f"time in which rated power would heat it: lamps of 25 to 500 W; {COMMON}", log=True
        ),
        "conducted": Range(0.0, 0.12, f"part of the loss along leads and gas; {COMMON}"),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._t = np.full_like(values["rated"], filament.COLD)

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """See `Model.step`."""
        p = self._p
        before = self._t
        self._t = filament.warm(before, v * v, seconds, p["mass_s"], p["conducted"])
        first, last = (p["rated"] / filament.resistance(t) for t in (before, self._t))
        # A reading averages over the step: between the current of its beginning and that of its end.
        conductance = np.where(np.abs(self._t - before) < 0.01, last, 0.5 * (first + last))
        return Drawn(v * conductance, v * v * conductance)


class Motor:
    """A motor: stalled it is an impedance, running it draws what its load asks for."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "running": Range(0.25, 1.25, f"power at full line, running, of the nameplate; {COMMON}", log=True),
        "running_factor": Range(0.45, 1.0, f"power factor then; {COMMON}"),
        "running_exponent": Range(1.0, 2.2, "of power against voltage: fans 1.95, 2.2 measured; universal ones 1.5"),
        "stalled": Range(0.8, 7.0, f"current at full line if it were held, of nameplate current; {COMMON}", log=True),
        "stalled_factor": Range(0.45, 1.0, f"power factor then; {COMMON}"),
        "starts_at": Range(0.02, 0.55, f"line voltage at which it overcomes its friction; {COMMON}"),
        "run_up_s": Range(0.05, 4.0, f"time in which it comes up to speed; {COMMON}", log=True),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._speed = np.zeros_like(values["running"])

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """See `Model.step`."""
        p = self._p
        turns = (v >= p["starts_at"]) | ((self._speed > 0.0) & (v >= 0.7 * p["starts_at"]))
        self._speed = self._speed + (1.0 - np.exp(-seconds / p["run_up_s"])) * (turns - self._speed)
        slip = 1.0 - self._speed
        held_a = p["stalled"] * v
        held_w = held_a * v * p["stalled_factor"]
        run_w = p["running"] * v ** p["running_exponent"]
        run_a = run_w / (p["running_factor"] * max(v, 1e-9))
        return Drawn(slip * held_a + self._speed * run_a, slip * held_w + self._speed * run_w)
