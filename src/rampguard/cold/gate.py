"""What a cold sheet answers of the pre-power checks, and what it says against powering the unit up."""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from rampguard.cold.judgement import Judgement, judge
from rampguard.cold.mains import EARTH, INSULATION, SELECTOR, Facts
from rampguard.cold.sheet import ColdSheet, ColdSheetError, load_cold_sheet
from rampguard.guard.permissives import LETS_PASS, Permissive, Standing
from rampguard.ramp.plan import same_mains

COLD: Final = "cold-checks"
NO_SHEET: Final = "no cold sheet"
_OWN_ROWS: Final = (EARTH, INSULATION, SELECTOR)
"""Mains checks that are pre-power checks themselves; everything else on a sheet is the cold checks'."""


@dataclass(frozen=True, slots=True)
class Gate:
    """A sheet before a run: how the checks stand that it answers, and what it tells of the expected band."""

    sheet: ColdSheet
    judgement: Judgement
    answers: Mapping[str, Permissive]
    """By the check's key; what the sheet does not answer is not there."""
    facts: Facts

    def answered(self) -> frozenset[str]:
        """The checks that nobody needs to be asked for any more."""
        return frozenset(key for key, stands in self.answers.items() if stands.standing in LETS_PASS)

    def for_the_record(self) -> list[str]:
        """What a capture keeps of it: what was wrong or not evaluated, then how the checks stand that it answers."""
        open_ends = [finding.text for finding in (*self.judgement.wrong, *self.judgement.missing)]
        facts = [f"{name} = {value:g}" for name, value in self.facts.items()]
        good = [f"{key}: {self.answers[key].said}" for key in sorted(self.answered())]
        return [*open_ends, *good, *facts]

    def in_the_way(self, overridden: Collection[str] = ()) -> list[str]:
        """What refuses a run, a line each; empty if nothing does. ``overridden`` are checks gone on without."""
        barred = [
            (key, stands)
            for key, stands in self.answers.items()
            if stands.standing not in LETS_PASS and key not in overridden
        ]
        return [f"{key}: {line}" for key, stands in barred for line in stands.said.splitlines()]


def gate_of(sheet: ColdSheet, name: str) -> Gate:
    """What a sheet, called ``name``, answers. A reading that was not taken is no reading that passed."""
    judged = judge(sheet)
    answers = {COLD: _cold(judged, name)}
    for finding in judged.findings:
        if not finding.channel and finding.what in _OWN_ROWS and (finding.is_wrong or finding.verdict == "good"):
            standing = Standing.FAILS if finding.is_wrong else Standing.HOLDS
            said = finding.text if finding.is_wrong else f"{name}: {finding.reads}"
            answers[finding.what] = Permissive(standing, said)
    # A selector that stands right is not all that its check asks for: a person still looks at the switch.
    if answers.get(SELECTOR, Permissive()).standing is Standing.HOLDS:
        del answers[SELECTOR]
    return Gate(sheet, judged, answers, judged.facts)


def _cold(judged: Judgement, name: str) -> Permissive:
    own = [finding for finding in judged.findings if finding.channel or finding.what not in _OWN_ROWS]
    wrong = [finding.text for finding in own if finding.is_wrong]
    if wrong:
        return Permissive(Standing.FAILS, "\n".join(wrong))
    points = [finding for finding in own if finding.channel]
    missing = [f"{finding.channel}, {finding.what}" for finding in points if finding.verdict != "good"]
    if missing or not points:
        what = f"not measured: {'; '.join(missing)}" if points else "there are no points on it"
        return Permissive(Standing.NOT_EVALUATED, f"{name}: {what}. Measure them (rampguard cold {name} --ask)")
    return Permissive(Standing.HOLDS, f"{name}: {len(points)} points, all good")


def load_gate(path: Path, mains_v: float | None = None) -> Gate:
    """The gate of a sheet's file, which must be of these mains. Raises ColdSheetError."""
    sheet = load_cold_sheet(path)
    own_v = None if sheet.mains is None else sheet.mains.mains_v
    if mains_v is not None and own_v is not None and not same_mains(own_v, mains_v):
        problem = f"mains.mains_v = {own_v:g}, but the bench's mains are {mains_v:g} V; correct one of them"
        raise ColdSheetError(str(path), [problem])
    return gate_of(sheet, path.name)


def answered_by(path: Path | None, overridden: Collection[str]) -> frozenset[str] | None:
    """The checks that a sheet answers, so that nobody has to; None where the run will be refused for it."""
    if path is None:
        return frozenset()
    try:
        gate = load_gate(path)
    except ColdSheetError:
        return None
    return None if gate.in_the_way(overridden) else gate.answered()
