"""Reforming electrolytics that have long stood unused: steps of voltage, and what the current must do at each. Pure.

Steps, times and the stop rule are common practice, no source. Two ways: from a direct-voltage supply through a
resistor, the capacitor disconnected, where the current is measured; and by the variac, where the unit's own
transformer and rectifier feed its reservoir, as a plan file, where it is not.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from rampguard.cautions import RESERVOIRS
from rampguard.ramp.plan import Mains, Plan, Stage
from rampguard.sums.parts import e12_at_most, ohms
from rampguard.sums.told import COMMON, FROM_MEMORY, How, SumError, Told, above_zero, duration, plain, refuse

FRACTIONS: Final = (0.25, 0.5, 0.7, 0.85, 1.0)
"""Steps of a supply, parts of the voltage that the capacitor is to bear."""
LINE_FRACTIONS: Final = (0.1, 0.25, 0.4, 0.55, 0.7, 0.85, 1.0)
"""Steps of a variac, parts of the line."""
HOLD_S: Final = 300.0
LAST_HOLD_S: Final = 1800.0
LONGEST_S: Final = 1800.0
"""A step whose current has not fallen by then, after its least time, ends it: the capacitor is replaced."""
SETTLES: Final = 5.0
"""Time constants until a capacitor has charged: within 1 %."""
DROP_FRACTION: Final = 0.1
"""What the resistor may drop at the leakage that is let pass, of the step's voltage."""
LEAST_OHM: Final = 100.0
MOST_OHM: Final = 100e3
_LINE_SLEW_FRACTION_PER_S: Final = 0.01


class FedBy(StrEnum):
    """What brings the voltage."""

    SUPPLY = "supply"
    """A direct-voltage supply through a resistor, the capacitor disconnected from the unit."""
    TRANSFORMER = "transformer"
    """The variac, through the unit's own mains transformer and semiconductor rectifier."""
    VALVE_RECTIFIER = "valve-rectifier"
    SWITCH_MODE = "switch-mode"


_NOT_BY_VARIAC: Final = {
    FedBy.VALVE_RECTIFIER: "a valve rectifier passes nothing until it is warm, and then the whole voltage at once:"
    " there are no steps to be had by the variac",
    FedBy.SWITCH_MODE: "never by the variac: a switch-mode unit's reservoir sits on the rectified mains and follows"
    " them from the first volt, live, with no isolation inside; and its converter, started low, draws the more"
    " current",
}


@dataclass(frozen=True, slots=True)
class Step:
    """One step of a supply: volts, seconds, and the current and drop over the resistor it must have come below."""

    supply_v: float
    least_s: float
    longest_s: float
    most_a: float
    most_drop_v: float


@dataclass(frozen=True, slots=True)
class Reforming:
    """The whole of it, by a supply. ``most_w`` is what the capacitor can get at worst, however leaky it is."""

    ohm: float
    resistor_w: float
    most_w: float
    steps: tuple[Step, ...]


def leakage_limit_a(capacitance_uf: float, volts: float) -> float:
    """I = 0.01 C V (uA, uF, V) or 3 mA, whichever is less; from memory."""
    refuse(above_zero(capacitance_uf=capacitance_uf, volts=volts))
    return min(0.01e-6 * capacitance_uf * volts, 3e-3)


def series_ohm(capacitance_uf: float, volts: float) -> float:
    """The resistor (E12) that drops a tenth of the voltage at the leakage that is let pass; 100 ohm to 100 kohm."""
    wanted = DROP_FRACTION * volts / leakage_limit_a(capacitance_uf, volts)
    return e12_at_most(min(max(wanted, LEAST_OHM), MOST_OHM))


def reforming(capacitance_uf: float, rated_v: float, to_v: float, resistor_ohm: float | None = None) -> Reforming:
    """By a supply, up to ``to_v``. Raises SumError."""
    problems = above_zero(capacitance_uf=capacitance_uf, rated_v=rated_v, to_v=to_v, resistor_ohm=resistor_ohm)
    if to_v > rated_v:
        problems.append(
            f"to_v = {to_v:g} is above the rated {rated_v:g} V; a capacitor is never reformed above its rating"
        )
    refuse(problems)
    ohm = series_ohm(capacitance_uf, to_v) if resistor_ohm is None else resistor_ohm
    steps = tuple(_step(capacitance_uf, part * to_v, ohm, last=part == FRACTIONS[-1]) for part in FRACTIONS)
    return Reforming(ohm, to_v**2 / ohm, to_v**2 / (4.0 * ohm), steps)


