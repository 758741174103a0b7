"""What the index keeps of one job: of its job.toml and its captures alone. Whose unit it is stays unread."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rampguard.archive.errors import ArchiveError
from rampguard.job.errors import JobError, NoJob
from rampguard.job.model import CAPTURES, JOB_NAME, Job
from rampguard.job.reading import FoundCapture, captures_of, read_job
from rampguard.jobs.looking import Lying
from rampguard.jobs.plain import plain_words

HEALTHY_ROLES: Final = ("after-repair", "known-good")
"""Roles whose captures tell what a healthy unit draws. Not ``warm-up``: its idle is set after full line is reached."""
PARTS_OF_LINE: Final = (0.25, 0.5, 0.75)
"""Line voltages at which captures are kept, as parts of nameplate voltage; and the hold at full line."""
FULL_LINE: Final = 1.0
_MOST: Final = 1e6
"""No nameplate has as many watts, volts or hertz."""


@dataclass(frozen=True, slots=True)
class Drawn:
    """What a capture drew: V rms, A rms, W; power is None where nothing metered it."""

    part_of_line: float
    line_v: float
    current_a: float
    power_w: float | None


@dataclass(frozen=True, slots=True, kw_only=True)
class CaptureFacts:
    """One capture. Volts and watts as on the nameplate; None where its descriptor has none."""

    name: str
    stamp: str
    role: str
    outcome: str
    created: str
    is_whole: bool
    is_simulated: bool
    named: str
    """The cause that the guard named first, where it tripped."""
    nameplate_w: float | None
    nameplate_v: float | None
    mains_frequency_hz: float | None
    problem: str
    drawn: tuple[Drawn, ...] = ()


@dataclass(frozen=True, slots=True, kw_only=True)
class JobFacts:
    """One job folder. ``job`` is None where it cannot be read; ``problem`` then says why."""

    folder: str
    stamp: str
    job: Job | None = None
    problem: str = ""
    captures: tuple[CaptureFacts, ...] = ()
    words: Mapping[str, str] = field(default_factory=dict)
    """What is searched, as plain words, by `rampguard.jobs.store.COLUMNS`."""

    @property
    def elsewhere(self) -> list[str]:
        """The captures that lie outside captures/."""
        return [one.name for one in self.captures if not one.name.startswith(f"{CAPTURES}/")]


Known = Mapping[str, tuple[Drawn, ...]]
"""What captures drew, by their stamps: rows are read once."""


def facts_of(lying: Lying, known: Known) -> JobFacts:
    """Read a job folder. Never raises for a bad one."""
    try:
        lying.folder.encode()
    except UnicodeEncodeError:
        name = os.fsencode(lying.folder).decode("utf-8", "backslashreplace")
        return JobFacts(folder=name, stamp="", problem="its name is no text in UTF-8; rename the folder")
    if lying.problem:
        return JobFacts(folder=lying.folder, stamp=lying.stamp, problem=lying.problem)
    try:
        job = read_job(lying.path)
        found = captures_of(lying.path, job)
        captures = tuple(_capture(one, lying.captures.get(one.name, ""), known) for one in found)
    except NoJob:
        why = f"has no {JOB_NAME}, though there was a job in it; restore it, or begin one: rampguard job new"
        return JobFacts(folder=lying.folder, stamp=lying.stamp, problem=why)
    except JobError as error:
        problem = "\n".join(f"{JOB_NAME}: {line}" for line in error.problems)
        return JobFacts(folder=lying.folder, stamp=lying.stamp, problem=_text(problem))
    except (OSError, RecursionError) as error:
        return JobFacts(folder=lying.folder, stamp=lying.stamp, problem=f"cannot be read ({error}); look at its files")
    stamp = lying.stamp if all(one.name in lying.captures for one in found) else ""
    words = {name: plain_words(" ".join(said)) for name, said in _words(job, captures).items()}
    return JobFacts(folder=lying.folder, stamp=stamp, job=job, captures=captures, words=words)


def _words(job: Job, captures: tuple[CaptureFacts, ...]) -> dict[str, list[str]]:
    return {
        "title": [job.unit.title, job.unit.serial or "", job.unit.load_class, job.number],
        "complaint": [job.complaint],
        "as_found": [job.as_found],
        "cause": [job.cause or ""],
        "named": [one.named for one in captures],
        "work": [entry.what for entry in job.work],
        "parts": [f"{part.designator} {part.what} {part.replaced_with} {part.lot or ''}" for part in job.part],
        "notes": list(_notes(job)),
    }


def _notes(job: Job) -> Iterator[str]:
    yield from (entry.note for entry in job.capture)
    yield from (entry.text for entry in job.caution)
    yield from (entry.says for entry in job.picture)
    for entry in job.check:
        yield " ".join((entry.what, entry.result, entry.limit or "", entry.by or ""))


def _capture(one: FoundCapture, stamp: str, known: Known) -> CaptureFacts:
    facts: Mapping[str, Any] = {} if one.capture is None else one.capture.descriptor
    drawn: tuple[Drawn, ...] = ()
    problem = one.problem
    if one.capture is not None and one.capture.problems:
        problem = f"its seal does not hold: {'; '.join(one.capture.problems)}"
    if _is_healthy(one):
        try:
            drawn = known[stamp] if stamp and stamp in known else _drawn(one, facts)
        except ArchiveError as error:
            problem = str(error)
    return CaptureFacts(
        name=_text(one.name),
        stamp=stamp,
        role=one.role,
        outcome=_text(one.outcome),
        created=_text(one.created),
        is_whole=one.is_whole,
        is_simulated=one.is_simulated,
        named=_text(_named(facts)) if one.outcome == "tripped" else "",
        nameplate_w=_positive(facts, "nameplate_w"),
        nameplate_v=_positive(facts, "nameplate_v"),
        mains_frequency_hz=_positive(facts, "mains_frequency_hz"),
        problem=_text(_within(problem, one.folder)),
        drawn=drawn,
    )


def _is_healthy(one: FoundCapture) -> bool:
    """Whether a capture tells what the whole unit draws by itself along a ramp, and can be believed."""
    if one.capture is None or one.outcome != "passed" or not one.is_whole or one.role not in HEALTHY_ROLES:
        return False
    facts = one.capture.descriptor
    alone = not any(facts.get(name) for name in ("series_lamp_w", "unplugged", "direct_after"))
    return alone and all(_positive(facts, name) for name in ("nameplate_v", "nameplate_w"))


def _drawn(one: FoundCapture, facts: Mapping[str, Any]) -> tuple[Drawn, ...]:
    """What it drew at each line voltage that it says something of. Raises ArchiveError."""
    from rampguard.compare.curve import current_curve, power_curve  # numpy: a search that reads no rows waits for none
    from rampguard.compare.gather import side_of

    assert one.capture is not None  # noqa: S101 - healthy ones are there
    side = side_of(one.name, facts, one.capture.rows())
    current, power = current_curve(side), power_curve(side)
    found = []
    for part in PARTS_OF_LINE:
        amperes, watts = current.at(part * side.nameplate_v), power.at(part * side.nameplate_v)
        if amperes is not None:
            found.append(Drawn(part, part * side.nameplate_v, amperes.value, None if watts is None else watts.value))
    full = side.full_line
    if full is not None:
        watts = full.power_w
        found.append(Drawn(FULL_LINE, full.line_v.value, full.current_a.value, None if watts is None else watts.value))
    return tuple(found)


def _named(facts: Mapping[str, Any]) -> str:
    """The cause the guard named first; empty where the record has none as we write it."""
    result = facts.get("result")
    causes = result.get("causes") if isinstance(result, Mapping) else None
    first = causes[0] if isinstance(causes, list) and causes else None
    found = first.get("cause") if isinstance(first, Mapping) else None
    return found if isinstance(found, str) else ""


def _positive(facts: Mapping[str, Any], name: str) -> float | None:
    value = facts.get(name)
    if not isinstance(value, int | float) or isinstance(value, bool):
        return None
    return float(value) if 0.0 < value < _MOST else None


def _within(problem: str, folder: Path) -> str:
    """A problem of a folder in words that stay true where the folder is moved."""
    return problem.replace(f"{folder}{os.sep}", "").replace(str(folder), "it")


def _text(text: str) -> str:
    """As it can be kept: names of files and escapes in JSON may hold halves of letters."""
    return text.encode("utf-8", "backslashreplace").decode("utf-8")
