"""A fuse against the guard's trip: which of them comes first at a current, and can the fuse break it. Pure."""

from __future__ import annotations

import re
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Final

from rampguard.sums.gates import TABLE, Gates, Melting, melting
from rampguard.sums.told import COMMON, FROM_MEMORY, How, SumError, Told, above_zero, duration, plain, refuse

SHEETS: Final = {("T", "L"): 3, ("T", "H"): 5, ("F", "L"): 2, ("F", "H"): 1}
"""IEC 60127-2's sheet by a fuse's marking: T time-lag, F quick-acting; L low, H high breaking capacity."""
PROMISED_OFF_S: Final = 1.0
"""From whatever happens to the supply being off: the whole budget, with a process killed or hung."""
HIGH_BREAKING_A: Final = 1500.0
USUAL_OFF_S: Final = 0.1
"""A trip's command took 10 ms (p99.9, `docs/figures.md`); a contactor lets go in some tens of ms (common practice)."""
LOW_BREAKING_A: Final = 35.0
_MARK: Final = re.compile(r"([A-Z]+?)(\d+(?:[.,]\d+)?)(MA|A)?([A-Z]*?)(?:250V?)?")


@dataclass(frozen=True, slots=True)
class Fuse:
    """What is on its cap: T or F, amperes, L or H."""

    speed: str
    rated_a: float
    breaking: str

    @property
    def mark(self) -> str:
        """As it is written on a cap."""
        return f"{self.speed}{self.rated_a:g}A{self.breaking}"

    @property
    def breaks_a(self) -> float:
        """The most it is made to break at 250 V, amperes: H 1500 A; L 35 A or ten times its rating, if that is more."""
        return HIGH_BREAKING_A if self.breaking == "H" else max(LOW_BREAKING_A, 10.0 * self.rated_a)


def parse_fuse(mark: str) -> Fuse:
    """``T1.6AL``, ``T 500 mA H 250 V``, ``F2,5AL``. Raises SumError."""
    found = _MARK.fullmatch(re.sub(r"\s", "", mark).upper())
    if found is None:
        raise SumError([f"{mark!r} is not a fuse's marking; write it as on its cap, such as T1.6AL or T500mAH"])
    speed, number, unit, breaking = found.groups()
    rated = float(number.replace(",", ".")) * (1e-3 if unit == "MA" else 1.0)
    problems = []
    if speed not in ("T", "F"):
        problems.append(f"{mark!r}: only T (time-lag) and F (quick-acting) fuses are known here, not {speed}")
    if breaking not in ("L", "H"):
        problems.append(
            f"{mark!r}: say whether it is L (low breaking capacity, mostly clear glass) or H (high, mostly ceramic or"
            " sand-filled), such as T1.6AL; their times differ"
        )
    refuse([*problems, *above_zero(rated_a=rated)])
    return Fuse(speed, rated, breaking)


def gates_of(fuse: Fuse) -> Gates:
    """Its gates. Raises SumError where none are known."""
    sheet = SHEETS[fuse.speed, fuse.breaking]
    rows = [row for row in TABLE if row.sheet == sheet]
    for row in rows:
        if row.from_a <= fuse.rated_a <= row.to_a:
            return row
    known = ", ".join(f"{row.from_a:g} to {row.to_a:g} A" for row in rows)
    raise SumError([f"{fuse.mark}: no gates are known for this rating; known are {known}: see its maker's data sheet"])


def first(melts: Melting, off_s: float) -> str:
    """Which comes first: "trip", "likely trip", "fuse", or "either"."""
    if melts.least_s is not None and off_s < melts.least_s:
        return "trip"
    if melts.longest_s is not None and off_s > melts.longest_s:
        return "fuse"
    return "likely trip" if melts.drawn_least_s is not None and off_s < melts.drawn_least_s else "either"


_FIRST: Final = {
    "trip": "the guard is off first, and the fuse survives",
    "likely trip": "the guard is likely off first; no gate promises it",
    "fuse": "the fuse melts first",
    "either": "either may come first",
}


def told_fuse(fuse: Fuse, current_a: float, off_s: float | None = None) -> Told:
    """`rampguard sums fuse`: at a current, amperes rms, with the guard off after ``off_s``. Raises SumError.

    Not given, the guard is taken at its promise, and at what is usual.
    """
    refuse(above_zero(current_a=current_a, off_s=off_s))
    row = gates_of(fuse)
    multiple = round(current_a / fuse.rated_a, 9)  # so that a gate's own multiple is met exactly
    melts = melting(row.gates, multiple)
    races = {off: first(melts, off) for off in ((PROMISED_OFF_S, USUAL_OFF_S) if off_s is None else (off_s,))}
    i2t = i2t_a2s(fuse, row)
    values = {
        "fuse": fuse.mark,
        "current_a": current_a,
        "multiple": multiple,
        "least_s": melts.least_s,
        "longest_s": melts.longest_s,
        "drawn_least_s": melts.drawn_least_s,
        "drawn_longest_s": melts.drawn_longest_s,
        "first": [{"off_s": off, "first": winner} for off, winner in races.items()],
        "i2t_at_10_in_a2s": list(i2t),
        "breaks_a": fuse.breaks_a,
        "can_break": current_a <= fuse.breaks_a,
    }
    return Told(
        "fuse",
        (*_breaking(fuse, current_a), *_answer(fuse, current_a, multiple, melts, races)),
        values,
        tuple(_how(fuse, row, i2t)),
        _CAUTIONS,
        tuple(_table(row, fuse)),
    )


