"""The sections file: what of a unit can be unplugged, one at a time.

::

    format = 1
    model = "seven-channel amplifier"

    [[sections]]
    name = "left"
    suspect = 3.0               # how much more likely than the others; 1 where nothing is known

    [[sections]]
    name = "left-bias-sensor"
    unplugged_with = "left"     # never alone: a bias sensor that is out lets its channel's idle run away

Reading one touches no instrument. Everything that can be wrong with it is told at once.
"""

from __future__ import annotations

from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, model_validator

from instruments.strict import Positive, Strict, load_strict

Name = Annotated[str, Field(pattern=r"^[a-z][a-z0-9-]{0,39}$")]


class SectionsError(ValueError):
    """A sections file that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


class Section(Strict):
    """One part of the unit that has a connector of its own."""

    name: Name
    suspect: Annotated[Positive, Field(le=100)] = 1.0
    """How much more likely the fault is here than in a section of which nothing is known."""
    unplugged_with: Name | None = None
    """The section without which this one is never unplugged, nor left plugged in."""


class Sections(Strict):
    """All sections of a model."""

    format: Literal[1]
    model: Annotated[str, Field(min_length=1, max_length=120)]
    sections: Annotated[tuple[Section, ...], Field(min_length=1, max_length=16, strict=False)]

    @model_validator(mode="after")
    def _names_fit(self) -> Sections:
        names = [section.name for section in self.sections]
        if len(set(names)) < len(names):
            raise ValueError("sections: two have one name; each needs its own")
        alone = {section.name for section in self.sections if section.unplugged_with is None}
        if not alone:
            raise ValueError("sections: none can be unplugged by itself; give one without unplugged_with")
        for section in self.sections:
            if section.unplugged_with is not None and section.unplugged_with not in alone:
                raise ValueError(
                    f"{section.name}: unplugged_with = {section.unplugged_with!r} is no section that is unplugged by"
                    f" itself; those are {', '.join(sorted(alone))}"
                )
        return self

    @property
    def suspects(self) -> dict[str, float]:
        """What is unplugged by itself, in the file's order, with how suspect it is.

        The fault of what comes out with it is told as its own: they are not told apart.
        """
        return {section.name: section.suspect for section in self.sections if section.unplugged_with is None}

    def with_its_own(self, name: str) -> tuple[str, ...]:
        """A section and what is unplugged with it."""
        return (name, *(section.name for section in self.sections if section.unplugged_with == name))


def load_sections(path: Path) -> Sections:
    """Read a sections file. Raises SectionsError with every problem at once, each naming its key."""
    return load_strict(path, Sections, SectionsError)
