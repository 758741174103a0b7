"""A learnt band's file: a model, the units it was learnt from, and what each showed of every parameter. TOML.

::

    format = 1
    model = "shelf amplifier, 2 x 60 W"
    load_class = "linear-amplifier"
    nameplate_w = 300.0
    nameplate_v = 230.0
    mains_v = 230.0
    mains_frequency_hz = 50.0
    coverage = 0.99               # so many of the model's units lie within low to high of a parameter ...
    confidence = 0.95             # ... with so much confidence

    [[unit]]
    name = "job 2026-014"
    capture = [{ folder = "20260304t101500z-shelf", seal = "3f0c..." }]

    [parameter.idle]
    scale = "logarithm"           # or "even"
    class = [0.025, 0.2]          # the load class's own range
    low = 0.051                   # what is left of it for a fresh unit
    high = 0.13
    middle = [0.082]              # what each unit's captures gave, in the units' order
    own = [0.067]                 # what they leave open: standard deviations, of the logarithm where that is the scale
    spread = 0.05                 # over the units' middles, in the same scale; absent with one unit

What is low and high follows from the rest and is there for the reader: a file in which it does not is refused, and so
is one that was learnt with other ranges than this program's. Numbers are in terms of the nameplate, as
``rampguard classes`` tells them.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path
from typing import Annotated, Final, Literal

import numpy as np
import tomlkit
from pydantic import Field, model_validator

from instruments.strict import NotNegative, Positive, Strict, Text, load_strict
from rampguard.archive.errors import ArchiveError
from rampguard.learnt.model import Learnt, LearntCapture, LearntUnit, part_of, spreads
from rampguard.loads.basis import Shown
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.loads.learnt import CONFIDENCE, COVERAGE
from rampguard.loads.ranges import Range

DIGITS: Final = 6
"""Significant digits of what is written."""
AGREES: Final = 1e-4
"""What is written and what follows may differ by so much of the range's larger end: they are rounded."""


class LearntError(ArchiveError):
    """A learnt band's file that cannot be used. One line a problem: where, what, what to do."""

    def __init__(self, origin: str, problems: list[str]) -> None:
        self.problems = problems
        super().__init__("\n".join(f"{origin}: {problem}" for problem in problems))


Values = Annotated[tuple[float, ...], Field(min_length=1, max_length=1000, strict=False)]


class CaptureEntry(Strict):
    """A capture that was learnt from."""

    folder: Text
    seal: Annotated[str, Field(pattern="^[0-9a-f]{64}$")]
    """SHA-256 of its seal.sha256, hexadecimal."""


class UnitEntry(Strict):
    """One unit; several captures of it count as one unit."""

    name: Text
    capture: Annotated[tuple[CaptureEntry, ...], Field(min_length=1, max_length=200, strict=False)]


class ParameterEntry(Strict):
    """One parameter: what each unit gave, and what is left of the class's range."""

    scale: Literal["even", "logarithm"]
    of_class: Annotated[tuple[float, float], Field(alias="class", strict=False)]
    low: float
    high: float
    middle: Values
    own: Annotated[tuple[NotNegative, ...], Field(min_length=1, max_length=1000, strict=False)]
    spread: NotNegative | None = None


class LearntFile(Strict):
    """The file, as it is read."""

    format: Literal[1]
    model: Text
    load_class: Text
    nameplate_w: Positive
    nameplate_v: Positive
    mains_v: Positive
    mains_frequency_hz: Positive
    series_lamp_w: Positive | None = None
    coverage: float
    confidence: float
    unit: Annotated[tuple[UnitEntry, ...], Field(min_length=1, max_length=1000, strict=False)]
    parameter: dict[str, ParameterEntry]

    @model_validator(mode="after")
    def _fits_together(self) -> LearntFile:
        problems = [*self._unlike_the_program(), *self._twice()]
        problems = problems or [*self._unlike_the_class()]
        problems = problems or [*self._does_not_follow()]
        if problems:
            raise ValueError("\n".join(problems))
        return self

    def as_learnt(self) -> Learnt:
        """What it says."""
        ranges = self._bare([]).ranges
        units = []
        for place, unit in enumerate(self.unit):
            captures = tuple(LearntCapture(one.folder, one.seal) for one in unit.capture)
            shown = {name: _shown(item, self.parameter[name], place) for name, item in ranges.items()}
            units.append(LearntUnit(unit.name, captures, shown))
        return self._bare(units)

    def _bare(self, units: Sequence[LearntUnit]) -> Learnt:
        return Learnt(
            model=self.model,
            load_class=self.load_class,
            nameplate_w=self.nameplate_w,
            nameplate_v=self.nameplate_v,
            mains_v=self.mains_v,
            mains_frequency_hz=self.mains_frequency_hz,
            series_lamp_w=self.series_lamp_w,
            units=tuple(units),
        )

    def _unlike_the_program(self) -> Iterator[str]:
        if self.load_class not in LOAD_CLASSES:
            yield f"load_class: there is no {self.load_class!r}; choose from {', '.join(LOAD_CLASSES)}"
        if (self.coverage, self.confidence) != (COVERAGE, CONFIDENCE):
            yield f"coverage and confidence: this program's are {COVERAGE:g} and {CONFIDENCE:g}; learn it anew"

    def _twice(self) -> Iterator[str]:
        seals = [one.seal for unit in self.unit for one in unit.capture]
        names = [unit.name for unit in self.unit]
        for what, some in (("capture of seal", seals), ("unit", names)):
            for one in sorted({one for one in some if some.count(one) > 1}):
                yield f"unit: the {what} {one} is there twice; what it showed would count twice"

    def _unlike_the_class(self) -> Iterator[str]:
        ranges = self._bare([]).ranges
        for name in sorted(set(ranges) ^ set(self.parameter)):
            yield f"parameter.{name}: {'missing' if name in ranges else 'unknown to this class'}; learn it anew"
        for name in [name for name in ranges if name in self.parameter]:
            yield from (f"parameter.{name}: {said}" for said in _unlike(ranges[name], self.parameter[name], self.unit))

    def _does_not_follow(self) -> Iterator[str]:
        learnt = self.as_learnt()
        for name, (low, high) in learnt.spans.items():
            entry = self.parameter[name]
            if not (_agree(low, entry.low, entry) and _agree(high, entry.high, entry)):
                yield (
                    f"parameter.{name}: low = {entry.low:g}, high = {entry.high:g}, but of middle and own comes"
                    f" {low:.6g} to {high:.6g}; the file was changed: learn it anew"
                )


