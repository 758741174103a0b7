"""The form's fields: what each is called, and how what is typed becomes a value and the other way. Pure."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any, Final

from rampguard.job.model import Job
from rampguard.job_desk.typed import day, names, number, reading, result


@dataclass(frozen=True, slots=True)
class Field:
    """One field. ``where`` are its tables and its key. An empty one is no value; ``blank`` is what it then is."""

    where: tuple[str, ...]
    label: str
    understood: Callable[[str], Any] = str.strip
    long: bool = False
    """Whether it may go over several lines."""
    blank: Any = None

    @property
    def key(self) -> str:
        """Its key, the last of ``where``."""
        return self.where[-1]

    def value(self, typed: str) -> Any:
        """What was typed, as a value. Raises ValueError, saying what to type."""
        return self.understood(typed) if typed.strip() else self.blank


def shown(value: Any) -> str:
    """A value as it stands in its field."""
    if isinstance(value, tuple):
        return ", ".join(value)
    if isinstance(value, float):
        return f"{value:.15g}"
    return "" if value is None else str(value)


JOB_FIELDS: Final = (
    Field(("complaint",), "complaint", long=True, blank=""),
    Field(("as_found",), "as found", long=True, blank=""),
    Field(("cause",), "cause", long=True),
    Field(("unit", "title"), "what it is"),
    Field(("unit", "serial"), "serial number"),
    Field(("unit", "load_class"), "load class"),
    Field(("unit", "nameplate_w"), "nameplate, watts", number),
    Field(("unit", "nameplate_v"), "nameplate, volts", number),
    Field(("unit", "mains_v"), "mains here, volts", number),
    Field(("unit", "mains_frequency_hz"), "mains here, hertz", number),
    Field(("unit", "channels"), "channels", names, blank=()),
    Field(("unit", "unit_sheet"), "unit sheet"),
    Field(("quoted", "hours"), "quoted, hours", number),
    Field(("quoted", "price"), "quoted, price", number),
    Field(("quoted", "currency"), "quoted, currency"),
)
"""Fields of the job itself."""
LISTS: Final[dict[str, tuple[Field, ...]]] = {
    "part": (
        Field(("designator",), "designator"),
        Field(("what",), "what it is"),
        Field(("replaced_with",), "replaced with"),
        Field(("origin",), "where it is from"),
        Field(("matched_with",), "matched with"),
        Field(("lot",), "lot"),
    ),
    "work": (
        Field(("date",), "date", day),
        Field(("what",), "what was done", long=True),
        Field(("hours",), "hours", number),
    ),
    "check": (
        Field(("what",), "what was checked"),
        Field(("result",), "passed, failed, not made", result),
        Field(("reads",), "reads, number and unit", reading),
        Field(("limit",), "limit, or why not made"),
        Field(("by",), "measured with"),
        Field(("date",), "date", day),
    ),
    "caution": (Field(("text",), "told to the customer", long=True),),
}
"""The lists that the form fills, and the fields of an entry."""
TITLES: Final = {"part": "parts", "work": "work", "check": "checks", "caution": "cautions for the customer"}


def text_of(job: Job, field: Field) -> str:
    """What stands in a field of the job."""
    found: Any = job
    for name in field.where:
        found = None if found is None else getattr(found, name)
    return shown(found)


def texts_of_entry(job: Job, name: str, number_: int | None, today: dt.date) -> dict[str, str]:
    """What stands in the fields of an entry; of a new one the date is today's."""
    if number_ is None:
        return {field.key: str(today) if field.key == "date" else "" for field in LISTS[name]}
    entry = getattr(job, name)[number_]
    return {field.key: shown(getattr(entry, field.key)) for field in LISTS[name]}


def line_of(name: str, entry: Any) -> str:
    """An entry in one line of its list."""
    if name == "part":
        return f"{entry.designator}  {entry.what}: {entry.replaced_with}"
    if name == "work":
        return f"{entry.date}  {entry.hours:g} h  {entry.what}"
    if name == "check":
        return f"{entry.result}  {entry.what}{f': {entry.reads}' if entry.reads else ''}"
    return str(entry.text)
