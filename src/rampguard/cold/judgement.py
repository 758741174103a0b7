"""The judgement of a cold sheet: each point of each channel against a good part, then between the channels. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, Final

from rampguard.cold.alone import Sign, passes_a_short, sign_of
from rampguard.cold.between import Compared, compared
from rampguard.cold.finding import CONDEMNS, Finding, Verdict, told, told_span
from rampguard.cold.mains import Facts, mains_findings, winding_facts
from rampguard.cold.parts import PARTS, Good, Kind
from rampguard.cold.point import Point
from rampguard.cold.sheet import ColdSheet

_UNITS: Final = {Kind.DIODE: "V", Kind.RESISTANCE: "ohm"}
_DO: Final = {
    Verdict.SHORTED: "No power. Take it out, measure it alone, replace it",
    Verdict.OPEN: "No power. Check the joint and the lead, then measure it alone and replace it",
    Verdict.ODD: "Compare with a good channel, then lift one end and measure it alone",
}


@dataclass(frozen=True, slots=True)
class Judgement:
    """All findings, in the sheet's order, and what the sheet tells of the expected band."""

    findings: tuple[Finding, ...]
    facts: Facts
    """For ``--facts``, by name."""

    @property
    def wrong(self) -> tuple[Finding, ...]:
        """What is wrong, the plainest first."""
        return tuple(finding for kind in CONDEMNS for finding in self.findings if finding.verdict is kind)

    @property
    def missing(self) -> tuple[Finding, ...]:
        """What was not evaluated: it has not passed."""
        return tuple(finding for finding in self.findings if finding.verdict is Verdict.NOT_EVALUATED)

    @property
    def outcome(self) -> str:
        """``wrong``, ``not-evaluated`` where something was not, or ``good``."""
        return "wrong" if self.wrong else "not-evaluated" if self.missing or not self.findings else "good"

    @property
    def as_message(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "format": 1,
            "outcome": self.outcome,
            "findings": [finding.as_message for finding in self.findings],
            "facts": dict(self.facts),
        }


def judge(sheet: ColdSheet) -> Judgement:
    """Judge a sheet. Points come first, channel by channel, then the mains checks."""
    found = [finding for name in sheet.points for finding in judge_point(sheet, name)]
    ordered = sorted(found, key=lambda finding: sheet.all_places.index(finding.channel.split(" and ")[0]))
    if sheet.mains is None:
        return Judgement(tuple(ordered), {})
    return Judgement((*ordered, *mains_findings(sheet.mains, sheet.load_class)), winding_facts(sheet.mains))


@dataclass(frozen=True, slots=True)
class _Way:
    """A point read one way round in every channel: values without the leads, signs, and how they compare."""

    good: Good
    values: Mapping[str, float]
    signs: Mapping[str, Sign]
    compared: Compared

    def low_alike(self, channel: str) -> bool:
        """Whether it reads too low, as the other channels do: by what lies in parallel, and not by a fault in each."""
        return self.signs.get(channel) is Sign.LOW and self.compared.alike(channel)


def judge_point(sheet: ColdSheet, name: str) -> list[Finding]:
    """One point: a finding for each channel that has it; one for both where two differ."""
    point = sheet.points[name]
    ways = [_way(sheet, name, point.good, swapped=False)]
    if point.reversed_good is not None:
        ways.append(_way(sheet, name, point.reversed_good, swapped=True))
    found = [_Judged(sheet, name, point, ways, channel).finding() for channel in sheet.places(point)]
    if all(finding.verdict is Verdict.GOOD for finding in found) and any(way.compared.differ for way in ways):
        return [_differ(sheet, name, ways, found)]
    return found


def _way(sheet: ColdSheet, name: str, good: Good, *, swapped: bool) -> _Way:
    kind, values = sheet.points[name].kind, sheet.values(name, swapped=swapped)

    def bound(value: float) -> float:
        return sheet.meter.bound(kind, value)

    signs = {channel: sign_of(value, good, bound(value), kind) for channel, value in values.items()}
    return _Way(good, values, signs, compared(values, good, kind, bound))


