"""What a band rests on: load class and nameplate, and whatever narrows the class's ranges. Makes the band.

Optional facts about the unit, and a known-good capture, both come down to the same: narrower ranges of some
parameters, which a capture records as plain numbers.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from rampguard.loads.band import SAMPLES, Band, tempered
from rampguard.loads.causes import ERROR, ERRORS, FOLLOWED, Causes
from rampguard.loads.families import FAMILIES
from rampguard.loads.following import FORGOTTEN_S, MODEL_ERROR, Sight
from rampguard.loads.model import Model
from rampguard.loads.ranges import Range, samples
from rampguard.loads.rectifier import Floats
from rampguard.loads.series_lamp import LAMP, MARGIN, BehindLamp
from rampguard.loads.shapes import SHAPES, Shapes
from rampguard.loads.trouble import ARISES, fault_ranges
from rampguard.quantities import Cause

Span = tuple[float, float]
KNOWN_GOOD_SIGMAS: Final = 2.5
"""A known-good capture leaves each parameter so many standard deviations either side of what it showed."""
TOLERANCE: Final = 0.10
"""Two units of one model differ by so much in a parameter; common practice, no source."""


class FactError(ValueError):
    """A fact that is not known, cannot be, or says nothing about this load class."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Basis:
    """What a band rests on. Volts rms, watts; ``narrowed`` gives a parameter's range in place of the class's."""

    load_class: str
    nameplate_v: float
    nameplate_w: float
    narrowed: Mapping[str, Span] = field(default_factory=dict)
    series_lamp_w: float | None = None
    rests_on: str = ""
    """On how many units what is narrowed rests, in words; empty where no good unit says anything."""

    def ranges(self) -> dict[str, Range]:
        """The ranges of all parameters, narrowed."""
        own = FAMILIES[self.load_class].ranges
        lamp = LAMP if self.series_lamp_w is not None else {}
        return {
            name: replace(item, low=self.narrowed[name][0], high=self.narrowed[name][1])
            if name in self.narrowed
            else item
            for name, item in {**own, **lamp}.items()
        }

    def values(self) -> dict[str, Floats]:
        """The samples' parameters."""
        return samples(self.ranges(), SAMPLES)

    def band(self) -> Band:
        """The band."""
        margin = MODEL_ERROR if self.series_lamp_w is None else MARGIN
        model = self._model(self.values())
        return Band(model, nameplate_v=self.nameplate_v, nameplate_w=self.nameplate_w, margin=margin)

    def causes(self) -> Causes:
        """The causes that a unit of this class can have."""
        return self._causes(FOLLOWED[self.load_class], FORGOTTEN_S)

    def shapes(self) -> Shapes:
        """What the shape of the current says of them; behind a series lamp, which levels it, nothing."""
        looks = {} if self.series_lamp_w is not None else SHAPES.get(self.load_class, {})
        return Shapes(looks, nameplate_v=self.nameplate_v, nameplate_w=self.nameplate_w)

    def healthy(self) -> Causes:
        """A healthy unit alone, nothing of it forgotten."""
        return self._causes((Cause.NO_FAULT,), np.inf)

    def _causes(self, names: tuple[Cause, ...], forgotten_s: float) -> Causes:
        return Causes(
            self._model,
            names,
            self.ranges(),
            tuple({"arises": ARISES, **fault_ranges(self.load_class, name)} for name in names[1:]),
            nameplate_v=self.nameplate_v,
            nameplate_w=self.nameplate_w,
            error=ERRORS.get(self.load_class, ERROR),
            forgotten_s=forgotten_s,
        )

    def _model(self, values: Mapping[str, Floats]) -> Model:
        model: Model = FAMILIES[self.load_class](values)
        if self.series_lamp_w is not None:
            model = BehindLamp(model, values, self.series_lamp_w / self.nameplate_w)
        return model


@dataclass(frozen=True, slots=True)
class Shown:
    """What the readings of one unit showed of a parameter, in parts from 0 to 1 of its range's scale.

    ``own`` is the standard deviation of what they leave open.
    """

    mean: float
    own: float


def narrowed_by_known_good(basis: Basis, sights: Sequence[Sight]) -> dict[str, Span]:
    """What the readings of a unit known to be good leave of the ranges.

    Each parameter keeps what they showed, `KNOWN_GOOD_SIGMAS` standard deviations either side, and what two units of
    one model differ by, within its range.
    """
    ranges = basis.ranges()
    return {name: span_of_one(ranges[name], found) for name, found in shown_by(basis, sights).items()}


def shown_by(basis: Basis, sights: Sequence[Sight]) -> dict[str, Shown]:
    """What a unit's readings showed: samples come as close to it as they let them; their weighted mean and spread."""
    healthy = basis.healthy()
    state = healthy.begin()
    for sight in sights:
        state, _ = healthy.step(state, sight)
    weights = tempered(state.crowd.scores)
    return {name: _shown(parts, weights) for name, parts in zip(basis.ranges(), state.crowd.parts, strict=True)}