def i2t_a2s(fuse: Fuse, row: Gates) -> tuple[float | None, float | None]:
    """Least and most melting I2t at ten times the rating, by that gate, A2s; None: not stated."""
    at_ten = [gate for gate in row.gates if gate.multiple == 10]
    times = (at_ten[0].least_s, at_ten[0].longest_s) if at_ten else (None, None)
    least, most = (None if seconds is None else (10.0 * fuse.rated_a) ** 2 * seconds for seconds in times)
    return least, most


def _breaking(fuse: Fuse, current_a: float) -> list[str]:
    if current_a <= fuse.breaks_a:
        return []
    return [
        f"{plain(current_a)} A IS MORE THAN {fuse.mark} IS MADE TO BREAK ({plain(fuse.breaks_a)} A): it may burst, or"
        " arc on. Something ahead of it has to break such a current."
    ]


def _answer(fuse: Fuse, current_a: float, multiple: float, melts: Melting, races: Mapping[float, str]) -> Iterator[str]:
    yield f"{fuse.mark} at {plain(current_a)} A, {plain(multiple)} times its rating: {_between(melts)}."
    for off_s, winner in races.items():
        promised = " (promised)" if off_s == PROMISED_OFF_S else ""
        yield f"With the supply off within {duration(off_s)}{promised}: {_FIRST[winner]}."
    if melts.longest_s is None:
        yield "At this current it may never melt: the guard alone watches it."
    if melts.drawn_longest_s is None:
        yield "Outside the gates: no more is known than what the nearest one says, a greater current melting sooner."


def _between(melts: Melting) -> str:
    least = "no least time is stated" if melts.least_s is None else f"holds {duration(melts.least_s)} at least"
    longest = "no longest is stated" if melts.longest_s is None else f"has melted after {duration(melts.longest_s)}"
    drawn = [
        f"{word} {duration(seconds)}"
        for word, seconds in (("from", melts.drawn_least_s), ("to", melts.drawn_longest_s))
        if seconds is not None
    ]
    between = f" (between the gates: {' '.join(drawn)})" if drawn else ""
    return f"{least}, {longest}{between}"


def _table(row: Gates, fuse: Fuse) -> list[str]:
    lines = ["  times rating      current     holds at least     melted after"]
    for gate in row.gates:
        least = "-" if gate.least_s is None else duration(gate.least_s)
        longest = "-" if gate.longest_s is None else duration(gate.longest_s)
        lines.append(f"{gate.multiple:14g} {plain(gate.multiple * fuse.rated_a):>10} A {least:>18} {longest:>16}")
    return lines


def _how(fuse: Fuse, row: Gates, i2t: tuple[float | None, float | None]) -> list[How]:
    steps = [
        How(f"gates of {row.from_a:g} to {row.to_a:g} A", f"IEC 60127-2, {row.source}"),
        How("what surely holds is the neighbouring gate: a greater current melts sooner", "by reason"),
        How(
            "between the gates: straight lines in logarithms of time and current; a real curve sags below them, so"
            " that it may melt sooner than that",
            "ours",
        ),
        How(
            "off within 1 s: the whole of what the guard promises, with a process killed or hung; within 0.1 s: a"
            " trip (its command took 10 ms, p99.9) and a contactor that lets go in some tens of ms. Windows of slow"
            " meters come on top: --off-s says your own",
            f"docs/figures.md; contactor: {COMMON}",
        ),
        How(
            f"breaks {plain(fuse.breaks_a)} A at 250 V",
            "makers' data sheets of sheet 5" if fuse.breaking == "H" and fuse.speed == "T" else f"rule {FROM_MEMORY}",
        ),
    ]
    if any(i2t):
        least, longest = ("?" if value is None else plain(value) for value in i2t)
        steps.insert(
            3,
            How(f"I2t at 10 In, from that gate: (10 In)^2 t, {least} to {longest} A2s", "by definition; from memory"),
        )
    return steps


_CAUTIONS: Final = (
    "A short across the mains draws hundreds of amperes and more, whatever the unit's rating: an L fuse (glass) is made"
    " for 35 A or ten times its rating. Replace like by like, never a glass one for an H, never a bigger one, no wire.",
    "A fuse protects wiring against fire, not transistors, and nobody against a shock. Behind an isolation"
    " transformer the current of a short is less, and an upstream RCD/GFCI does not see it.",
    f"Inrush ages a fuse: one that has held ten starts may melt at the next ({COMMON}).",
    "Unplug, discharge and measure before a fuse is drawn: its holder is mains, its other side may hang on a"
    " reservoir.",
)