def _step(capacitance_uf: float, volts: float, ohm: float, *, last: bool) -> Step:
    most_a = leakage_limit_a(capacitance_uf, volts)
    least_s = max(LAST_HOLD_S if last else HOLD_S, SETTLES * ohm * capacitance_uf * 1e-6)
    return Step(volts, least_s, least_s + LONGEST_S, most_a, most_a * ohm)


def variac_plan(mains_v: float, frequency_hz: float) -> Plan:
    """The steps as a plan file for the variac or the source: long holds, each ended by a current that holds still."""
    stages = tuple(
        Stage(
            name=f"reform at {part:.0%} of line",
            line_voltage_v=round(part * mains_v, 1),
            slew_v_per_s=round(_LINE_SLEW_FRACTION_PER_S * mains_v, 3),
            hold_s=LAST_HOLD_S if part == LINE_FRACTIONS[-1] else HOLD_S,
            timeout_s=LONGEST_S + (LAST_HOLD_S if part == LINE_FRACTIONS[-1] else HOLD_S),
            ends_when="current-steady",
        )
        for part in LINE_FRACTIONS
    )
    return Plan(
        format=1,
        title=f"reforming at {mains_v:g} V, {frequency_hz:g} Hz",
        mains=Mains(voltage_v=mains_v, frequency_hz=frequency_hz),
        stages=stages,
    )


def told_reform(
    capacitance_uf: float,
    rated_v: float,
    to_v: float | None = None,
    resistor_ohm: float | None = None,
    fed_by: FedBy = FedBy.SUPPLY,
    mains: tuple[float, float] = (230.0, 50.0),
) -> Told:
    """`rampguard sums reform`. Raises SumError; where a variac cannot do it, too."""
    if fed_by in _NOT_BY_VARIAC:
        raise SumError([f"{_NOT_BY_VARIAC[fed_by]}. Take the capacitor out and use --fed-by supply, or fit a new one"])
    aim_v = rated_v if to_v is None else to_v
    r = reforming(capacitance_uf, rated_v, aim_v, resistor_ohm)
    if fed_by is FedBy.TRANSFORMER:
        if resistor_ohm is not None:
            raise SumError(["--resistor-ohm goes with --fed-by supply: the unit's own rectifier has no such resistor"])
        return _told_variac(capacitance_uf, aim_v, mains)
    return _told_supply(capacitance_uf, aim_v, r)


def _told_supply(capacitance_uf: float, aim_v: float, r: Reforming) -> Told:
    least_s, longest_s = sum(step.least_s for step in r.steps), sum(step.longest_s for step in r.steps)
    return Told(
        "reform",
        (
            f"{plain(capacitance_uf)} uF to {plain(aim_v)} V, disconnected, from a supply through {ohms(r.ohm)}: five"
            f" steps, {duration(least_s)} at least, {duration(longest_s)} at most. However leaky it is, it gets"
            f" {plain(r.most_w)} W at most; the resistor must bear {plain(r.resistor_w)} W.",
            "The next step may come only when the step's least time is over AND the drop across the resistor, which"
            " is the current, has come below the table's, and still falls or stands.",
            "STOP, and fit a new one: if it is not below after the longest time; if the current rises at one voltage;"
            " if the can warms (a thermometer tells, not fingers: it is live), bulges, leaks or hisses.",
        ),
        {
            "fed_by": str(FedBy.SUPPLY),
            "capacitance_uf": capacitance_uf,
            "to_v": aim_v,
            "resistor_ohm": r.ohm,
            "resistor_w": r.resistor_w,
            "capacitor_most_w": r.most_w,
            "least_s": least_s,
            "longest_s": longest_s,
            "steps": [_message(step) for step in r.steps],
        },
        _HOW_SUPPLY,
        _CAUTIONS,
        tuple(_table(r)),
    )


