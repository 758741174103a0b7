"""What was typed into the form and is not written yet, and what would come of it. Pure: the file is read by others."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rampguard.job.edits import CannotEdit, with_entry, with_entry_changed, with_value
from rampguard.job.errors import JobError
from rampguard.job.model import JOB_NAME, Job, parse_job, read_text
from rampguard.job.writing import change_job
from rampguard.job_form.fields import JOB_FIELDS, LISTS, Field, text_of

_READING: Final = ("value", "unit", "over_range")


@dataclass(frozen=True, slots=True)
class Entry:
    """An entry of a list as it is typed: ``number`` from 0, or None for a new one."""

    name: str
    number: int | None
    typed: Mapping[str, str]


@dataclass(slots=True)
class Draft:
    """One job being filled in. ``text`` and ``job`` are what was read last."""

    folder: Path
    text: str
    job: Job
    typed: dict[tuple[str, ...], str] = field(default_factory=dict)
    """What differs from what was read, by field."""

    @classmethod
    def read(cls, folder: Path) -> Draft:
        """The job as it stands. Raises JobError."""
        text = read_text(folder)
        return cls(folder, text, parse_job(text, str(folder / JOB_NAME)))

    def read_anew(self) -> None:
        """Take what somebody else wrote; what was typed here stays. Raises JobError."""
        fresh = Draft.read(self.folder)
        self.text, self.job = fresh.text, fresh.job
        for one in JOB_FIELDS:
            if one.where in self.typed:
                self.type(one, self.typed[one.where])

    def type(self, one: Field, typed: str) -> None:
        """Something stands in a field now."""
        if typed == text_of(self.job, one):
            self.typed.pop(one.where, None)
        else:
            self.typed[one.where] = typed

    def shown(self, one: Field) -> str:
        """What stands in a field."""
        return self.typed.get(one.where, text_of(self.job, one))

    def problems(self, entry: Entry | None = None) -> list[str]:
        """What keeps it from being written, a line each; empty: nothing does."""
        try:
            parse_job(self._edited(self.text, entry), JOB_NAME)
        except JobError as error:
            return error.problems
        except CannotEdit as error:
            return [str(error)]
        except _Untypable as error:
            return error.problems
        return []

    def write(self, entry: Entry | None = None) -> None:
        """Write all that was typed, and the entry. Raises JobError; all stays typed then."""
        problems = self.problems(entry)
        if problems:
            raise JobError(JOB_NAME, problems)
        touches = {where[0] for where in self.typed} | ({entry.name} if entry is not None else set())
        change_job(self.folder, lambda text: self._edited(text, entry), touches, read=self.text)
        self.typed.clear()
        self.read_anew()

    def _edited(self, text: str, entry: Entry | None) -> str:
        values, problems = self._values()
        said, wrong = _entry_values(entry)
        if problems or wrong:
            raise _Untypable([*problems, *wrong])
        for where, value in values.items():
            text = with_value(text, where, value)
        if entry is None:
            return text
        if entry.number is None:
            return with_entry(text, entry.name, said)
        return with_entry_changed(text, entry.name, entry.number, said)

    def _values(self) -> tuple[dict[tuple[str, ...], Any], list[str]]:
        values, problems = {}, []
        for one in JOB_FIELDS:
            if one.where in self.typed:
                try:
                    values[one.where] = one.value(self.typed[one.where])
                except ValueError as error:
                    problems.append(f"{one.label}: {error}")
        return values, problems


class _Untypable(ValueError):  # noqa: N818 - what is so
    """Something typed is no value at all."""

    def __init__(self, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(problems))


def _entry_values(entry: Entry | None) -> tuple[dict[str, Any], list[str]]:
    values: dict[str, Any] = {}
    problems = []
    for one in () if entry is None else LISTS[entry.name]:
        typed = "" if entry is None else entry.typed.get(one.key, "")
        try:
            value = one.value(typed)
        except ValueError as error:
            problems.append(f"{one.label}: {error}")
            continue
        if one.key == "reads":
            values |= dict.fromkeys(_READING) | (value or {})
        else:
            values[one.key] = value
    return values, problems