def _agree(worked_out: float, written: float, entry: ParameterEntry) -> bool:
    return abs(worked_out - written) <= AGREES * max(abs(edge) for edge in entry.of_class)


def _unlike(item: Range, entry: ParameterEntry, units: Sequence[UnitEntry]) -> Iterator[str]:
    """What of an entry cannot be of this class, or of so many units."""
    if entry.of_class != (item.low, item.high) or (entry.scale == "logarithm") != item.log:
        yield f"was learnt with another range than {item.low:g} to {item.high:g}, this program's; learn it anew"
    for key, values in (("middle", entry.middle), ("own", entry.own)):
        if len(values) != len(units):
            yield f"{key} has {len(values)} values, there are {len(units)} units; one each"
    if not all(item.low <= value <= item.high for value in entry.middle):
        yield f"middle: not within the class's {item.low:g} to {item.high:g}"


def _shown(item: Range, entry: ParameterEntry, place: int) -> Shown:
    return Shown(part_of(item, entry.middle[place]), entry.own[place] / item.along(item.high))


def load_learnt(path: Path) -> Learnt:
    """Read a learnt band's file. Raises LearntError with every problem at once, each naming its key."""
    return load_strict(path, LearntFile, LearntError).as_learnt()


def text_of(learnt: Learnt) -> str:
    """The file's text."""
    lines = [
        f"# What a healthy unit of this model draws: {learnt.rests_on}. Written by rampguard learn.",
        "format = 1",
        f"model = {_quoted(learnt.model)}",
        f"load_class = {_quoted(learnt.load_class)}",
        f"nameplate_w = {learnt.nameplate_w!r}",
        f"nameplate_v = {learnt.nameplate_v!r}",
        f"mains_v = {learnt.mains_v!r}",
        f"mains_frequency_hz = {learnt.mains_frequency_hz!r}",
        *([] if learnt.series_lamp_w is None else [f"series_lamp_w = {learnt.series_lamp_w!r}"]),
        f"coverage = {COVERAGE!r}    # so many of the model's units lie within low to high of a parameter ...",
        f"confidence = {CONFIDENCE!r}  # ... with so much confidence",
    ]
    for unit in learnt.units:
        lines += ["", "[[unit]]", f"name = {_quoted(unit.name)}", "capture = ["]
        lines += [f'  {{ folder = {_quoted(one.folder)}, seal = "{one.seal}" }},' for one in unit.captures]
        lines += ["]"]
    apart = spreads(learnt)
    for name, item in learnt.ranges.items():
        lines += ["", *_parameter(name, item, learnt, apart[name])]
    return "\n".join([*lines, ""])


def _parameter(name: str, item: Range, learnt: Learnt, spread: float | None) -> list[str]:
    shown = [unit.shown[name] for unit in learnt.units]
    width = item.along(item.high)
    low, high = learnt.spans[name]
    middles = [float(item.at(np.array(one.mean))) for one in shown]
    return [
        f"[parameter.{name}]",
        f'scale = "{"logarithm" if item.log else "even"}"',
        f"class = [{item.low!r}, {item.high!r}]",
        f"low = {_number(low)}",
        f"high = {_number(high)}",
        f"middle = [{', '.join(_number(min(max(value, item.low), item.high)) for value in middles)}]",
        f"own = [{', '.join(_number(one.own * width) for one in shown)}]",
        *([] if spread is None else [f"spread = {_number(spread * width)}"]),
    ]


def _number(value: float) -> str:
    """A TOML float of so many significant digits."""
    if value == 0.0:
        return "0.0"
    return repr(round(value, DIGITS - 1 - math.floor(math.log10(abs(value)))))


def _quoted(text: str) -> str:
    return tomlkit.string(text).as_string()
