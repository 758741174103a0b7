"""What a primary shows at a few volts, whole or shorted: samples of a load class at any line voltage and frequency.

In terms of the nameplate: voltages as parts of nameplate voltage, currents of nameplate current, powers of nameplate
power, admittances of watts over volts squared; frequencies as parts of the mains'. A transformer is its winding's
resistance, and behind it a core: an inductance that at low flux is less than at rated flux, and a loss part hysteresis,
part eddies. Textbook throughout; ranges of a class are its own (`rampguard.loads`), what a probe needs besides is
`LOW_FLUX`. Pure.
"""

from __future__ import annotations

from collections.abc import Mapping
from enum import StrEnum
from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.families import FAMILIES
from rampguard.loads.model import Drawn
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import ROOT2, Floats, settle
from rampguard.loads.supply import SOFT_SHARE, SUPPLY
from rampguard.loads.trouble import FAULTS, across_rectifier
from rampguard.quantities import Cause

Values = Mapping[str, Floats]
"""Parameters by name, shape (samples,) each."""
Complexes = NDArray[np.complex128]

RATED_FLUX_AT: Final = 0.02
"""``initial`` is at this part of rated flux: 5 V on a 230 V winding."""
LOW_FLUX: Final[Mapping[str, Range]] = {
    "initial": Range(
        0.05, 1.2, "inductance at a fiftieth of rated flux, of that at rated: initial permeability is low in a ring of"
        " silicon steel, while a gap or butt joints make up for it; textbook, figures common practice, no source",
        log=True,
    ),
    "rises": Range(0.0, 0.4, f"with which power of flux it rises from there (Rayleigh's region); {COMMON}"),
    "hysteresis": Range(0.0, 0.7, f"part of core loss that is hysteresis, not eddies; {COMMON}"),
    "steinmetz": Range(1.6, 2.8, "hysteresis goes with this power of flux: 1.6 (Steinmetz 1892) to 3 (Rayleigh's"
                       " region); from memory"),
    "winding": Range(0.30, 0.65, "primary's part of all resistance ahead of the rectifier, as in the fact winding_ohm"),
    "farad": Range(1e-10, 1e-6, f"distributed capacitance, 0.1 nF, to an X-capacitor, 1 uF; {COMMON}", log=True),
    "stray": Range(0.01, 0.5, f"leakage reactance of shorted turns, of their resistance; {COMMON}", log=True),
    "knee_at": Range(0.5, 1.0, f"threshold of diodes at next to no current, of their drop at full; {COMMON}"),
    "standby_winding": Range(
        0.03, 0.35, f"regulation of a small standby transformer, primary's part; {COMMON}", log=True
    ),
}  # fmt: skip
"""What a probe needs besides the class's own ranges."""
_MOST_INITIAL: Final = 1.5
PRIMARY_SHORT: Final = Range(
    3.0, 3000.0, f"shorted X-capacitor, surge suppressor or wiring, behind fuse and filter; {COMMON}", log=True
)


_CORE: Final = ("magnetising", "core_loss", "source_ohm")
_RAILS: Final = ("drop", "idle", "biased", "small_full", "soft_share", "soft_ohm")
_OWN: Final[Mapping[str, tuple[str, ...]]] = {
    "transformer": _CORE,
    "linear-amplifier": (*_CORE, *_RAILS),
    "receiver": ("standby", "standby_current"),
    "valve-amplifier": (*_CORE, "heaters", "cold"),
    "switch-mode": ("filter", "source_ohm", "drop", "standby"),
}
"""Of each class's own parameters those that a few volts show."""


class Found(StrEnum):
    """What a probe may find, by the names that scripts rely on: as in `Cause` where it is the same."""

    NO_FAULT = Cause.NO_FAULT.value
    SHORTED_TURNS = Cause.SHORTED_TURNS.value
    OUTPUT_SHORT = Cause.OUTPUT_SHORT.value
    SWITCH_SHORT = Cause.SWITCH_SHORT.value
    PRIMARY_SHORT = "primary-side-short"
    OTHER = Cause.OTHER.value


FAULTS_SEEN: Final[Mapping[str, tuple[Found, ...]]] = {
    "transformer": (Found.SHORTED_TURNS, Found.PRIMARY_SHORT),
    "linear-amplifier": (Found.SHORTED_TURNS, Found.OUTPUT_SHORT, Found.PRIMARY_SHORT),
    "receiver": (Found.SHORTED_TURNS, Found.PRIMARY_SHORT),
    "valve-amplifier": (Found.SHORTED_TURNS, Found.PRIMARY_SHORT),
    "switch-mode": (Found.SWITCH_SHORT, Found.PRIMARY_SHORT),
}
"""The faults that are asked for, by load class."""


