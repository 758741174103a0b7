"""job.toml: everything about one repair, and nothing about whose unit it is.

::

    format = 1
    number = "2026-014"
    opened = 2026-03-02
    complaint = "dead, blows its fuse"
    as_found = "left output pair shorted, its emitter resistors open"

    [unit]
    title = "shelf amplifier, 2 x 60 W"
    load_class = "linear-amplifier"
    nameplate_w = 300.0
    mains_v = 230.0
    mains_frequency_hz = 50.0
    channels = ["left", "right"]

    [[part]]
    designator = "Q701"
    what = "output transistor"
    replaced_with = "same type, new"
    origin = "authorised distributor"

    [[work]]
    date = 2026-03-04
    what = "output stage rebuilt"
    hours = 2.5

Reading one touches nothing else. All that is wrong with it is told at once.
"""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Iterator
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from instruments.strict import Strict, explain
from rampguard.job.entries import JobUnit, KeptCapture, MadeCheck, Part, PassedOn, Picture, Quoted, Work
from rampguard.job.errors import JobError, NoJob
from rampguard.job.texts import Day, MaySay, Said, plain

JOB_NAME: Final = "job.toml"
CAPTURES: Final = "captures"
_IN_A_LIST: Final = re.compile(r"^(part|work|check|caution|picture|capture)\.(\d+)\.?")
_PRIVATE: Final = ("customer", "name", "contact", "address", "phone", "email", "e-mail")


class Job(Strict):
    """One repair."""

    format: Literal[1]
    number: Annotated[str, Field(max_length=40)]
    """The job's number; what is handed back is called by it."""
    opened: Day
    closed: Day | None = None
    complaint: MaySay = ""
    """What the customer says is wrong. Empty: not written down yet."""
    as_found: MaySay = ""
    """What was found wrong. Empty: not written down yet."""
    cause: Said | None = None
    """Why it failed; None until that is known."""
    unit: JobUnit
    quoted: Quoted | None = None
    part: Annotated[tuple[Part, ...], Field(max_length=500, strict=False)] = ()
    work: Annotated[tuple[Work, ...], Field(max_length=500, strict=False)] = ()
    check: Annotated[tuple[MadeCheck, ...], Field(max_length=200, strict=False)] = ()
    caution: Annotated[tuple[PassedOn, ...], Field(max_length=100, strict=False)] = ()
    picture: Annotated[tuple[Picture, ...], Field(max_length=500, strict=False)] = ()
    capture: Annotated[tuple[KeptCapture, ...], Field(max_length=500, strict=False)] = ()

    @field_validator("number")
    @classmethod
    def _names_a_file(cls, number: str) -> str:
        if not re.fullmatch(r"[^\W_][\w.-]*", number) or number.endswith("."):
            raise ValueError("is to name files too: letters, digits, '-', '_' and '.', such as 2026-014")
        return number

    @model_validator(mode="after")
    def _fits_together(self) -> Job:
        problems = [*self._out_of_time(), *self._twice()]
        if problems:
            raise ValueError("\n".join(problems))
        return self

    @property
    def hours_spent(self) -> float:
        """Hours of all work."""
        return math.fsum(entry.hours for entry in self.work)

    @property
    def status(self) -> Literal["open", "closed"]:
        """Follows from the rest; it is not stored."""
        return "open" if self.closed is None else "closed"

    def _out_of_time(self) -> Iterator[str]:
        if self.closed is not None and self.closed < self.opened:
            yield f"closed = {self.closed} is before opened = {self.opened}; correct one of them"
        dated = [(f"[[work]] {n}", entry.date) for n, entry in enumerate(self.work, 1)]
        dated += [(f"[[check]] {n}", entry.date) for n, entry in enumerate(self.check, 1) if entry.date is not None]
        for where, day in dated:
            if day < self.opened:
                yield f"{where}: date = {day} is before the job was opened, {self.opened}; correct one of them"
            elif self.closed is not None and day > self.closed:
                yield f"{where}: date = {day} is after the job was closed, {self.closed}; correct one of them"

    def _twice(self) -> Iterator[str]:
        folders = [plain(entry.folder) for entry in self.capture]
        for folder in sorted({folder for folder in folders if folders.count(folder) > 1}):
            yield f"[[capture]]: {folder} is there twice; keep one"


def parse_job(text: str, origin: str) -> Job:
    """A job from its text. Raises JobError."""
    try:
        return Job.model_validate(tomllib.loads(text))
    except tomllib.TOMLDecodeError as error:
        raise JobError(origin, [f"is not TOML: {error}"]) from None
    except ValidationError as error:
        raise JobError(origin, explained(error)) from None


def read_text(folder: Path) -> str:
    """The text of a folder's job.toml. Raises JobError; NoJob where there is none."""
    path = folder / JOB_NAME
    try:
        return path.read_bytes().decode("utf-8")  # line ends as they are: a change keeps them
    except FileNotFoundError:
        raise NoJob(str(path), [f"there is none; begin one: rampguard job new {folder}"]) from None
    except NotADirectoryError:
        raise NoJob(str(path), [f"{folder} is no folder; name the job folder"]) from None
    except OSError as error:
        raise JobError(str(path), [f"cannot be read ({error.strerror}); check the path"]) from None
    except UnicodeDecodeError as error:
        raise JobError(str(path), [f"is not text in UTF-8 ({error}); save it as UTF-8"]) from None


def read_job(folder: Path) -> Job:
    """The job of a folder. Raises JobError with every problem at once, each naming its key; NoJob where there is none.

    A file half written lies beside it under another name (`rampguard.job.writing.leftovers`), and is never believed.
    """
    return parse_job(read_text(folder), str(folder / JOB_NAME))


def explained(error: ValidationError) -> list[str]:
    """Every problem in a line: the table and which of it, the key, what is wrong, what to do."""
    lines = [line for problem in explain(error) for line in problem.splitlines()]
    return [_placed(line.removeprefix("file: ")) for line in lines]


def _placed(line: str) -> str:
    where, _, said = line.partition(": ")
    key = where.rpartition(".")[2]
    if said.startswith("unknown key"):
        if key in Job.model_fields and where != key:
            said = "belongs to the whole job; write it above the first [table]"
        elif key.lower() in _PRIVATE:
            said = "whose unit it is does not belong here; write it into private.toml"
    found = _IN_A_LIST.match(where)
    if found is not None:
        rest = where[found.end() :]
        where = f"[[{found[1]}]] {int(found[2]) + 1}" + (f": {rest}" if rest else "")
    return f"{where}: {said}" if said else line
