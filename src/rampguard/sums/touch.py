"""Touch current after repair, from what was read across a body network: which limit, and which combinations. Pure.

Weighted touch current is U2 / 500 ohm (IEC 60990). That standard says how to measure and sets no limit; limits are the
product standards'. A combination that was not measured was not evaluated, and the unit has not passed.
"""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from dataclasses import dataclass
from enum import StrEnum
from itertools import product
from typing import Final

from rampguard.sums.told import COMMON, FROM_MEMORY, How, SumError, Told, plain, refuse

BODY_OHM: Final = 500.0
NOTHING_MA: Final = 0.001
"""All four readings below this (ours): some 14 pF between winding and core would make more at 230 V, 50 Hz."""


@dataclass(frozen=True, slots=True)
class TouchLimit:
    """A product standard's limit: mA, rms or ``peak``, and who says so."""

    ma: float
    peak: bool
    what: str
    source: str

    @property
    def kind(self) -> str:
        """In a word."""
        return "peak" if self.peak else "rms"


LIMITS: Final[Mapping[str, TouchLimit]] = {
    "class-ii": TouchLimit(
        0.25,
        peak=False,
        what="touchable parts that are not earthed",
        source="IEC 60950:1999 table 5A, as quoted by others",
    ),
    "hand-held": TouchLimit(
        0.75,
        peak=False,
        what="hand-held, earthed",
        source="IEC 60950:1999 table 5A, as quoted by others; earthed: from memory",
    ),
    "earthed": TouchLimit(
        3.5, peak=False, what="earthed, not hand-held", source="IEC 60950-1 5.1, as quoted by others"
    ),
    "es1": TouchLimit(
        0.5,
        peak=False,
        what="touchable parts, ES1, up to 1 kHz",
        source="IEC 62368-1:2018 table 4, as transcribed by others",
    ),
    "audio-peak": TouchLimit(
        0.7,
        peak=True,
        what="audio and video units, U2 0.35 V peak",
        source="IEC 60065, as printed in a television's service manual",
    ),
}
"""By the name on the command line. Which one holds for a unit, its own product standard and local codes say."""


class Plug(StrEnum):
    """Which way round line and neutral are."""

    NORMAL = "normal"
    REVERSED = "reversed"


class Switch(StrEnum):
    """The unit's power switch."""

    ON = "on"
    OFF = "off"


Combination = tuple[Plug, Switch]
COMBINATIONS: Final[tuple[Combination, ...]] = tuple(product(Plug, Switch))


@dataclass(frozen=True, slots=True)
class TouchReading:
    """What was read at one combination, as current: mA, rms or ``peak``."""

    at: Combination
    ma: float
    peak: bool


class Verdict(StrEnum):
    """What the readings come to."""

    PASSED = "passed"
    FAILED = "failed"
    NOT_EVALUATED = "not-evaluated"


_READING: Final = re.compile(r"(normal|reversed)/(on|off)=([0-9.eE+-]+|nan|inf)\s*(mV|mA)(pk)?")


def parse_reading(text: str) -> TouchReading:
    """``normal/on=62mV`` (across the network's output), ``reversed/off=0.12mA``; ``mVpk``, ``mApk``: peak. SumError."""
    found = _READING.fullmatch(text.strip())
    if found is None:
        raise SumError(
            [
                f"{text!r}: write plug/switch=value with its unit, such as normal/on=62mV: normal or reversed, on or"
                " off, mV or mA (mVpk or mApk for a peak)"
            ]
        )
    plug, switch, number, unit, peak = found.groups()
    try:
        value = float(number)
    except ValueError:
        raise SumError([f"{text!r}: {number!r} is not a number"]) from None
    if not 0.0 <= value < math.inf:
        raise SumError([f"{text!r}: a reading is zero or more; write its size, without a sign"])
    ma = value / BODY_OHM if unit == "mV" else value
    return TouchReading((Plug(plug), Switch(switch)), ma, bool(peak))


@dataclass(frozen=True, slots=True)
class Judged:
    """A verdict, the worst reading (None: none at all), and the combinations that nobody measured."""

    verdict: Verdict
    worst: TouchReading | None
    missing: tuple[Combination, ...]
    nothing_flowed: bool


def judge_touch(limit: TouchLimit, readings: tuple[TouchReading, ...]) -> Judged:
    """The worst counts. Raises SumError where a combination is given twice, or peak and rms are mixed up."""
    given = [reading.at for reading in readings]
    kind = "peak (mVpk, mApk)" if limit.peak else "rms (mV, mA)"
    refuse(
        [
            *(f"{'/'.join(at)} is given twice; keep the larger" for at in COMBINATIONS if given.count(at) > 1),
            *(
                f"{'/'.join(reading.at)}: this limit is {kind}; measure that, for one does not follow from the other"
                for reading in readings
                if reading.peak != limit.peak
            ),
        ]
    )
    worst = max(readings, key=lambda reading: reading.ma, default=None)
    missing = tuple(at for at in COMBINATIONS if at not in given)
    nothing = bool(readings) and all(reading.ma < NOTHING_MA for reading in readings)
    if worst is not None and worst.ma > limit.ma:
        verdict = Verdict.FAILED
    else:
        verdict = Verdict.NOT_EVALUATED if missing or nothing else Verdict.PASSED
    return Judged(verdict, worst, missing, nothing)


