"""A model as it was learnt: which units, from which captures, what each showed; and what a fresh unit of it may be."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from rampguard.loads.basis import Basis, Shown, Span
from rampguard.loads.learnt import learnt_spans, spread_of
from rampguard.loads.ranges import Range


@dataclass(frozen=True, slots=True)
class LearntCapture:
    """A capture that was learnt from: its folder's name, and the SHA-256 of its seal, by which it is known again."""

    folder: str
    seal: str


@dataclass(frozen=True, slots=True)
class LearntUnit:
    """One unit: what it is called, its captures, and what they showed together, in parts of the ranges' scales."""

    name: str
    captures: tuple[LearntCapture, ...]
    shown: Mapping[str, Shown]


@dataclass(frozen=True, slots=True, kw_only=True)
class Learnt:
    """A model. Volts rms, hertz, watts; mains and nameplate voltage are those of the capture named first."""

    model: str
    load_class: str
    nameplate_w: float
    nameplate_v: float
    mains_v: float
    mains_frequency_hz: float
    series_lamp_w: float | None
    units: tuple[LearntUnit, ...]

    @property
    def ranges(self) -> Mapping[str, Range]:
        """The class's ranges, from which it was learnt."""
        basis = Basis(
            load_class=self.load_class,
            nameplate_v=self.nameplate_v,
            nameplate_w=self.nameplate_w,
            series_lamp_w=self.series_lamp_w,
        )
        return basis.ranges()

    @property
    def spans(self) -> dict[str, Span]:
        """Where a fresh unit of the model may lie, by parameter."""
        return learnt_spans(self.ranges, [unit.shown for unit in self.units])

    @property
    def rests_on(self) -> str:
        """On how many units and captures it rests, in words."""
        return rests_on(self.units)

    def as_message(self) -> dict[str, object]:
        """What was learnt, for scripts: of each parameter the class's range and what is left of it."""
        ranges, spans = self.ranges, self.spans
        return {
            "format": 1,
            "model": self.model,
            "load_class": self.load_class,
            "units": len(self.units),
            "captures": sum(len(unit.captures) for unit in self.units),
            "rests_on": self.rests_on,
            "parameters": {
                name: {"low": low, "high": high, "class_low": ranges[name].low, "class_high": ranges[name].high}
                for name, (low, high) in spans.items()
            },
        }


def rests_on(units: tuple[LearntUnit, ...]) -> str:
    """``rests on 3 units, 4 captures``; of one unit also what its spread is taken from."""
    captures = sum(len(unit.captures) for unit in units)
    said = f"rests on {_counted(len(units), 'unit')}, {_counted(captures, 'capture')}"
    return said if len(units) > 1 else f"{said}; how far units of the model lie apart was not measured"


def kept(item: Range, low: float, high: float) -> float:
    """How much of a range's width is left, from 0 to 1, in its own scale."""
    width = part_of(item, item.high) - part_of(item, item.low)
    return (part_of(item, high) - part_of(item, low)) / width if width else 1.0


def part_of(item: Range, value: float) -> float:
    """Where a value is in a range, from 0 to 1: the inverse of `Range.at`."""
    if item.high == item.low:
        return 0.0
    return item.along(value) / item.along(item.high)


def spreads(learnt: Learnt) -> dict[str, float | None]:
    """How far the units lie apart, by parameter: a standard deviation in parts of its range's scale."""
    return {name: spread_of([unit.shown[name] for unit in learnt.units]).spread for name in learnt.ranges}


def _counted(count: int, what: str) -> str:
    return f"{count} {what}" if count == 1 else f"{count} {what}s"
