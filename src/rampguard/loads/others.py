"""Transformer alone, heater, filament lamp and motor, in terms of the nameplate (see `model`)."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads import filament
from rampguard.loads.model import Drawn, State, Steady, Volts
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import Floats
from rampguard.loads.supply import CORE
from rampguard.loads.trouble import Trouble
from rampguard.loads.winding import core_loss, magnetising

KNEE_PEAK: Final = 1.5
"""The knee's flux in terms of what goes with nameplate voltage, rms: its peak and a little."""


class TransformerAlone:
    """A transformer with its secondaries open.

    A core that was left magnetised gives its remanence up to the line's volt-seconds; what is given up is flux with
    a direct part, which draws current until the winding's resistance has let it die away.

    Cores of one model lie far apart (the no-load current of a power transformer may be 30 % more than designed: IEC
    60076-1, from memory; small ones: common practice, no source), and remanence is of the last switch-off.
    """

    ranges: ClassVar[Mapping[str, Range]] = {name: replace(item, apart=True) for name, item in CORE.items()} | {
        "residual": Range(0.02, 0.65, f"flux that a core keeps, of the knee's; {COMMON}", apart=True),
        "wears_s": Range(
            0.01, 0.5, f"time at nameplate voltage over which it is given up: a few cycles; {COMMON}", log=True
        ),
        "settles_s": Range(
            0.02, 4.0, f"time constant of inductance and resistance with which it dies away; {COMMON}", log=True
        ),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._trouble = Trouble(values)

    def rest(self) -> State:
        """See `Model.rest`. ``kept`` is what the core has of its remanence, ``given`` the flux given up by it."""
        whole = np.ones_like(self._p["residual"])
        return {"kept": whole, "given": np.zeros_like(whole), **self._trouble.rest()}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p = self._p
        nothing = np.zeros_like(p["core_loss"])
        kept = state["kept"] * np.exp(-v * seconds / p["wears_s"])
        given = (state["given"] + state["kept"] - kept) * np.exp(-seconds / p["settles_s"])
        # The most of it within the step: a reading averages over some of it.
        most = np.maximum(given, state["given"])
        direct = KNEE_PEAK * p["residual"] * most * p["magnetising"]
        reactive = np.sqrt(magnetising(v, p["magnetising"], p["knee"], p["exponent"]) ** 2 + direct**2)
        lost = core_loss(v, p["core_loss"])
        if self._trouble.present:
            lost = lost + self._trouble.turns(state, v)
        return {**state, "kept": kept, "given": given}, Drawn(nothing, nothing).beside(v, lost, reactive)

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`: a fault comes."""
        return self._trouble.or_comes(state, None)


class Heater(Steady):
    """A heating element: a resistance that rises a little as it warms."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "rated": Range(0.88, 1.10, f"power at nameplate voltage, hot; nameplates say +5/-10 %; {COMMON}"),
        "cold": Range(0.84, 1.0, f"cold resistance, of the hot: alloys for heating rise by 0 to 16 %; {COMMON}"),
        "warm_s": Range(1.0, 150.0, f"time in which it gets hot; {COMMON}", log=True),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values

    def rest(self) -> State:
        """See `Model.rest`. ``warmth`` is its temperature rise, of that at rated power."""
        return {"warmth": np.zeros_like(self._p["rated"])}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p, warmth = self._p, state["warmth"]
        ohm = (p["cold"] + (1.0 - p["cold"]) * warmth) / p["rated"]
        power = v * v / ohm
        warmth = warmth + (1.0 - np.exp(-seconds / p["warm_s"])) * (power / p["rated"] - warmth)
        return {"warmth": warmth}, Drawn(v / ohm, power)


class FilamentLamp(Steady):
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

    def rest(self) -> State:
        """See `Model.rest`. ``t`` is the filament's temperature, of that at rated voltage."""
        return {"t": np.full_like(self._p["rated"], filament.COLD)}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p, before = self._p, state["t"]
        t = filament.warm(before, v * v, seconds, p["mass_s"], p["conducted"])
        first, last = (p["rated"] / filament.resistance(at) for at in (before, t))
        # A reading averages over the step: between the current of its beginning and that of its end.
        conductance = np.where(np.abs(t - before) < 0.01, last, 0.5 * (first + last))
        return {"t": t}, Drawn(v * conductance, v * v * conductance)


class Motor:
    """A motor: stalled it is an impedance, running it draws what its load asks for."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "running": Range(0.25, 1.25, f"power at full line, running, of the nameplate; {COMMON}", log=True),
        "running_factor": Range(0.45, 1.0, f"power factor then; {COMMON}"),
        "running_exponent": Range(1.0, 2.2, "of power against voltage: fans 1.95, 2.2 measured; universal ones 1.5"),
        "stalled": Range(0.8, 6.0, f"current at full line if it were held, of nameplate current; {COMMON}", log=True),
        "stalled_factor": Range(0.45, 1.0, f"power factor then; {COMMON}"),
        "run_up_s": Range(0.05, 4.0, f"time in which it comes up to speed; {COMMON}", log=True),
    }
    turns_from: ClassVar[float] = 0.02
    turns_by: ClassVar[float] = 0.55
    """Line voltages between which it overcomes its friction; stalled longer, it would burn. Common practice."""

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values

    def rest(self) -> State:
        """See `Model.rest`. ``turns`` is 1 once it turns, ``speed`` how far it has come up."""
        nothing = np.zeros_like(self._p["running"])
        return {"turns": nothing, "speed": nothing}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p, safe_v = self._p, np.maximum(v, 1e-9)
        speed = state["speed"] + (1.0 - np.exp(-seconds / p["run_up_s"])) * (state["turns"] - state["speed"])
        slip = 1.0 - speed
        held_a = p["stalled"] * v
        held_w = held_a * v * p["stalled_factor"]
        run_w = p["running"] * safe_v ** p["running_exponent"]
        run_a = run_w / (p["running_factor"] * safe_v)
        return {**state, "speed": speed}, Drawn(slip * held_a + speed * run_a, slip * held_w + speed * run_w)

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`: it breaks away, or stalls."""
        on = state["turns"] > 0.5
        mask = (~on & (v >= self.turns_from)) | (on & (v <= self.turns_by))
        return (mask, {**state, "turns": 1.0 - state["turns"]}) if mask.any() else None
