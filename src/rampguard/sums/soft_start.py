"""A soft-start resistor: what one start puts into it, and how long a hold below its bypass may last. Pure.

From a direct voltage a capacitor charged to V takes as much as it keeps, C V^2 / 2, out of the resistor, whatever its
value. A rectified sine gives less: no charge leaves it at more than its peak, so that C V^2 / 2 is the most.
"""

from __future__ import annotations

import math
from dataclasses import asdict, dataclass
from typing import Final

from rampguard.cautions import RESERVOIRS
from rampguard.sums.parts import ohms
from rampguard.sums.told import COMMON, FROM_MEMORY, How, Told, above_zero, duration, plain, refuse

PULSE: Final = 25.0
"""Joules a watt of rating a wire-wound resistor bears in one go: five times it for five seconds (from memory)."""
HOLDS: Final = (0.6, 0.7, 0.8)
"""Parts of the line at which a bypass relay may not have pulled in; common practice, no source."""
POWER_FACTOR: Final = 0.56
"""Of a bridge with a reservoir: 0.90 x 0.62 (Hammond, Design Guide for Rectifier Use)."""


@dataclass(frozen=True, slots=True)
class Started:
    """A resistor and the unit behind it. ``reservoir_uf`` and ``rail_v`` are one rail's, ``idle_w`` is at full line."""

    resistor_ohm: float
    rating_w: float
    reservoir_uf: float
    rail_v: float
    rails: int
    mains_v: float
    idle_w: float
    pulse_j: float | None = None
    """What it bears in one go; None: `PULSE` for each watt of its rating."""


@dataclass(frozen=True, slots=True)
class Hold:
    """At a part of the line, not bypassed. Watts; seconds until the pulse rating is used up, None: no end."""

    part: float
    idle_w: float
    idle_s: float | None
    short_w: float
    short_s: float | None


@dataclass(frozen=True, slots=True)
class SoftStart:
    """One resistor with this unit. SI units."""

    start_j: float
    peak_a: float
    reflected_farad: float
    time_constant_s: float
    pulse_j: float
    holds: tuple[Hold, ...]

    @property
    def bears_a_start(self) -> bool:
        """Whether one start from cold is within the pulse rating."""
        return self.start_j <= self.pulse_j


def stored_j(reservoir_uf: float, rail_v: float, rails: int) -> float:
    """Joules in all reservoirs; the same, at most, goes into the resistor."""
    return rails * 0.5 * reservoir_uf * 1e-6 * rail_v**2


def hold_s(power_w: float, rating_w: float, pulse_j: float, spent_j: float) -> float | None:
    """How long a power may last: None, no end, up to the rating; else what is left of the pulse rating. Seconds."""
    return None if power_w <= rating_w else max(0.0, pulse_j - spent_j) / power_w


def soft_start(given: Started) -> SoftStart:
    """Work it out. Raises SumError."""
    refuse(_problems(given))
    start_j = stored_j(given.reservoir_uf, given.rail_v, given.rails)
    peak_v, ohm = math.sqrt(2.0) * given.mains_v, given.resistor_ohm
    budget_j = PULSE * given.rating_w if given.pulse_j is None else given.pulse_j
    reflected = 2.0 * start_j / peak_v**2
    holds = tuple(_hold(part, given, budget_j, start_j) for part in HOLDS)
    return SoftStart(start_j, peak_v / ohm, reflected, ohm * reflected, budget_j, holds)


def _problems(given: Started) -> list[str]:
    numbers = {name: value for name, value in asdict(given).items() if name != "rails"}
    problems = above_zero(**numbers)
    if given.rails not in (1, 2, 3, 4):
        problems.append(f"rails = {given.rails!r}: 1 to 4; a plus and a minus rail are 2")
    if not problems and _idle_a(given) * given.resistor_ohm >= min(HOLDS) * given.mains_v:
        problems.append(
            f"{plain(_idle_a(given))} A of idle current would drop more than {min(HOLDS):.0%} of line across"
            f" {ohms(given.resistor_ohm)}; check both"
        )
    return problems


def _idle_a(given: Started) -> float:
    return given.idle_w / (POWER_FACTOR * given.mains_v)


def _hold(part: float, given: Started, budget_j: float, start_j: float) -> Hold:
    idle_w = _idle_a(given) ** 2 * given.resistor_ohm
    short_w = (part * given.mains_v) ** 2 / given.resistor_ohm
    return Hold(
        part,
        idle_w,
        hold_s(idle_w, given.rating_w, budget_j, start_j * part**2),
        short_w,
        hold_s(short_w, given.rating_w, budget_j, 0.0),
    )


