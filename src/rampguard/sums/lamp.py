"""The series lamp for a unit: what it lets through, what it leaves, and what it does to the ramp. Pure.

The lamp settles where it radiates what it takes (`loads.filament`: T^1.2 and T^4, so that current goes as V^0.54). The
unit's share of the line is found as for the band (`loads.series_lamp`): with u its voltage, i its current, P its power
and R the filament's resistance, the line's mean square is u^2 + 2 R P + R^2 i^2, exactly, since R i is in phase with i.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from functools import cache
from typing import Any, Final

import numpy as np

from rampguard.cautions import RESERVOIRS
from rampguard.loads import filament
from rampguard.loads.rectifier import Floats
from rampguard.sums.told import COMMON, FROM_MEMORY, How, Told, above_zero, plain, refuse

SIZES_W: Final = (25.0, 40.0, 60.0, 75.0, 100.0, 150.0, 200.0, 300.0, 500.0)
"""Filament lamps as they were sold; from memory."""
LEAVES_FRACTION: Final = 0.8
"""So much of the line a lamp should leave a healthy unit at idle; common practice, no source."""
IDLE_FRACTION: Final = 0.1
"""What a unit idles at, of its nameplate, where it is not given; common practice, no source."""
COLD_INRUSH: Final = (10.0, 15.0)
"""Cold lamp into a short, times its rated current, for some milliseconds (a French installation guide, as quoted)."""
_HOTTEST: Final = 1.15
"""Of the temperature at rated voltage: some 1.4 times that voltage."""
_UNITS: Final = tuple((power, factor) for power in (1.0, 2.0) for factor in (0.56, 0.95))
"""What an idling unit may be: power as u (a constant current) or u^2 (a resistor), and its power factor, from that of a
bridge with a reservoir (0.90 x 0.62, Hammond, Design Guide for Rectifier Use) to nearly one."""


@dataclass(frozen=True, slots=True)
class LampRow:
    """One lamp with this unit. Watts, amperes and volts rms; the unit's volts at full line, at its idle draw."""

    lamp_w: float
    short_a: float
    cold_peak_a: tuple[float, float]
    fault_most_w: float
    """The most that any resistive fault behind it can take."""
    left_v: tuple[float, float]
    """What is left across the idling unit: least and most."""
    fits: bool


@cache
def _settled() -> tuple[Floats, Floats, Floats]:
    """Current, voltage and resistance of settled filaments, cold to hotter than rated, as parts of the rated ones."""
    t = filament.COLD + (_HOTTEST - filament.COLD) * np.linspace(0.0, 1.0, 4000) ** 2
    ohm = filament.resistance(t)
    current = np.sqrt(filament.lost(t, np.zeros_like(t)) / ohm)
    return current, current * ohm, ohm


def current_part(voltage_part: float) -> float:
    """A settled filament's current at a voltage, both as parts of the rated ones; 0 to 1.2. Raises SumError."""
    refuse([] if 0.0 <= voltage_part <= 1.2 else [f"voltage_part = {voltage_part!r}: a lamp is worked out up to 1.2"])
    current, volts, _ = _settled()
    return float(np.interp(voltage_part, volts, current))


def resistance_part(current_part: float) -> float:
    """A settled filament's resistance at a current, both as parts of the rated ones; 0 to 1.1."""
    current, _, ohm = _settled()
    return float(np.interp(current_part, current, ohm))


def unit_voltage_v(lamp_w: float, idle_w: float, mains_v: float, power: float, factor: float) -> float:
    """What is left for a unit behind a lamp, volts rms.

    ``idle_w`` is what it draws at full mains, as the ``power``-th power of its voltage, at a power ``factor``.
    """
    rated_a = lamp_w / mains_v

    def over(part: float) -> float:
        """The line that this share of it would need, less the line there is; in parts of the line."""
        watts = idle_w * part**power
        amperes = watts / (factor * part * mains_v)
        if amperes >= rated_a:
            return 1.0
        ohm = (mains_v / rated_a) * resistance_part(amperes / rated_a)
        u = part * mains_v
        return math.sqrt(u * u + 2.0 * ohm * watts + (ohm * amperes) ** 2) / mains_v - 1.0

    low, high = 1e-6, 1.0
    for _ in range(50):
        middle = 0.5 * (low + high)
        low, high = (low, middle) if over(middle) > 0.0 else (middle, high)
    return mains_v * low


