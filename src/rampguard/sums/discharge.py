"""Discharging a capacitor through a resistor: how long to 60 V and 2 V, and what the resistor has to bear. Pure.

What may be touched depends on the capacitance: IEC 62368-1:2018 table 5 (as transcribed by others), ES1.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from itertools import pairwise
from typing import Any, Final

from rampguard.cautions import RESERVOIRS
from rampguard.sums.parts import e12_at_most, ohms
from rampguard.sums.told import COMMON, FROM_MEMORY, How, SumError, Told, above_zero, duration, plain, refuse

TOUCH_V: Final = 60.0
HANDS_V: Final = 2.0
"""Below it, measured, before hands or clips go in; common practice, no source."""
PLUG_S: Final = 2.0
"""So long after it is pulled a plug's pins are measured (IEC 62368-1 5.5.2.2, by a test report's form)."""
ES1: Final = (
    (0.133, 25000.0),
    (0.2, 20000.0),
    (0.4, 10000.0),
    (0.8, 5000.0),
    (1.6, 2500.0),
    (4.0, 1000.0),
    (8.0, 500.0),
    (12.0, 350.0),
    (18.0, 250.0),
    (28.0, 200.0),
    (41.0, 150.0),
    (61.0, 125.0),
    (91.0, 100.0),
    (170.0, 75.0),
    (300.0, 60.0),
)
"""(nF, V peak): what a charged capacitor may hold where it can be touched."""
SMALL_W: Final = 0.25
OVERLOAD: Final = 5.0
OVERLOAD_S: Final = 5.0
"""A wire-wound resistor bears five times its rating for five seconds (from memory; its data sheet goes before)."""


def es1_limit_v(capacitance_nf: float) -> float:
    """IEC 62368-1 table 5: V peak that may be left on a capacitor that can be touched; straight lines between rows."""
    refuse(above_zero(capacitance_nf=capacitance_nf))
    if capacitance_nf <= ES1[0][0]:
        return ES1[0][1]
    for (low, high_v), (high, low_v) in pairwise(ES1):
        if capacitance_nf <= high:
            return high_v + (low_v - high_v) * (capacitance_nf - low) / (high - low)
    return TOUCH_V


def left_v(charged_v: float, ohm: float, farad: float, seconds: float) -> float:
    """What is left after so long, volts."""
    return charged_v * math.exp(-seconds / (ohm * farad))


def until_s(charged_v: float, to_v: float, ohm: float, farad: float) -> float:
    """How long until it is down to a voltage; 0 where it is so already."""
    return max(0.0, ohm * farad * math.log(charged_v / to_v))


def longest_time_constant_s(charged_v: float, to_v: float, within_s: float) -> float:
    """The largest RC that gets down in time; infinite where it is down already."""
    return math.inf if charged_v <= to_v else within_s / math.log(charged_v / to_v)


@dataclass(frozen=True, slots=True)
class Discharge:
    """A capacitor and its resistor, SI. ``least_w`` is the rating for one discharge, ``steady_w`` for staying on."""

    farad: float
    charged_v: float
    ohm: float
    limit_v: float
    to_limit_s: float
    to_touch_s: float
    to_hands_s: float
    at_plug_s_v: float
    peak_w: float
    energy_j: float
    least_w: float
    steady_w: float


def discharge(capacitance_uf: float, charged_v: float, resistor_ohm: float) -> Discharge:
    """Work it out. Microfarads, volts DC (the peak, for a capacitor on the mains), ohms. Raises SumError."""
    refuse(above_zero(capacitance_uf=capacitance_uf, charged_v=charged_v, resistor_ohm=resistor_ohm))
    farad = capacitance_uf * 1e-6
    limit = es1_limit_v(1e3 * capacitance_uf)
    peak_w = charged_v**2 / resistor_ohm
    to_limit, to_touch, to_hands = (until_s(charged_v, v, resistor_ohm, farad) for v in (limit, TOUCH_V, HANDS_V))
    # Power falls with half of RC: after this long it is no more than a fifth of its peak.
    overloaded_s = 0.5 * resistor_ohm * farad * math.log(OVERLOAD)
    return Discharge(
        farad,
        charged_v,
        resistor_ohm,
        limit,
        to_limit,
        to_touch,
        to_hands,
        left_v(charged_v, resistor_ohm, farad, PLUG_S),
        peak_w,
        0.5 * farad * charged_v**2,
        peak_w / OVERLOAD if overloaded_s <= OVERLOAD_S else peak_w,
        2.0 * peak_w,
    )


def resistor_for(capacitance_uf: float, charged_v: float, within_s: float, to_v: float = TOUCH_V) -> float:
    """The largest resistor, ohms, that brings it down to a voltage in time. Raises SumError."""
    refuse(above_zero(capacitance_uf=capacitance_uf, charged_v=charged_v, within_s=within_s, to_v=to_v))
    if charged_v <= to_v:
        raise SumError([f"{charged_v:g} V is down to {to_v:g} V already; no resistor is needed for that"])
    return longest_time_constant_s(charged_v, to_v, within_s) / (capacitance_uf * 1e-6)


def told_discharge(
    capacitance_uf: float,
    charged_v: float,
    resistor_ohm: float | None = None,
    within_s: float | None = None,
    *,
    mains: bool = False,
) -> Told:
    """`rampguard sums discharge`: by a resistor, or for a time to 60 V. Raises SumError.

    ``mains``: the capacitor sits across the mains, ``charged_v`` is their rms, and the plug's pins are judged.
    """
    if (resistor_ohm is None) == (within_s is None):
        raise SumError(["give one of --resistor-ohm (what there is) and --within-s (to find what is needed)"])
    peak_v = charged_v * math.sqrt(2.0) if mains else charged_v
    found: list[str] = []
    if within_s is not None:
        resistor_ohm, said = _found(capacitance_uf, peak_v, within_s, mains=mains)
        found.append(said)
    assert resistor_ohm is not None  # noqa: S101 - given, or found
    d = discharge(capacitance_uf, peak_v, resistor_ohm)
    return Told(
        "discharge",
        (*found, *(_pins(d) if mains else []), *_answer(d)),
        {
            **_values(d),
            "plug_pins_in_time": _pins_in_time(d) if mains else None,
        },
        _how(d),
        _CAUTIONS,
        passed=_pins_in_time(d) if mains else None,
    )


def _found(capacitance_uf: float, peak_v: float, within_s: float, *, mains: bool) -> tuple[float, str]:
    """The resistor of the row that is in time, and how that is told."""
    refuse(above_zero(capacitance_uf=capacitance_uf))
    to_v = es1_limit_v(1e3 * capacitance_uf) if mains else TOUCH_V
    most_ohm = resistor_for(capacitance_uf, peak_v, within_s, to_v)
    ohm = e12_at_most(most_ohm)
    return ohm, (
        f"{plain(peak_v)} V down to {plain(to_v)} V within {duration(within_s)}: {ohms(ohm)} (E12), for no more than"
        f" {math.floor(most_ohm)} ohm will do."
    )


def _pins_in_time(d: Discharge) -> bool:
    return d.at_plug_s_v <= d.limit_v


def _values(d: Discharge) -> dict[str, Any]:
    return {
        "capacitance_uf": d.farad * 1e6,
        "charged_v": d.charged_v,
        "resistor_ohm": d.ohm,
        "time_constant_s": d.ohm * d.farad,
        "below_60_v_in_s": d.to_touch_s,
        "below_2_v_in_s": d.to_hands_s,
        "touch_limit_v": d.limit_v,
        "below_touch_limit_in_s": d.to_limit_s,
        "after_2_s_v": d.at_plug_s_v,
        "peak_w": d.peak_w,
        "energy_j": d.energy_j,
        "once_w": d.least_w,
        "left_on_w": d.steady_w,
    }


def _pins(d: Discharge) -> list[str]:
    verdict = "soon enough" if _pins_in_time(d) else "TOO SLOW"
    most = longest_time_constant_s(d.charged_v, d.limit_v, PLUG_S)
    need = "" if math.isinf(most) else f"; {ohms(e12_at_most(most / d.farad))} (E12) or less is"
    return [
        f"Plug's pins: {plain(d.at_plug_s_v)} V left {PLUG_S:g} s after it is pulled at the mains' peak, limit"
        f" {plain(d.limit_v)} V: {verdict}{need} in time."
    ]


def _answer(d: Discharge) -> list[str]:
    return [
        f"{plain(d.farad * 1e6)} uF from {plain(d.charged_v)} V through {ohms(d.ohm)}: below {TOUCH_V:g} V in"
        f" {duration(d.to_touch_s)}, below {HANDS_V:g} V in {duration(d.to_hands_s)} (RC ="
        f" {duration(d.ohm * d.farad)}).",
        f"The resistor gets {plain(d.peak_w)} W at first and {plain(d.energy_j)} J in all. {_rating(d)} Rated for"
        f" {plain(d.charged_v)} V and more (two or three in a row, if need be).",
    ]


def _rating(d: Discharge) -> str:
    if d.steady_w <= SMALL_W:
        return f"Any of {SMALL_W:g} W bears that, once or left on."
    return (
        f"For one discharge at a time: wire-wound, {plain(max(SMALL_W, d.least_w))} W or more; left across a capacitor"
        f" that stays charged: {plain(d.steady_w)} W."
    )


def _how(d: Discharge) -> tuple[How, ...]:
    return (
        How("t = RC ln(V0 / V); V = V0 e^(-t / RC)", "textbook"),
        How("peak power V0^2 / R, energy C V0^2 / 2, whatever R is", "textbook"),
        How(
            f"one discharge: a fifth of the peak power, where it has fallen to that within {OVERLOAD_S:g} s:"
            " wire-wound resistors bear 5 times their rating for 5 s; else the peak power",
            f"{FROM_MEMORY}; its data sheet goes before",
        ),
        How("left on: twice V0^2 / R, to stay cool enough", COMMON),
        How(
            f"{TOUCH_V:g} V: limit of direct voltage for touch, ES1",
            "IEC 62368-1:2018 table 4, as transcribed by others",
        ),
        How(
            f"a charged capacitor of {plain(d.farad * 1e6)} uF may be touched at {plain(d.limit_v)} V peak",
            "IEC 62368-1:2018 table 5, ES1, as transcribed by others; straight lines between its rows",
        ),
        How(
            "pins of a plug: 2 s after it is pulled, at the peak of the mains as given; 253/50 is 230 V and a tenth",
            "IEC 62368-1 5.5.2.2, by a test report's form",
        ),
        How(f"{HANDS_V:g} V before hands or clips go in", COMMON),
    )


_CAUTIONS: Final = (
    "A reckoned time is no measurement: a bleeder may be open, an electrolytic hold a fifth more than it is marked"
    " with. Measure, DC, across the capacitor itself, every one of them.",
    "Through a resistor with insulated clips, never a screwdriver; unplugged; one hand; eye protection on.",
    "What has been discharged comes up again by itself (dielectric absorption): leave the resistor clipped on while"
    " you work, and measure again before you touch.",
    RESERVOIRS,
)
