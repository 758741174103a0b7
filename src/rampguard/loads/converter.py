"""A switch-mode supply: line filter, rectifier and bulk capacitor, a converter of constant power, or a corrector.

In terms of the nameplate (see `model`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.model import Drawn, State, Volts
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import ROOT2, Floats, settle
from rampguard.loads.trouble import Trouble

CORRECTED_SHARE: Final = 0.35
NO_LOCKOUT_SHARE: Final = 0.2
STARTS_FROM: Final = 0.30
STARTS_BY: Final = 0.95
"""Line voltages between which a converter with a lockout starts; common practice, no source."""
WAKES_FROM: Final = 0.015
WAKES_BY: Final = 0.25
"""Line voltages between which one without a lockout wakes whole, or falls asleep."""
STOPS_BELOW: Final = 0.85
"""Line voltage below which it may stop again."""


class SwitchMode:
    """A unit with a switch-mode supply."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "load": Range(
            0.02, 1.05, "what it takes once started, of nameplate power: any part of it", log=True, apart=True
        ),
        "limit": Range(0.3, 1.6, f"power at which its current limit acts at full line, of nameplate power; {COMMON}"),
        "lockout": Range(0.0, 1.0, "one in five has no under-voltage lockout", either=NO_LOCKOUT_SHARE),
        "wakes": Range(0.015, 0.20, f"line voltage at which one without begins to run; {COMMON}"),
        "corrected": Range(0.0, 1.0, "a third have a power-factor corrector", either=CORRECTED_SHARE),
        "filter": Range(
            0.003, 0.35, f"current of the X-capacitors at full line, of nameplate current; {COMMON}", log=True
        ),
        "source_ohm": Range(0.002, 0.06, f"inrush limiter and filter, referred to nameplate power; {COMMON}", log=True),
        "drop": Range(0.003, 0.012, "two diodes of 0.5 to 1 V, of nameplate peak at 100 to 240 V"),
        "farad": Range(0.02, 0.45, f"bulk capacitor, seconds of nameplate current; {COMMON}", log=True),
        "boost": Range(1.0, 1.3, f"what a corrector charges the bulk capacitor to, of the line's peak; {COMMON}"),
        "standby": Range(0.0001, 0.03, f"bleeders and standby, of nameplate power; {COMMON}", log=True),
        "soft_s": Range(0.02, 1.0, f"soft start; {COMMON}", log=True),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._locked = values["lockout"] > NO_LOCKOUT_SHARE
        self._corrected = (values["corrected"] < CORRECTED_SHARE) & self._locked
        self._trouble = Trouble(values)
        self._dead = self._trouble.p["bulk_s"] > 0.0

    def rest(self) -> State:
        """See `Model.rest`. ``held`` is the bulk voltage, ``runs`` 1 once started, ``soft`` how far soft start is."""
        nothing = np.zeros_like(self._p["load"])
        return {"held": nothing, "runs": nothing, "soft": nothing, **self._trouble.rest()}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p = self._p
        woken = np.maximum(state["runs"], np.clip((v - p["wakes"]) / p["wakes"], 0.0, 1.0))
        runs = np.where(self._locked, state["runs"], woken)
        soft = np.minimum(state["soft"] + seconds / p["soft_s"], 1.0) * (runs > 0.0)
        on = np.where(self._locked, soft * runs, runs)
        limit = np.maximum(p["limit"], p["load"])
        most = limit / ROOT2
        load_a = np.minimum(on * p["load"] / np.maximum(state["held"], 1e-3), most)
        corrects = self._corrected & (on > 0.0)
        drop = ROOT2 * p["drop"]
        taken = np.where(corrects, 0.0, load_a)
        if self._trouble.present:
            taken = taken * (1.0 - self._dead * state["faulted"])
        held, mean, square = settle(
            ROOT2 * v - drop, state["held"], p["source_ohm"], p["farad"] / seconds, taken, p["standby"]
        )
        rectified = Drawn(np.sqrt(square), (held + drop) * mean + p["source_ohm"] * square)
        if self._trouble.present:
            rectified = self._trouble.beside(rectified, state, v, p["source_ohm"], drop)
        lets_through = np.minimum(limit, most * v * 1.7)
        corrected = np.where(corrects, np.minimum(on * p["load"], lets_through), 0.0)
        # A corrector charges the bulk capacitor above the peak, with what its limit leaves.
        target = ROOT2 * p["boost"]
        spare = np.where(corrects, lets_through - corrected, 0.0)
        lacking = p["farad"] * np.maximum(target**2 - held**2, 0.0) / (2.0 * seconds)
        charged = np.minimum(spare, lacking)
        held = np.sqrt(held**2 + 2.0 * charged * seconds / p["farad"])
        drawn = rectified.beside(v, p["standby"] * np.square(v) + corrected + charged, p["filter"] * v)
        return {**state, "held": held, "soft": soft}, drawn

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`: a converter with a lockout starts, or stops below full line; one without wakes whole."""
        on = state["runs"] > 0.5
        may_start = ~on & (STARTS_FROM <= v <= STARTS_BY)
        may_wake = ~self._locked & (v >= WAKES_FROM) & (v <= WAKES_BY)
        mask = np.where(self._locked, may_start | (on & (v <= STOPS_BELOW)), may_wake)
        turned = (mask, {**state, "runs": np.where(on, 0.0, 1.0)}) if mask.any() else None
        return self._trouble.or_comes(state, turned)