def _told_variac(capacitance_uf: float, aim_v: float, mains: tuple[float, float]) -> Told:
    mains_v, frequency_hz = mains
    try:
        plan = variac_plan(mains_v, frequency_hz)
    except ValueError:
        raise SumError(
            [f"{mains_v:g}/{frequency_hz:g} are no mains: 90 to 260 V at 50 or 60 Hz, such as --mains 230/50"]
        ) from None
    least_s = sum(stage.hold_s for stage in plan.stages) + mains_v / plan.stages[0].slew_v_per_s
    longest_s = least_s + len(plan.stages) * LONGEST_S
    limit_a = leakage_limit_a(capacitance_uf, aim_v)
    return Told(
        "reform",
        (
            f"By the variac, through the unit's own transformer and rectifier: {len(plan.stages)} steps of the line,"
            f" {duration(least_s)} at least, {duration(longest_s)} at most. --plan FILE writes the steps as a plan.",
            "What the plan can and cannot see: each stage ends when line current has stood still for a second after"
            f" its hold. {plain(1e3 * limit_a)} mA of leakage is too little to be told from the line: the guard sees a"
            " leak of many watts, not this one. You watch it, in every hold: note the rail's volts and line watts at"
            " its start and end. The rail must have stopped rising, the watts must not have risen, the can must stay"
            " at room warmth (by a thermometer; by hand only with power off and rails measured below 2 V). Pause the"
            " ramp while in doubt.",
            "STOP, and fit a new one: if watts rise or the rail sinks during a hold, or the can warms, bulges, leaks"
            " or hisses. To measure the leakage itself: --fed-by supply, the capacitor disconnected.",
        ),
        {
            "fed_by": str(FedBy.TRANSFORMER),
            "capacitance_uf": capacitance_uf,
            "to_v": aim_v,
            "least_s": least_s,
            "longest_s": longest_s,
            "stages": [stage.model_dump() for stage in plan.stages],
        },
        _HOW_VARIAC,
        _CAUTIONS,
        tuple(_stage_table(plan)),
    )


def _table(r: Reforming) -> list[str]:
    lines = ["  step    supply    least     longest   current below   drop below"]
    for number, step in enumerate(r.steps, 1):
        lines.append(
            f"{number:6d} {plain(step.supply_v):>7} V {duration(step.least_s):>9} {duration(step.longest_s):>10}"
            f" {plain(1e6 * step.most_a):>12} uA {plain(step.most_drop_v):>10} V"
        )
    return lines


def _stage_table(plan: Plan) -> list[str]:
    lines = ["  step      line    least     longest"]
    for number, stage in enumerate(plan.stages, 1):
        longest = duration(stage.timeout_s)
        lines.append(f"{number:6d} {plain(stage.line_voltage_v):>7} V {duration(stage.hold_s):>9} {longest:>10}")
    return lines


def _message(step: Step) -> dict[str, Any]:
    return {
        "supply_v": step.supply_v,
        "least_s": step.least_s,
        "longest_s": step.longest_s,
        "most_a": step.most_a,
        "most_drop_v": step.most_drop_v,
    }


_HOW_SUPPLY: Final = (
    How("current below 0.01 C V (uA, uF, V) or 3 mA, whichever is less, at the step's voltage", FROM_MEMORY),
    How("resistor: drops a tenth at that leakage, E12, 100 ohm to 100 kohm", "ours"),
    How("the most the capacitor can get: V^2 / 4R, when its leakage matches the resistor", "textbook"),
    How("least time: 5 min (the last 30 min), or 5 RC, whichever is longer; half an hour more at most", COMMON),
    How("steps at 25, 50, 70, 85, 100 %; the stop rule", COMMON),
)
_HOW_VARIAC: Final = (
    How("steps at 10, 25, 40, 55, 70, 85, 100 % of line; 5 min each, the last 30; half an hour more at most", COMMON),
    How("rails follow the line where a transformer and semiconductor diodes feed them; the stop rule", COMMON),
    How("leakage let pass: 0.01 C V (uA, uF, V) or 3 mA, whichever is less", FROM_MEMORY),
)
_CAUTIONS: Final = (
    "It does not apply to a valve rectifier (nothing until warm, then all at once), and never to a switch-mode unit's"
    " mains reservoir by the variac. A can that bulges or has leaked is replaced, not reformed.",
    "Electrolytics burst. Eye protection, a cover over the can, nobody's face above it; polarity checked twice; you"
    " stay.",
    "Above 60 V a supply and a charged capacitor kill as the mains do: switch off and discharge before a clip is"
    " moved, one hand, a supply whose current limit is set to a few times the table's current.",
    "A unit with a soft-start resistor must not be held below its bypass for minutes: rampguard sums soft-start.",
    "At the end it is charged to its full voltage: discharge it through a resistor (rampguard sums discharge).",
    RESERVOIRS,
)
