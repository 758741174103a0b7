"""A job on one page of a terminal, and as one object for scripts. Pure; nothing about whose unit it is."""

from __future__ import annotations

import textwrap
from collections.abc import Iterable, Iterator, Sequence
from typing import Any, Final

from rampguard.job.entries import MadeCheck
from rampguard.job.missing import Missing
from rampguard.job.model import Job
from rampguard.job.reading import FoundCapture

WIDTH: Final = 79
_NOTHING: Final = "not written down yet"
_ALWAYS: Final = ("parts", "work", "checks", "captures")
"""Sections that are there even where they hold nothing."""


def told(job: Job, captures: Sequence[FoundCapture], missing: Sequence[Missing], leftovers: Sequence[str]) -> str:
    """The page."""
    lines = [*_head(job), "", *_words(job)]
    lines += _section("parts", map(_part, job.part))
    lines += [*_section("work", (f"{one.date}  {one.hours:g} h  {one.what}" for one in job.work)), f"  {hours(job)}"]
    lines += _section("checks", map(_check, job.check))
    lines += _section("captures", (line for one in captures for line in _capture(one)))
    lines += _section("passed on to the customer", (one.text for one in job.caution))
    lines += _section("pictures", (f"{one.file}: {one.says}" for one in job.picture))
    lines += _section("a write was cut short", leftovers)
    return "\n".join([*lines, *still_missing(missing)])


def still_missing(missing: Sequence[Missing]) -> list[str]:
    """What is missing before hand-back, in lines."""
    nothing = ["", "Nothing is missing before hand-back, as far as this record tells."]
    return _section("MISSING before hand-back", (f"- {one.text}" for one in missing)) if missing else nothing


def hours(job: Job) -> str:
    """Hours spent against hours quoted."""
    spent = f"{job.hours_spent:g} h spent"
    if job.quoted is None:
        return f"{spent}, none quoted yet"
    left = job.quoted.hours - job.hours_spent
    rest = f"{left:g} h left" if left >= 0 else f"{-left:g} h MORE than quoted"
    return f"{spent} of {job.quoted.hours:g} h quoted: {rest}"


def as_message(
    job: Job, captures: Sequence[FoundCapture], missing: Sequence[Missing], leftovers: Sequence[str]
) -> dict[str, Any]:
    """For scripts."""
    return {
        "format": 1,
        "outcome": "missing" if missing else "complete",
        "status": job.status,
        "job": job.model_dump(mode="json"),
        "hours": {"spent": job.hours_spent, "quoted": None if job.quoted is None else job.quoted.hours},
        "captures": [_capture_message(one) for one in captures],
        "missing": [{"key": one.key, "what": one.what, "do": one.do} for one in missing],
        "leftovers": list(leftovers),
    }


def _head(job: Job) -> Iterator[str]:
    unit = job.unit
    until = f"open since {job.opened}" if job.closed is None else f"{job.opened} to {job.closed}, closed"
    yield from _wrapped(f"{job.number}: {unit.title}", "", "  ")
    facts = [until, *([f"serial {unit.serial}"] if unit.serial else []), unit.load_class, f"{unit.nameplate_w:g} W"]
    facts += [f"on {unit.mains_v:g} V, {unit.mains_frequency_hz:g} Hz"]
    facts += [f"channels {', '.join(unit.channels)}"] if unit.channels else []
    yield from _wrapped("; ".join(facts), "  ", "  ")


def _words(job: Job) -> Iterator[str]:
    for name, said in (("complaint", job.complaint), ("as found", job.as_found), ("cause", job.cause or "")):
        yield from _wrapped(f"{name}: {said.strip() or _NOTHING}", "", "  ")


def _part(part: Any) -> str:
    more = [part.origin]
    more += [f"matched with {part.matched_with}"] if part.matched_with else []
    more += [f"lot {part.lot}"] if part.lot else []
    return f"{part.designator}  {part.what}: {part.replaced_with} ({'; '.join(more)})"


def _check(check: MadeCheck) -> str:
    mark = {"passed": "passed  ", "failed": "FAILED  ", "not made": "NOT MADE"}[check.result]
    limit = check.limit if check.limit is None or check.result == "not made" else f"limit {check.limit}"
    more = [limit or "", check.by or "", str(check.date or "")]
    said = ", ".join(part for part in more if part)
    return f"{mark}  {check.what}{f': {check.reads}' if check.reads else ''}{f' ({said})' if said else ''}"


def _capture(one: FoundCapture) -> Iterator[str]:
    role = f"{one.role} (worked out)" if one.role_worked_out else one.role
    yield f"{one.name}: {role}; {', '.join(_facts(one))}"


def _facts(one: FoundCapture) -> Iterator[str]:
    if one.capture is None:
        yield f"cannot be read ({one.problem})"
        return
    yield "cut short" if one.outcome == "recording" else one.outcome
    if one.note and not one.note.startswith(one.outcome):
        yield one.note
    if one.outcome == "tripped":
        trip = (one.capture.result or {}).get("trip") or {}
        yield f"at {trip.get('line_voltage_v') or 0:.3g} V ({trip.get('layer')})"
    if one.is_simulated:
        yield "made on a simulated bench"
    yield "its seal DOES NOT HOLD" if one.capture.problems else "sealed" if one.is_whole else "not sealed"


def _capture_message(one: FoundCapture) -> dict[str, Any]:
    return {
        "folder": one.name,
        "role": one.role,
        "role_worked_out": one.role_worked_out,
        "note": one.note,
        "outcome": one.outcome,
        "created": one.created,
        "whole": one.is_whole,
        "simulated": one.is_simulated,
        "problem": one.problem,
    }


def _section(title: str, lines: Iterable[str]) -> list[str]:
    found = [part for line in lines for part in _wrapped(line, "  ", "      ")]
    if not found and title not in _ALWAYS:
        return []
    return ["", title, *found] if found else ["", f"{title}: none"]


def _wrapped(text: str, first: str, later: str) -> list[str]:
    """Lines of a terminal; an empty line of the text stays one."""
    lines: list[str] = []
    for piece in text.splitlines() or [""]:
        ahead = later if lines else first
        lines += textwrap.wrap(piece, WIDTH, initial_indent=ahead, subsequent_indent=later, break_on_hyphens=False) or [
            ""
        ]
    return lines