def _reads(sheet: ColdSheet, name: str, channel: str) -> str:
    unit = _UNITS[sheet.points[name].kind]
    texts = [
        f"{how} {told(values[channel], unit)}"
        for how, values in (("reads", sheet.values(name)), ("reversed", sheet.values(name, swapped=True)))
        if channel in values
    ]
    return ", ".join(texts)


def _good(ways: list[_Way], kind: Kind) -> str:
    spans = [told_span(way.good.low, way.good.high, _UNITS[kind]) for way in ways]
    return f"{spans[0]}, both ways" if len(spans) > 1 and spans[0] == spans[1] else ", reversed ".join(spans)


def _differ(sheet: ColdSheet, name: str, ways: list[_Way], found: list[Finding]) -> Finding:
    one, other = (finding.channel for finding in found)
    return Finding(
        channel=f"{one} and {other}",
        what=name,
        verdict=Verdict.DIFFERS,
        where=sheet.points[name].where,
        reads=f"{one} {_reads(sheet, name, one)}, {other} {_reads(sheet, name, other)}",
        good=_good(ways, sheet.points[name].kind),
        do="Of two that differ nobody can say which is wrong: lift one end in both, and measure again",
    )


@dataclass(frozen=True, slots=True)
class _Judged:
    """One point of one channel."""

    sheet: ColdSheet
    name: str
    point: Point
    ways: list[_Way]
    channel: str

    def finding(self) -> Finding:
        """What it comes to."""
        verdict, remark = self._verdict()
        return Finding(
            channel=self.channel,
            what=self.name,
            verdict=verdict,
            where=self.point.where or PARTS[self.point.part].what,
            reads=_reads(self.sheet, self.name, self.channel),
            readings=self.sheet.taken(self.channel, self.name).model_dump(exclude_none=True),
            good=_good(self.ways, self.point.kind),
            do=". ".join(filter(None, (remark, _DO.get(verdict, ""), self._look_also(verdict)))),
        )

    @property
    def _signs(self) -> list[Sign]:
        return [way.signs[self.channel] for way in self.ways if self.channel in way.signs]

    def _verdict(self) -> tuple[Verdict, str]:
        signs = self._signs
        if Sign.NEAR_ZERO in signs:
            return self._near_zero(signs)
        if Sign.OPEN in signs:
            return Verdict.OPEN, ""
        if Sign.HIGH in signs:
            return Verdict.ODD, "Higher than a good one: nothing in parallel can do that"
        if Sign.LOW in signs and not all(self._passes(way) for way in self.ways):
            return Verdict.ODD, self._against_the_others(
                "Lower than a good one: it leaks, or something in parallel does"
            )
        if self.channel not in self.ways[0].signs:
            return Verdict.NOT_EVALUATED, "Not measured, so not passed"
        if any(self.channel in way.compared.odd for way in self.ways):
            return Verdict.ODD, self._against_the_others("Good by itself, but the odd one out")
        return Verdict.GOOD, self._remark()

    def _near_zero(self, signs: list[Sign]) -> tuple[Verdict, str]:
        if any(sign is not Sign.NEAR_ZERO for sign in signs):
            return Verdict.ODD, "Near zero one way only, which no short does: measure again"
        return Verdict.SHORTED, "" if len(signs) == len(self.ways) else "Measured one way only: swap the leads as well"

    def _passes(self, way: _Way) -> bool:
        return way.signs.get(self.channel) in (None, Sign.GOOD) or way.low_alike(self.channel)

    def _against_the_others(self, said: str) -> str:
        middle = self.ways[0].compared.others(self.channel)
        if middle is None or self.channel not in self.ways[0].signs:
            return said
        return f"{said} (the others: {told(middle, _UNITS[self.point.kind])})"

    def _remark(self) -> str:
        good, kind = self.ways[0].good, self.point.kind
        if any(way.low_alike(self.channel) for way in self.ways):
            return "Lower than by itself, alike in the other channels: what lies in parallel"
        if kind is Kind.RESISTANCE and passes_a_short(good, self.sheet.meter.bound(kind, good.low)):
            return "This meter cannot tell it from a short: four wires can"
        return ""

    def _look_also(self, verdict: Verdict) -> str:
        look = PARTS[self.point.part].look_also
        return f"Look also at {look}" if look and verdict in (Verdict.SHORTED, Verdict.OPEN) else ""