def _shown(parts: Floats, weights: Floats) -> Shown:
    mean = float(np.sum(weights * parts))
    return Shown(mean, float(np.sqrt(np.sum(weights * np.square(parts - mean)))))


def span_of_one(item: Range, shown: Shown) -> Span:
    """What one unit leaves of a range for another unit of its model; all of it, where units lie far ``apart``."""
    if item.apart:
        return item.low, item.high
    low, high = ends(item, shown.mean, KNOWN_GOOD_SIGMAS * shown.own)
    more = TOLERANCE * max(abs(low), abs(high))
    return max(low - more, item.low), min(high + more, item.high)


def ends(item: Range, mean: float, half: float) -> Span:
    """The values so far either side of a mean, in parts of the range, within it."""
    low, high = (float(item.at(np.array(np.clip(edge, 0.0, 1.0)))) for edge in (mean - half, mean + half))
    return low, high


def narrowed_by_facts(
    load_class: str, nameplate_v: float, nameplate_w: float, facts: Mapping[str, float]
) -> dict[str, Span]:
    """What facts about the unit leave of its class's ranges. Raises FactError.

    Each is taken to 20 %, but where its line in `FACTS` says otherwise; all relations are those of the models.
    Two facts that speak of the same parameter leave what both allow.
    """
    ranges = FAMILIES[load_class].ranges
    spans: dict[str, Span] = {}
    for name, value in facts.items():
        fact = FACTS.get(name)
        if fact is None:
            raise FactError(f"{name}: no such fact; known are {', '.join(FACTS)}")
        if not (np.isfinite(value) and value > 0.0):
            raise FactError(f"{name} = {value:g}: a fact is a number above zero")
        if fact.parameter not in ranges:
            raise FactError(f"{name} says nothing about the load class {load_class}")
        item = ranges[fact.parameter]
        low, high = fact.span(value, nameplate_v, nameplate_w, facts)
        if high < item.low or low > item.high:
            raise FactError(
                f"{name} = {value:g} cannot be of a {load_class} with a nameplate of {nameplate_w:g} W: by it"
                f" {fact.parameter} would be {low:.3g} to {high:.3g}, in this class it is {item.low:g} to"
                f" {item.high:g}. Check its unit, and the nameplate"
            )
        before = spans.get(fact.parameter, (item.low, item.high))
        span = max(low, before[0]), min(high, before[1])
        if span[0] > span[1]:
            raise FactError(
                f"{name} = {value:g} does not go with the facts given before it: by it {fact.parameter} would be"
                f" {low:.3g} to {high:.3g}, by them {before[0]:.3g} to {before[1]:.3g}. Check both"
            )
        spans[fact.parameter] = span
        if fact.parameter == "soft_ohm":
            spans["soft_share"] = (0.0, 0.0)
    return spans


@dataclass(frozen=True, slots=True)
class Fact:
    """A fact: which parameter it narrows, what it is, and how (volts, watts of the nameplate; the other facts)."""

    parameter: str
    what: str
    span: Callable[[float, float, float, Mapping[str, float]], Span]


def _about(value: float, part: float = 0.2) -> Span:
    return value * (1.0 - part), value * (1.0 + part)


def _reservoir(value: float, _volts: float, watts: float, facts: Mapping[str, float]) -> Span:
    if "rail_v" not in facts:
        raise FactError("reservoir_uf needs rail_v beside it: what it holds goes with the square of its voltage")
    # Two reservoirs of value microfarads at rail_v hold what one of this many seconds of nameplate current would.
    return _about(2.0 * value * 1e-6 * facts["rail_v"] ** 2 / (2.0 * watts), 0.3)


FACTS: Final[Mapping[str, Fact]] = {
    "va": Fact(
        "source_ohm",
        "transformer's rating, VA: regulation of 3 to 14 % at it (makers' tables, from memory)",
        lambda value, _v, watts, _f: (0.03 * watts / value, 0.14 * watts / value),
    ),
    "winding_ohm": Fact(
        "source_ohm",
        "resistance of the primary winding, ohm: of all that is ahead of the rectifier, 30 to 65 % (common practice)",
        lambda value, volts, watts, _f: (value * watts / volts**2 / 0.65, value * watts / volts**2 / 0.30),
    ),
    "rail_v": Fact(
        "drop",
        "size of one rail at full line, V: one diode of 0.6 to 1.1 V a rail",
        lambda value, _v, _w, _f: (0.6 / (value + 0.6), 1.1 / (value + 1.1)),
    ),
    "reservoir_uf": Fact("farad", "capacitance on each of two rails, microfarad, to 30 %", _reservoir),
    "idle_w": Fact(
        "idle",
        "power taken from the rails at idle, W, to 30 %",
        lambda value, _v, watts, _f: _about(value / watts, 0.3),
    ),
    "soft_start_ohm": Fact(
        "soft_ohm",
        "soft-start resistor in the primary, ohm",
        lambda value, volts, watts, _f: _about(value * watts / volts**2),
    ),
}
"""The facts that narrow a band, by the name they are given with."""