@cache
def fault_most_part() -> float:
    """The most power a resistor behind the lamp can take, of the lamp's rated power: about 0.37."""
    currents = np.linspace(0.01, 1.0, 400)
    return max(float(i) * (1.0 - float(i) * resistance_part(float(i))) for i in currents)


def lamp_row(lamp_w: float, nameplate_w: float, idle_w: float, mains_v: float) -> LampRow:
    """One lamp with this unit."""
    rated_a = lamp_w / mains_v
    left = [unit_voltage_v(lamp_w, idle_w, mains_v, power, factor) for power, factor in _UNITS]
    least, most = COLD_INRUSH
    return LampRow(
        lamp_w,
        rated_a,
        (least * rated_a, most * rated_a),
        fault_most_part() * lamp_w,
        (min(left), max(left)),
        fits=min(left) >= LEAVES_FRACTION * mains_v and lamp_w <= nameplate_w,
    )


def lamp_rows(
    nameplate_w: float, mains_v: float, idle_w: float | None = None, lamp_w: float | None = None
) -> tuple[LampRow, ...]:
    """Each lamp there is (or the one at hand) with this unit. Watts, volts rms. Raises SumError."""
    problems = above_zero(nameplate_w=nameplate_w, idle_w=idle_w, lamp_w=lamp_w)
    if not 90.0 <= mains_v <= 260.0:
        problems.append(f"mains_v = {mains_v!r}: mains are 90 to 260 V; give them as 230/50")
    if idle_w is not None and idle_w > nameplate_w:
        problems.append(f"idle_w = {idle_w:g} is more than the nameplate's {nameplate_w:g} W; check both")
    refuse(problems)
    idle = IDLE_FRACTION * nameplate_w if idle_w is None else idle_w
    return tuple(lamp_row(size, nameplate_w, idle, mains_v) for size in (SIZES_W if lamp_w is None else (lamp_w,)))


def told_lamp(nameplate_w: float, mains_v: float, idle_w: float | None = None, lamp_w: float | None = None) -> Told:
    """`rampguard sums lamp`. Raises SumError."""
    rows = lamp_rows(nameplate_w, mains_v, idle_w, lamp_w)
    idle = IDLE_FRACTION * nameplate_w if idle_w is None else idle_w
    fitting = [row for row in rows if row.fits]
    return Told(
        "lamp",
        tuple(_answer(rows, fitting, nameplate_w, mains_v, idle, at_hand=lamp_w is not None)),
        {
            "nameplate_w": nameplate_w,
            "mains_v": mains_v,
            "idle_w": idle,
            "idle_assumed": idle_w is None,
            "start_with_w": fitting[0].lamp_w if fitting else None,
            "lamps": [_message(row) for row in rows],
        },
        tuple(_how(assumed=idle_w is None)),
        _CAUTIONS,
        tuple(_table(rows, mains_v)),
    )


