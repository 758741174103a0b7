"""A judgement in lines for a terminal, and the cautions that go before a probe is put on anything. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from typing import Final

from rampguard.cold.finding import Finding, Verdict
from rampguard.cold.judgement import Judgement
from rampguard.cold.sheet import ColdSheet

WIDTH: Final = 79
UNPLUGGED: Final = (
    "The unit is UNPLUGGED: the plug is out, where you see it. Discharge the reservoirs through a resistor and measure"
    " them, below 2 V, before the meter goes to ohms: what is left destroys it, or makes it lie. Mains filters and"
    " switch-mode primaries keep their own charge. One hand, as long as anything is not measured."
)
NOT_PROVEN: Final = (
    "Good cold is not proven good: some faults show under voltage only. Bring it up slowly, behind an isolation"
    " transformer. Local codes, and a licensed person where they require one, come before anything here."
)


def told(sheet: ColdSheet, judgement: Judgement) -> str:
    """All of it: what is wrong, what was not measured, what is good."""
    good = [finding for finding in judgement.findings if finding.verdict is Verdict.GOOD]
    counts = f"{len(judgement.wrong)} wrong, {len(judgement.missing)} not evaluated, {len(good)} good"
    lines = [f"{sheet.model}: {counts}"]
    lines += _section("WRONG", judgement.wrong)
    lines += _missing(judgement.missing)
    lines += _good(good)
    if sheet.mains is None:
        lines += [
            "",
            *_wrapped("No [mains] on this sheet: earth, insulation, selector and fuse are not checked by it.", ""),
        ]
    for name, value in judgement.facts.items():
        lines += ["", f"Narrows the expected band: --facts {name}={value:g}"]
    return "\n".join([*lines, "", *_wrapped(NOT_PROVEN, "")])


def _wrapped(text: str, mark: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=mark, subsequent_indent=" " * len(mark), break_on_hyphens=False)


def _section(title: str, findings: Sequence[Finding]) -> list[str]:
    if not findings:
        return []
    return ["", title, *(line for finding in findings for line in _wrapped(finding.text, "  ! "))]


def _missing(findings: Sequence[Finding]) -> list[str]:
    if not findings:
        return []
    lines = ["", "not evaluated, so not passed"]
    by_place: dict[str, list[str]] = {}
    for finding in findings:
        if finding.channel:
            by_place.setdefault(finding.channel, []).append(finding.what)
        else:
            lines += _wrapped(finding.text, "  ? ")
    return [*lines, *_by_place(by_place, "  ? ")]


def _by_place(by_place: dict[str, list[str]], mark: str) -> Iterator[str]:
    for place, names in by_place.items():
        yield from _wrapped(f"{place}: {'; '.join(names)}", mark)


def _good(findings: Sequence[Finding]) -> list[str]:
    if not findings:
        return []
    by_place: dict[str, list[str]] = {}
    remarks: dict[str, list[str]] = {}
    for finding in findings:
        place = finding.channel or "mains"
        by_place.setdefault(place, []).append(f"{finding.what} {finding.reads.removeprefix('reads ')}")
        if finding.do:
            remarks.setdefault(finding.do, []).append(f"{place} {finding.what}")
    lines = ["", "good", *_by_place(by_place, "    ")]
    for remark, names in remarks.items():
        lines += _wrapped(f"{', '.join(names)}: {remark}", "  i ")
    return lines