def ranges_of(load_class: str, found: Found) -> dict[str, Range]:
    """The ranges of all parameters of a class's samples, whole or with one fault.

    A bare transformer's resistance is that of one with a load to feed.
    """
    own: dict[str, Range] = {**SUPPLY, **FAMILIES[load_class].ranges}
    ranges = {**{name: own[name] for name in _OWN[load_class]}, **LOW_FLUX}
    faults: dict[Found, dict[str, Range]] = {
        Found.SHORTED_TURNS: {"turns_s": FAULTS[Cause.SHORTED_TURNS]["turns_s"]},
        Found.OUTPUT_SHORT: {name: FAULTS[Cause.OUTPUT_SHORT][name] for name in ("short_s", "smoothed")},
        Found.SWITCH_SHORT: {"bulk_s": FAULTS[Cause.SWITCH_SHORT]["bulk_s"]},
        Found.PRIMARY_SHORT: {"primary_s": PRIMARY_SHORT},
    }
    return ranges | faults.get(found, {})


class LowFlux:
    """Samples of one class.

    ``values`` are its parameters; ``farad_unit`` is the capacitance that draws nameplate current at nameplate voltage
    and mains frequency, F.
    """

    def __init__(self, load_class: str, values: Values, farad_unit: float) -> None:
        self._class = load_class
        self._p = values
        self._nothing = np.zeros_like(values["initial"])
        self._farad = values["farad"] / farad_unit

    def drawn(self, v: float, ratio: float) -> Drawn:
        """What each draws, settled, at a line voltage and at ``ratio`` times the mains' frequency."""
        linear = self._winding(v, ratio) + self._beside(ratio)
        return self._rectified(v).beside(v, linear.real * v * v, linear.imag * v)

    def _of(self, name: str) -> Floats:
        return self._p.get(name, self._nothing)

    def _beside(self, ratio: float) -> Complexes:
        """What is across the line itself: capacitors, bleeders, heaters, a short."""
        p = self._of
        capacitive = (self._farad + p("filter")) * ratio
        conducts = p("primary_s")
        if self._class == "switch-mode":
            conducts = conducts + p("standby")
        elif self._class == "valve-amplifier":
            conducts = conducts + p("heaters") / p("cold")
        return np.asarray(conducts + 1j * capacitive)

    def _winding(self, v: float, ratio: float) -> Complexes:
        """The one transformer that is seen; none where the supply is switch-mode."""
        p = self._of
        if self._class == "switch-mode":
            return np.asarray(self._nothing + 0j)
        if self._class == "receiver":  # the main relay is open: the standby transformer alone
            size = p("standby_current")
            ohm = p("standby_winding") / size
            core = self._core(v / ratio, ratio, size, p("standby"))
        else:
            size = self._nothing + 1.0
            soft = np.where(p("soft_share") < SOFT_SHARE, p("soft_ohm"), 0.0)
            ohm = p("winding") * p("source_ohm") + soft
            core = self._core(v / ratio, ratio, p("magnetising"), p("core_loss"))
        turns = size * p("turns_s") / (1.0 + 1j * p("stray") * ratio)
        return np.asarray(1.0 / (ohm + 1.0 / (core + turns)))

    def _core(self, flux: float, ratio: float, magnetising: Floats, loss: Floats) -> Complexes:
        """A core at a part ``flux`` of rated flux: see `LOW_FLUX`."""
        p = self._of
        inductance = np.minimum(p("initial") * (flux / RATED_FLUX_AT) ** p("rises"), _MOST_INITIAL)
        hysteresis = p("hysteresis") / ratio * flux ** (p("steinmetz") - 2.0)
        conducts = loss * (1.0 - p("hysteresis") + hysteresis)
        return np.asarray(conducts - 1j * magnetising / (inductance * ratio))

    def _rectified(self, v: float) -> Drawn:
        """What flows through rectifiers: into charged reservoirs that little is taken from, and into a short."""
        p = self._of
        if "drop" not in self._p:
            return Drawn(self._nothing, self._nothing)
        drop = p("drop") * p("knee_at")
        ohm = p("source_ohm")
        light = p("idle") * (1.0 - p("biased")) / (2.0 * np.maximum(p("small_full"), 0.05))
        smoothed = np.where(p("smoothed") > 0.5, p("short_s"), 0.0)
        peak = ROOT2 * (v - drop)
        held, mean, square = settle(peak, self._nothing, ohm, self._nothing, self._nothing, light + smoothed + 1e-9)
        own = Drawn(np.sqrt(square), (held + ROOT2 * drop) * mean + ohm * square)
        across_s = p("short_s") - smoothed + p("bulk_s")
        across = across_rectifier(across_s, v, ohm, ROOT2 * drop)
        return Drawn(own.current + across.current, own.power + across.power)