def told_touch(limit_name: str, readings: tuple[TouchReading, ...]) -> Told:
    """`rampguard sums touch`. Raises SumError."""
    if limit_name not in LIMITS:
        raise SumError([f"{limit_name!r} is no limit known here; there are {', '.join(LIMITS)}"])
    limit = LIMITS[limit_name]
    judged = judge_touch(limit, readings)
    return Told(
        "touch",
        tuple(_answer(limit, judged)),
        {
            "limit": limit_name,
            "limit_ma": limit.ma,
            "peak": limit.peak,
            "verdict": str(judged.verdict),
            "worst_ma": None if judged.worst is None else judged.worst.ma,
            "worst_at": None if judged.worst is None else "/".join(judged.worst.at),
            "not_evaluated": ["/".join(at) for at in judged.missing],
            "nothing_flowed": judged.nothing_flowed,
            "readings": {"/".join(reading.at): reading.ma for reading in readings},
        },
        _how(limit),
        _CAUTIONS,
        tuple(_table(limit, readings)),
        passed=judged.verdict is Verdict.PASSED,
    )


def _answer(limit: TouchLimit, judged: Judged) -> list[str]:
    bound = f"{limit.ma:g} mA {limit.kind} ({limit.what})"
    if judged.worst is None:
        return [f"NOT EVALUATED: no readings, so nothing has passed. Limit {bound}. Measure all four combinations."]
    worst = f"worst {plain(judged.worst.ma)} mA at {'/'.join(judged.worst.at)}, limit {bound}"
    missing = ", ".join("/".join(at) for at in judged.missing)
    if judged.verdict is Verdict.FAILED:
        said = f"FAILED: {worst}. The unit does not go back. Unplug, and find what leaks."
        return [said + (f" Not measured: {missing}." if missing else "")]
    if judged.nothing_flowed:
        return [
            f"NOT EVALUATED: {worst}: nothing flowed anywhere. Is the isolation transformer still there, the network's"
            " lead off, the earth side open? A mains transformer's own capacitance alone makes more than that."
            + (f" Not measured: {missing}." if missing else "")
        ]
    if missing:
        return [f"NOT EVALUATED, so not passed: {missing} not measured. So far {worst}."]
    return [f"passed: {worst}; both polarities, switch on and off."]


def _table(limit: TouchLimit, readings: tuple[TouchReading, ...]) -> list[str]:
    by_place = {reading.at: reading.ma for reading in readings}
    lines = ["  polarity   switch      mA   of the limit"]
    for at in COMBINATIONS:
        plug, switch = at
        if at in by_place:
            lines.append(f"  {plug:10} {switch:6} {plain(by_place[at]):>7} {by_place[at] / limit.ma:14.0%}")
        else:
            lines.append(f"  {plug:10} {switch:6}       -  not evaluated")
    return lines


def _how(limit: TouchLimit) -> tuple[How, ...]:
    return (
        How(
            "weighted touch current: U2 / 500 ohm, U2 read at the output of the body network",
            "IEC 60990, as quoted by others",
        ),
        How(
            "body network: 1500 ohm with 0.22 uF across it, then 500 ohm, and 10 kohm with 22 nF ahead of the meter:"
            " buy or build it, with parts that bear the mains; a bare meter on mA is no body",
            f"IEC 60990 figure 4, {FROM_MEMORY}",
        ),
        How(f"limit {limit.ma:g} mA {limit.kind}: {limit.what}", limit.source),
        How(
            "IEC 60990 itself sets no limit; which product standard holds for this unit, its label and local codes say",
            "its abstract",
        ),
        How(
            "at the mains there are; standards measure at the highest rated voltage, where a tenth more line makes a"
            " tenth more current",
            FROM_MEMORY,
        ),
        How(
            "plug both ways round, power switch on and off; the worst counts; an earthed unit with its earth lifted",
            COMMON,
        ),
    )


_CAUTIONS: Final = (
    "WITHOUT the isolation transformer: touch current flows back through the supply's earth, and behind the"
    " transformer that way is cut, so that any unit reads nothing. This is live work on the mains.",
    "So it is for a licensed person where codes require one; after insulation and earth continuity were measured,"
    " unplugged; from an outlet behind a 30 mA RCD/GFCI, tested the same day; clips on with the plug out, then plug"
    " in, one hand, nothing touched; plug out again before polarity is changed.",
    "An RCD may let 15 mA stand for good, and does not trip at all between line and neutral: it makes the work less"
    " deadly, not safe.",
    "With the earth lifted the chassis may be live. No scope clip, no laptop and no other unit on it.",
    "A pass here is no safety certificate; your local test after repair is.",
)
