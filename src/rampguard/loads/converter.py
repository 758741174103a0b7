"""A switch-mode supply: line filter, rectifier and bulk capacitor, a converter of constant power, or a corrector.

In terms of the nameplate (see `model`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Final

import numpy as np

from rampguard.loads.model import Drawn
from rampguard.loads.ranges import Range
from rampguard.loads.rectifier import Floats, settle
from rampguard.loads.supply import COMMON, ROOT2

CORRECTED_SHARE: Final = 0.35
NO_LOCKOUT_SHARE: Final = 0.2


class SwitchMode:
    """A unit with a switch-mode supply."""

    ranges: ClassVar[Mapping[str, Range]] = {
        "load": Range(0.02, 1.0, "what it takes once started, of nameplate power: any part of it", log=True),
        "limit": Range(1.0, 5.0, f"what its current limit allows at low bulk voltage, of the load; {COMMON}", log=True),
        "start": Range(0.20, 0.90, f"line voltage at which it starts; {COMMON}"),
        "stop": Range(0.45, 0.95, f"where it stops, of where it starts; {COMMON}"),
        "lockout": Range(0.0, 1.0, "one in five has no under-voltage lockout"),
        "wakes": Range(0.02, 0.12, f"line voltage at which one without begins to run; {COMMON}"),
        "corrected": Range(0.0, 1.0, "a third have a power-factor corrector"),
        "filter": Range(
            0.003, 0.35, f"current of the X-capacitors at full line, of nameplate current; {COMMON}", log=True
        ),
        "source_ohm": Range(0.002, 0.06, f"inrush limiter and filter, referred to nameplate power; {COMMON}", log=True),
        "farad": Range(0.02, 0.45, f"bulk capacitor, seconds of nameplate current; {COMMON}", log=True),
        "standby": Range(0.0001, 0.03, f"bleeders and standby, of nameplate power; {COMMON}", log=True),
        "soft_s": Range(0.02, 1.0, f"soft start; {COMMON}", log=True),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._held = np.zeros_like(values["load"])
        self._on = np.zeros_like(values["load"])
        self._locked = values["lockout"] > NO_LOCKOUT_SHARE
        self._corrected = values["corrected"] < CORRECTED_SHARE

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """See `Model.step`."""
        p = self._p
        self._switch(v, seconds)
        held = np.maximum(self._held, 1e-3)
        most = p["limit"] * p["load"] / ROOT2
        load_a = np.minimum(self._on * p["load"] / held, most)
        take = np.where(self._corrected & (self._on > 0.0), 0.0, load_a)
        drop = 0.006
        self._held, mean, square = settle(
            np.full_like(held, ROOT2 * v - drop), self._held, p["source_ohm"], p["farad"] / seconds, take, p["standby"]
        )
        rectified = Drawn(np.sqrt(square), (self._held + drop) * mean + p["source_ohm"] * square)
        corrected = np.where(self._corrected, np.minimum(self._on * p["load"], most * v * 1.7), 0.0)
        return rectified.beside(v, p["standby"] * v * v + corrected, p["filter"] * v)

    def _switch(self, v: float, seconds: float) -> None:
        p = self._p
        on = self._on > 0.0
        runs = np.where(self._locked, np.where(on, v > p["start"] * p["stop"], v >= p["start"]), v >= p["wakes"])
        risen = np.minimum(self._on + seconds / p["soft_s"], 1.0)
        strength = np.where(self._locked, 1.0, np.clip((v - p["wakes"]) / p["wakes"], 0.0, 1.0))
        self._on = np.where(runs, np.minimum(risen, strength), 0.0)