def _answer(
    rows: tuple[LampRow, ...],
    fitting: list[LampRow],
    nameplate_w: float,
    mains_v: float,
    idle_w: float,
    *,
    at_hand: bool,
) -> list[str]:
    unit = f"a unit of {nameplate_w:g} W at {mains_v:g} V that idles at {plain(idle_w)} W"
    if not fitting:
        which = f"a {rows[0].lamp_w:g} W lamp does not do" if at_hand else "no lamp does"
        return [
            f"For {unit} {which}: it should leave the unit {LEAVES_FRACTION:.0%} of the line at idle, and be of no more"
            " watts than the nameplate. Rely on the slow ramp, the guard and the fuse."
        ]
    first = fitting[0]
    said = f"For {unit}: a {first.lamp_w:g} W filament lamp for {mains_v:g} V, in series."
    others = ", ".join(f"{row.lamp_w:g}" for row in fitting[1:])
    low, high = first.left_v
    return [
        said + (f" Next, once that one stays dim: {others} W." if others else ""),
        f"Into a dead short it lets {plain(first.short_a)} A through; of the idling unit's {mains_v:g} V it leaves"
        f" {low:.0f} to {high:.0f} V. So the unit never sees full line, whatever the line meter reads: voltages inside"
        " are to be checked without the lamp. Take it out once the idle has been steady behind it, lamp dark or dim,"
        " at full line: switch off, prove it off, bring the knob to zero, bridge the lamp, and ramp up again.",
    ]


def _table(rows: tuple[LampRow, ...], mains_v: float) -> list[str]:
    lines = ["  lamp    into a short   cold, some ms    most into a fault   left at idle"]
    for row in rows:
        cold = f"{plain(row.cold_peak_a[0])} to {plain(row.cold_peak_a[1])} A"
        left = f"{row.left_v[0] / mains_v:.0%} to {row.left_v[1] / mains_v:.0%}"
        lines.append(
            f"{row.lamp_w:4.0f} W {plain(row.short_a):>10} A   {cold:>15} {plain(row.fault_most_w):>14} W    "
            f" {left:>14}{'  *' if row.fits else ''}"
        )
    return [*lines, "  * leaves enough at idle, and is no bigger than the nameplate"]


def _message(row: LampRow) -> dict[str, Any]:
    return {
        "lamp_w": row.lamp_w,
        "short_a": row.short_a,
        "cold_peak_a": list(row.cold_peak_a),
        "fault_most_w": row.fault_most_w,
        "left_v": list(row.left_v),
        "fits": row.fits,
    }


def _how(*, assumed: bool) -> list[How]:
    idle = [How("idle: not given, taken as a tenth of the nameplate; --idle-w gives it", COMMON)] if assumed else []
    return [
        How("into a short: rated current, lamp W / mains V", "by definition, once it is hot"),
        How("cold: 10 to 15 times that, some ms", "a French installation guide, as quoted by a switchgear dealer"),
        How(
            "settled lamp: current as voltage to the 0.54, so that at a tenth of the line a short still gets 0.29 of"
            " rated current: low on the ramp it is the low line that protects, not the lamp",
            "tungsten's resistivity, CRC Handbook; handbooks print 0.541 (IES, from memory) and 0.55 (Standard"
            " Handbook for Electrical Engineers, as cited)",
        ),
        How("most into a fault: a resistor matched to the lamp takes 0.37 of the lamp's watts", "worked out from that"),
        How(
            "left at idle: line^2 = u^2 + 2 R P + R^2 i^2, for a unit whose idle current is constant or goes with its"
            " voltage, power factor 0.56 to 0.95; 0.56 is a bridge with a reservoir",
            "exact for a resistance in series; Hammond, Design Guide for Rectifier Use: 0.90 x 0.62",
        ),
        *idle,
        How("which lamp: leaves 80 % at idle, at most nameplate watts; the smallest such first", COMMON),
        How("the sizes of lamps", FROM_MEMORY),
    ]


_CAUTIONS: Final = (
    "A filament lamp only: LED and energy-saving lamps limit nothing. Its socket and glass are live and hot.",
    "The lamp goes behind the isolation transformer and the fuse, and takes the place of neither. A unit that idles"
    " well behind it may still fail at full line.",
    "Behind a lamp a soft-start relay may not pull in, and a switch-mode unit may not start, or start and stop over"
    " and over: no lamp for long with those.",
    "Tell the program of it (--series-lamp-w), so that it expects what a unit behind a lamp draws.",
    RESERVOIRS,
)
