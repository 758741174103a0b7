"""What is told of many jobs, in lines of a terminal. Pure."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Final

from rampguard.jobs.asking import FoundJob, Unreadable
from rampguard.jobs.lessons import Healthy, Level, Often, Spread
from rampguard.jobs.plain import shown
from rampguard.jobs.summing import Sums
from rampguard.jobs.updating import Index

WIDTH: Final = 79
MOST_MODELS: Final = 5
_LEAST_ROOM: Final = 20
MOST_PROBLEMS: Final = 10
MOST_TOLD: Final = 10
"""So many of each list of sums are told; --json has all."""


def told_index(index: Index, jobs: int, captures: int) -> list[str]:
    """What an index is, and what was done for it."""
    place = "not kept" if index.place is None else shown(str(index.place))
    lines = [f"{place}: {_number(jobs, 'job')}, {_number(captures, 'capture')}"]
    if index.why_anew:
        return [*lines, *_wrapped(f"built anew ({shown(index.why_anew)}): {_number(index.read, 'job folder')} read")]
    return [*lines, f"  {_number(index.read, 'job folder')} read, {index.gone} gone since the last time"]


def told_found(root: Path, found: Sequence[FoundJob], most: int) -> list[str]:
    """Two lines a job: what it is, and where."""
    if not found:
        return ["no job found"]
    lines = [line for one in found[:most] for line in _found(root, one)]
    if len(found) > most:
        lines.append(f"{most} of {len(found)}; --most {len(found)} tells all")
    return lines


def _found(root: Path, one: FoundJob) -> Iterator[str]:
    until = "open" if one.closed is None else f"closed {one.closed}"
    yield _cut(f"{one.number}  {shown(one.title)}  ({one.opened}, {until})")
    why = f"cause: {one.cause}" if one.cause else f"complaint: {one.complaint}" if one.complaint else "no cause yet"
    where = f"  {shown(str(root / one.folder))}  "  # whole, however long: it is to be copied
    room = WIDTH - len(where)
    yield where + shown(textwrap.shorten(why, room, placeholder="...")) if room > _LEAST_ROOM else where.rstrip()


def told_problems(root: Path, problems: Sequence[Unreadable], most: int = MOST_PROBLEMS) -> list[str]:
    """What could not be read; never none of it where there is some."""
    if not problems:
        return []
    jobs = sum(one.is_job for one in problems)
    counted = [_number(jobs, "job")] if jobs else []
    counted += [_number(len(problems) - jobs, "capture")] if jobs < len(problems) else []
    lines = ["", f"CANNOT BE READ OR BELIEVED: {' and '.join(counted)}"]
    for one in problems[:most]:
        lines.append(f"  {shown(str(root / one.folder))}")
        lines += (part for line in one.problem.splitlines() for part in _wrapped(shown(line), "    "))
    if len(problems) > most:
        lines.append(f"  and {len(problems) - most} more; rampguard jobs index {shown(str(root))} tells all")
    return lines


def told_sums(sums: Sums) -> list[str]:
    """All sums."""
    since = f", the oldest since {sums.oldest_open}" if sums.oldest_open else ""
    lines = [f"{_number(sums.jobs, 'job')}, {sums.open_jobs} open{since}"]
    lines += _often("causes as written down, by jobs", sums.causes)
    lines += _often("what the guard named first in runs that tripped as found, by jobs", sums.named)
    lines += _often("parts replaced by kind, by jobs", sums.kinds)
    return [*lines, *_hours(sums.hours), *_healthy(sums.healthy)]


def _often(title: str, found: Sequence[Often]) -> Iterator[str]:
    yield ""
    yield f"{title}{'' if found else ': none'}"
    for one in found[:MOST_TOLD]:
        times = f"  ({one.times} in all)" if one.times > one.jobs else ""
        yield _cut(
            f"  {one.jobs:>5}  {shown(textwrap.shorten(one.said, WIDTH - 9 - len(times), placeholder='...'))}{times}"
        )
    if len(found) > MOST_TOLD:
        yield f"         and {len(found) - MOST_TOLD} more, which --json tells"


def _hours(hours: dict[str, Spread]) -> Iterator[str]:
    yield ""
    yield f"hours spent over hours quoted, closed jobs that have both{'' if hours else ': none'}"
    if not hours:
        return
    yield f"  {'':20} {'jobs':>5} {'median':>7}  {'half of them':13}  all of them"
    for name, one in hours.items():
        half, whole = (f"{a:.2f} to {b:.2f}" for a, b in ((one.quarter, one.three_quarters), (one.lowest, one.highest)))
        yield f"  {name:20} {one.count:>5} {one.median:7.2f}  {half:13}  {whole}"


def _healthy(healthy: Sequence[Healthy]) -> Iterator[str]:
    yield ""
    yield f"what healthy units draw: median (lowest to highest), one capture a job{'' if healthy else ': none'}"
    for one in healthy[:MOST_MODELS]:
        model = one.model
        mains = f"{model.nameplate_v:g} V" + (f", {model.mains_frequency_hz:g} Hz" if model.mains_frequency_hz else "")
        facts = f"({model.nameplate_w:g} W, {mains}): {_number(one.jobs, 'job')}"
        yield from _wrapped(f"{shown(one.title)} {facts}{', simulated bench' if model.is_simulated else ''}")
        yield from map(_level, one.levels)
    if len(healthy) > MOST_MODELS:
        yield f"  and {len(healthy) - MOST_MODELS} more; --unit WORDS tells of those alone, --json of all"


def _level(level: Level) -> str:
    at = "full line" if level.part_of_line == 1.0 else f"{level.line_v.median:.0f} V"
    power = "" if level.power_w is None else _spread(level.power_w, "W")
    return f"    {at:>9}  {_spread(level.current_a, 'A'):31}  {power}".rstrip()


def _spread(one: Spread, unit: str) -> str:
    told = f"{one.median:.3g} {unit}"
    return told if one.count == 1 else f"{told} ({one.lowest:.3g} to {one.highest:.3g})"


def _number(count: int, what: str) -> str:
    return f"{count} {what}{'' if count == 1 else 's'}"


def _cut(line: str) -> str:
    return line if len(line) <= WIDTH else f"{line[: WIDTH - 3]}..."


def _wrapped(text: str, indent: str = "  ") -> list[str]:
    later = f"{indent}  "
    return textwrap.wrap(
        text, WIDTH, initial_indent=indent, subsequent_indent=later, break_long_words=False, break_on_hyphens=False
    )
