"""A sum as it is told: the answer first, then how it was worked out, then the cautions that belong to it. Pure."""

from __future__ import annotations

import math
import textwrap
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

WIDTH: Final = 79
FROM_MEMORY: Final = "from memory"
COMMON: Final = "common practice, no source"


class SumError(ValueError):
    """A sum that cannot be done. One line a problem: what was given, what is wrong with it, what to do."""

    def __init__(self, problems: Iterable[str]) -> None:
        self.problems = list(problems)
        super().__init__("\n".join(self.problems))


@dataclass(frozen=True, slots=True)
class How:
    """One step: what was worked out, and by whose word."""

    said: str
    source: str


@dataclass(frozen=True, slots=True)
class Told:
    """All of one sum. ``values`` are for scripts, units in their names; ``passed`` is None where nothing is judged."""

    name: str
    answer: tuple[str, ...]
    values: Mapping[str, Any]
    how: tuple[How, ...]
    cautions: tuple[str, ...]
    table: tuple[str, ...] = ()
    """Lines of at most `WIDTH` characters, under the answer."""
    passed: bool | None = None

    @property
    def as_message(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "format": 1,
            "sum": self.name,
            "answer": list(self.answer),
            **self.values,
            "how": [{"said": step.said, "source": step.source} for step in self.how],
            "cautions": list(self.cautions),
        }

    @property
    def as_text(self) -> str:
        """In lines of `WIDTH` characters at most."""
        lines = [line for part in self.answer for line in textwrap.wrap(part, WIDTH)]
        lines += ["", *self.table] if self.table else []
        lines += ["", "How:", *_items(f"{step.said} [{step.source}]" for step in self.how)]
        return "\n".join([*lines, "", "Mind:", *_items(self.cautions)])


def _items(parts: Iterable[str]) -> Iterator[str]:
    for part in parts:
        yield from textwrap.wrap(part, WIDTH, initial_indent="- ", subsequent_indent="  ", break_on_hyphens=False)


def above_zero(**given: float | None) -> list[str]:
    """What is wrong with numbers that must be finite and above zero, by name; None was not given, and is not wrong."""
    return [
        f"{name} = {value!r}: must be a number above zero; write it plain, the unit is in the name"
        for name, value in given.items()
        if value is not None and not 0.0 < value < math.inf
    ]


def refuse(problems: Iterable[str]) -> None:
    """Raise SumError if there is any problem."""
    found = list(problems)
    if found:
        raise SumError(found)


def plain(value: float) -> str:
    """Three significant digits, never as a power of ten."""
    if value == 0.0 or not math.isfinite(value):
        return f"{value:g}"
    digits = max(0, 2 - math.floor(math.log10(abs(value))))
    text = f"{value:.{digits}f}"
    return text.rstrip("0").rstrip(".") if "." in text else text


_TIMES: Final = ((3600.0, "h"), (60.0, "min"), (1.0, "s"), (1e-3, "ms"))


def duration(seconds: float) -> str:
    """A time in the unit that suits it: 45 ms, 12 s, 3.4 min, 1.2 h."""
    for size, unit in _TIMES:
        if seconds >= (2.0 * size if size >= 60.0 else size):
            return f"{plain(seconds / size)} {unit}"
    return f"{plain(seconds / 1e-3)} ms"
