"""How far a capture can be believed: whole, cut short, or changed after it was sealed, and where. Pure.

A record is written in one order: plan, limits and bench file; the descriptor, which says *recording*; readings,
events and log, which only grow; at the end the seal beside its place, the descriptor with the outcome and every file's
hash, and the seal moved to its place. A record that ended anywhere on that way is cut short. Whatever cannot lie on
it has been changed.

What it can prove: that the files are those that the seal was made of. Who can write all of them can make the seal anew;
only a copy of the seal's own digest, kept where they cannot write, tells that. Of a record that was never sealed
nothing tells whether somebody changed it.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from enum import StrEnum
from typing import Any, Final

from rampguard.archive.descriptor import DESCRIPTOR_NAME, READINGS_NAME, RECORDED_FILES, RECORDING
from rampguard.archive.found import FileFound, Found, resources
from rampguard.archive.seal import SEAL_NAME, parse_seal

BEFORE_THE_DESCRIPTOR: Final = ("plan.toml", "limits.toml", "bench.toml")
GROWING: Final = tuple(name for name, _ in RECORDED_FILES if name not in BEFORE_THE_DESCRIPTOR)
_FORGED: Final = "file and seal agree, the descriptor has another hash: the seal was made anew after a change"


class State(StrEnum):
    """How far a capture can be believed."""

    WHOLE = "whole"
    CUT_SHORT = "cut-short"
    CHANGED = "changed"


class Kind(StrEnum):
    """What was done to a file."""

    EDITED = "edited"
    ADDED_TO = "bytes-added"
    SHORTENED = "bytes-missing"
    FILE_MISSING = "file-missing"
    FILE_ADDED = "file-added"
    SEAL_EDITED = "seal-edited"
    SEAL_ANEW = "seal-made-anew"
    UNREADABLE = "unreadable"


@dataclass(frozen=True, slots=True)
class Problem:
    """What is not as it was sealed: which file, what kind of change, and both in words."""

    file: str
    kind: Kind
    text: str


@dataclass(frozen=True, slots=True)
class Verdict:
    """What a capture folder is. ``why`` says in words why it is not whole; of a changed one ``problems`` say where."""

    state: State
    why: str
    problems: tuple[Problem, ...] = ()


def verdict(found: Found, on_paper: str = "") -> Verdict:
    """The verdict on a folder. ``on_paper`` is the seal's digest, or its beginning, as kept elsewhere."""
    if found.seal is None:
        return _unsealed(found)
    problems = [*_of_the_seal(found, on_paper), *_of_files(found), *_added(found)]
    if problems:
        return Verdict(State.CHANGED, "it is not what was sealed", tuple(problems))
    return Verdict(State.WHOLE, "")


# -- sealed -------------------------------------------------------------------------------------------------------


def _of_the_seal(found: Found, on_paper: str) -> Iterator[Problem]:
    for wrong in parse_seal(found.seal or b"")[1]:
        yield Problem(SEAL_NAME, Kind.SEAL_EDITED, wrong)
    if not found.seal_digest.startswith(on_paper):
        text = f"its digest begins {found.seal_digest[:16]}, on paper {on_paper[:16]}: made anew, or another capture's"
        yield Problem(SEAL_NAME, Kind.SEAL_ANEW, text)
    for name in (DESCRIPTOR_NAME, *(name for name, _ in RECORDED_FILES)):
        if name not in found.sealed:
            yield Problem(SEAL_NAME, Kind.SEAL_EDITED, f"has no line of {name}")
    descriptor = found.descriptor
    if descriptor is not None and _holds(found, DESCRIPTOR_NAME) and descriptor.get("outcome") == RECORDING:
        yield Problem(SEAL_NAME, Kind.SEAL_ANEW, "is of a record that was never finished: not made by its run")


def _holds(found: Found, name: str) -> bool:
    return name in found.files and found.files[name].digest == found.sealed.get(name)


def _of_files(found: Found) -> Iterator[Problem]:
    told = {} if found.descriptor is None else resources(found.descriptor)
    for name, sealed in found.sealed.items():
        problem = _of_one(name, sealed, found.files.get(name), told.get(name, {}))
        if problem is not None:
            yield problem


def _of_one(name: str, sealed: str, file: FileFound | None, told: Mapping[str, Any]) -> Problem | None:
    described = str(told.get("hash", "")).removeprefix("sha256:")
    if file is None:
        return Problem(name, Kind.FILE_MISSING, "was sealed, and is not there")
    if file.digest != sealed:
        return _changed(name, file, told, described)
    if described and described != sealed:
        return Problem(name, Kind.SEAL_ANEW, _FORGED)
    return None