def told_soft_start(given: Started) -> Told:
    """`rampguard sums soft-start`. Raises SumError."""
    s = soft_start(given)
    return Told(
        "soft-start",
        tuple(_answer(s, given.resistor_ohm, given.rating_w)),
        {
            "start_j": s.start_j,
            "peak_a": s.peak_a,
            "time_constant_s": s.time_constant_s,
            "reflected_uf": s.reflected_farad * 1e6,
            "pulse_j": s.pulse_j,
            "bears_a_start": s.bears_a_start,
            "holds": [
                {
                    "percent_of_line": round(100 * hold.part),
                    "idle_w": hold.idle_w,
                    "idle_most_s": hold.idle_s,
                    "short_w": hold.short_w,
                    "short_most_s": hold.short_s,
                }
                for hold in s.holds
            ],
        },
        _how(assumed=given.pulse_j is None),
        _CAUTIONS,
        tuple(_table(s)),
    )


def _answer(s: SoftStart, ohm: float, rating_w: float) -> list[str]:
    bears = "bears it" if s.bears_a_start else "DOES NOT BEAR IT: take a bigger one"
    worst = s.holds[-1]
    if worst.idle_s is None:
        hold = (
            f"the idling unit puts {plain(worst.idle_w)} W into it, within its {plain(rating_w)} W: a hold has no end,"
            " but it gets hot"
        )
    else:
        hold = (
            f"the idling unit puts {plain(worst.idle_w)} W into it, above its {plain(rating_w)} W: no hold at"
            f" {worst.part:.0%} of line longer than {duration(worst.idle_s)}"
        )
    short = "is within its rating" if worst.short_s is None else f"opens it within {duration(worst.short_s)}, or sooner"
    return [
        f"One start from full mains puts {plain(s.start_j)} J at most into it, whatever its ohms; {ohms(ohm)},"
        f" {plain(rating_w)} W, {plain(s.pulse_j)} J in one go {bears}. The inrush peak is {plain(s.peak_a)} A,"
        f" without winding and line; time constant some {duration(s.time_constant_s)}.",
        f"On a ramp a start costs it little; a hold below the bypass does: {hold}.",
        f"A dead short in the unit at {worst.part:.0%} of line {short}: do not count on it as a current limit.",
    ]


def _table(s: SoftStart) -> list[str]:
    lines = ["  line    idle into it    may last    dead short    may last"]
    for hold in s.holds:
        idle, short = ("no end" if t is None else duration(t) for t in (hold.idle_s, hold.short_s))
        lines.append(f"{hold.part:6.0%} {plain(hold.idle_w):>13} W {idle:>11} {plain(hold.short_w):>11} W {short:>11}")
    return lines


def _how(*, assumed: bool) -> tuple[How, ...]:
    pulse = (
        How(
            "in one go: 25 J a watt of rating, which is 5 times its rating for 5 s, wire-wound",
            f"{FROM_MEMORY}; --pulse-j",
        )
        if assumed
        else How("in one go: as given", "you, from its data sheet")
    )
    return (
        How("start: C V^2 / 2 of every reservoir; from a rectified sine less", "textbook; by reason, see docs/sums.md"),
        How("inrush peak: 1.414 mains / R", "by definition"),
        How("time constant: R times 2 E / (1.414 mains)^2, the reservoirs as seen from the mains", "textbook"),
        pulse,
        How(
            f"idle current: idle W / (mains x {POWER_FACTOR}), the same at every part of the line, for a class-AB"
            " unit's idle hardly follows its rails; power I^2 R",
            f"Hammond, Design Guide for Rectifier Use: 0.90 x 0.62; constant idle: {COMMON}",
        ),
        How(
            "may last: what a start left of the pulse rating, over the power; no end below the rated power",
            "ours, careful",
        ),
        How("a bypass relay may pull in as late as at 60 to 80 % of line", COMMON),
    )


_CAUTIONS: Final = (
    "Where the relay pulls in is to be found out: listen for it, or see the current step. Until then keep holds"
    " short, and go on to full line or back to zero.",
    "Its body is at mains and glows before it opens: out of reach, nothing that burns near it, no finger to see how"
    " hot.",
    "An NTC thermistor is not this sum: its ohms fall as it heats, its data sheet states the capacitance it may"
    " charge; and it needs a minute to cool before the next start.",
    RESERVOIRS,
)