def _changed(name: str, file: FileFound, told: Mapping[str, Any], described: str) -> Problem:
    if file.digest == described:
        return Problem(SEAL_NAME, Kind.SEAL_EDITED, f"its line of {name} is not that file's, the descriptor's is")
    then = told.get("bytes")
    if not isinstance(then, int):
        return Problem(name, Kind.EDITED, "is not what was sealed")
    lines = _lines(file.lines, told.get("lines"), "row" if name == READINGS_NAME else "line")
    if file.digest_then and file.digest_then == described:
        return Problem(name, Kind.ADDED_TO, f"all that was sealed, and {file.bytes - then} bytes after it{lines}")
    if file.bytes < then:
        return Problem(name, Kind.SHORTENED, f"{then - file.bytes} bytes fewer than were sealed{lines}")
    more = f"{file.bytes - then} bytes more than were sealed" if file.bytes > then else "as long as it was"
    return Problem(name, Kind.EDITED, f"edited; {more}{lines}")


def _lines(now: int, then: object, word: str) -> str:
    """How many lines it is off, where the descriptor counted them."""
    if not isinstance(then, int):
        return ""
    off = abs(now - then)
    return f", {off} {word}{'s' if off > 1 else ''} {'more' if now > then else 'fewer'}" if off else f", no {word} more"


def _added(found: Found) -> Iterator[Problem]:
    for name in (*found.files, *found.others):
        if name not in found.sealed and name not in (DESCRIPTOR_NAME, *(name for name, _ in RECORDED_FILES)):
            yield Problem(name, Kind.FILE_ADDED, "no part of what was sealed")


# -- not sealed ---------------------------------------------------------------------------------------------------


def _unsealed(found: Found) -> Verdict:
    """Cut short, if the order of writing can have left it so."""
    problems = tuple(_out_of_order(found))
    if problems:
        return Verdict(State.CHANGED, "it has no seal, and is not as a run leaves it", problems)
    descriptor = found.descriptor
    if descriptor is None:
        return Verdict(State.CUT_SHORT, "ended before anything was recorded")
    if lost := _lost_lines(descriptor):
        return Verdict(State.CUT_SHORT, f"the disk did not take {lost} lines: not sealed")
    if descriptor.get("outcome") != RECORDING:
        return Verdict(State.CUT_SHORT, "all is written, and the seal was not yet in its place")
    return Verdict(State.CUT_SHORT, "no seal: its writing ended before the run did, or goes on")


def _out_of_order(found: Found) -> Iterator[Problem]:
    if found.descriptor is None:
        for name in (DESCRIPTOR_NAME, *GROWING):
            if name in found.files:
                yield Problem(name, Kind.UNREADABLE, f"no seal, and no {DESCRIPTOR_NAME} that can be read")
        return
    yield from _missing(found, BEFORE_THE_DESCRIPTOR)
    grown = [name for name in GROWING if name in found.files]
    yield from _missing(found, GROWING[: GROWING.index(grown[-1])] if grown else ())
    if found.rows.error:
        yield Problem(READINGS_NAME, Kind.UNREADABLE, found.rows.error)
    if found.descriptor.get("outcome") != RECORDING:
        yield from _finished_without_seal(found, found.descriptor)


def _missing(found: Found, names: tuple[str, ...]) -> Iterator[Problem]:
    for name in names:
        if name not in found.files:
            yield Problem(name, Kind.FILE_MISSING, "was written before others that are there, and is not there")


def _finished_without_seal(found: Found, descriptor: Mapping[str, Any]) -> Iterator[Problem]:
    """The end of a run was written: then every file is whole, and the seal beside its place unless lines were lost."""
    if not _lost_lines(descriptor) and found.aside is None:
        yield Problem(SEAL_NAME, Kind.FILE_MISSING, "the record says how it ended, and has no seal")
    for name, told in resources(descriptor).items():
        described, file = str(told.get("hash", "")).removeprefix("sha256:"), found.files.get(name)
        if file is None:
            yield Problem(name, Kind.FILE_MISSING, "the record says how it ended, and has no such file")
        elif file.digest != described:
            yield _changed(name, file, told, described)


def _lost_lines(descriptor: Mapping[str, Any]) -> object:
    """How many lines the disk did not take; None where it took all."""
    result = descriptor.get("result")
    return result.get("unwritten_lines") if isinstance(result, dict) else None
