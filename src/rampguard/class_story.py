"""`rampguard classes`: what each load class expects of a healthy unit, in a table, and the ranges that it comes from.

The table is the band before any reading, along a ramp of `RAMP_S` with a hold of `HOLD_S` at each tenth: the same
samples and the same models as those that guard a run.
"""

from __future__ import annotations

import textwrap
from collections.abc import Mapping
from dataclasses import dataclass, replace
from typing import Any, Final

from rampguard.loads.basis import FACTS, Basis, narrowed_by_facts
from rampguard.loads.classes import LOAD_CLASSES, LoadClass, load_class
from rampguard.loads.following import Sight
from rampguard.quantities import Expectation

RAMP_S: Final = 60.0
HOLD_S: Final = 3.0
STEP_S: Final = 0.5
_ASSUMED_W: Final = 100.0


@dataclass(frozen=True, slots=True)
class ToldClass:
    """One class: its band at each tenth of line, and its parameters."""

    load_class: LoadClass
    basis: Basis
    rows: tuple[tuple[int, Expectation], ...]
    """Per cent of line, and what is expected there."""
    absolute: bool
    """Whether amperes and watts are a given nameplate's; otherwise per cent of nameplate are told."""


@dataclass(frozen=True, slots=True)
class ClassStory:
    """All that was asked for. ``whole``: one class with its ranges."""

    classes: tuple[ToldClass, ...]
    whole: bool

    @property
    def as_message(self) -> dict[str, Any]:
        """As JSON. Amperes, watts and volts rms where a nameplate was given, parts of nameplate otherwise."""
        return {"format": 1, "classes": [_message(told) for told in self.classes]}

    @property
    def as_text(self) -> str:
        """In lines of 100 characters at most."""
        parts = [_text(told, whole=self.whole) for told in self.classes]
        if not self.whole:
            parts.append("rampguard classes CLASS tells one class whole: every range, its reason, and what narrows it.")
        return "\n\n".join(parts)


def told_classes(
    name: str | None,
    nameplate_v: float,
    nameplate_w: float | None,
    facts: Mapping[str, float],
    series_lamp_w: float | None,
) -> ClassStory:
    """One class, or all. Raises UnknownLoadClass, FactError."""
    chosen = [load_class(name)] if name is not None else list(LOAD_CLASSES.values())
    return ClassStory(
        tuple(_tell(item, nameplate_v, nameplate_w, facts, series_lamp_w) for item in chosen), name is not None
    )


def _tell(
    item: LoadClass,
    nameplate_v: float,
    nameplate_w: float | None,
    facts: Mapping[str, float],
    series_lamp_w: float | None,
) -> ToldClass:
    watts = nameplate_w or _ASSUMED_W
    basis = Basis(load_class=item.name, nameplate_v=nameplate_v, nameplate_w=watts, series_lamp_w=series_lamp_w)
    basis = replace(basis, narrowed=narrowed_by_facts(item.name, nameplate_v, watts, facts))
    band, rows, now_s = basis.band(), [], 0.0
    state, pressed = band.begin(), item.press_power_at_fraction is None
    part = 0.0
    for tenth in range(1, 11):
        while part < tenth / 10 - 1e-9:
            part = min(tenth / 10, part + STEP_S / RAMP_S)
            now_s += STEP_S
            state, _ = band.step(state, Sight(time_s=now_s, line_voltage_v=part * nameplate_v))
        press = not pressed and part >= (item.press_power_at_fraction or 0.0)
        pressed = pressed or press
        expected = Expectation()
        for _ in range(round(HOLD_S / STEP_S)):
            now_s += STEP_S
            state, expected = band.step(state, Sight(time_s=now_s, line_voltage_v=part * nameplate_v, event=press))
            press = False
        rows.append((10 * tenth, expected))
    return ToldClass(item, basis, tuple(rows), nameplate_w is not None)


def _message(told: ToldClass) -> dict[str, Any]:
    basis = told.basis
    amperes, watts = (1.0, 1.0) if told.absolute else (basis.nameplate_w / basis.nameplate_v, basis.nameplate_w)
    return {
        "load_class": told.load_class.name,
        "title": told.load_class.title,
        "nameplate_w": basis.nameplate_w if told.absolute else None,
        "expected": [
            {
                "percent_of_line": percent,
                "current": None if e.current_a is None else [e.current_a.low / amperes, e.current_a.high / amperes],
                "power": None if e.power_w is None else [e.power_w.low / watts, e.power_w.high / watts],
            }
            for percent, e in told.rows
        ],
        "ranges": {
            name: {"low": item.low, "high": item.high, "logarithmic": item.log, "why": item.why}
            for name, item in basis.ranges().items()
        },
    }


def _text(told: ToldClass, *, whole: bool) -> str:
    basis, plate = told.basis, told.load_class
    lines = [f"{plate.name} ({plate.title})"]
    if told.absolute:
        lines.append(
            f"  nameplate {basis.nameplate_w:g} W at {basis.nameplate_v:g} V; before any reading, expected are"
        )
        amperes = watts = 1.0
        head = "  % of line      current, A rms          real power, W"
    else:
        lines.append("  before any reading, expected are, in per cent of nameplate current and power")
        amperes, watts = basis.nameplate_w / basis.nameplate_v / 100.0, basis.nameplate_w / 100.0
        head = "  % of line        current, %               power, %"
    lines.append(head)
    for percent, e in told.rows:
        if e.current_a is None or e.power_w is None:
            lines.append(f"  {percent:9d}      {e.why_not}")
            continue
        current = f"{e.current_a.low / amperes:9.3g} to {e.current_a.high / amperes:7.3g}"
        power = f"{e.power_w.low / watts:9.3g} to {e.power_w.high / watts:7.3g}"
        lines.append(f"  {percent:9d}  {current:>20}    {power:>20}")
    lines.append(
        f"  ceilings: {plate.current_ratio:g} of nameplate current, {plate.power_ratio:g} of nameplate power"
        + (f"; pressed at {100 * plate.press_power_at_fraction:g} % of line" if plate.press_power_at_fraction else "")
    )
    return "\n".join([*lines, *(_ranges(basis) if whole else [])])


def _ranges(basis: Basis) -> list[str]:
    lines = ["", "  parameters, in terms of the nameplate, and why"]
    ranges = basis.ranges()
    for name, item in ranges.items():
        told = f"  {name:17s} {item.low:8.4g} to {item.high:<8.4g} "
        lines += textwrap.wrap(item.why, 100, initial_indent=told, subsequent_indent=" " * len(told))
    facts = [(name, fact) for name, fact in FACTS.items() if fact.parameter in ranges]
    if facts:
        lines += ["", "  narrowed by --facts name=number,.. (or [unit.facts] in the bench file)"]
        lines += [f"  {name:17s} {fact.what}" for name, fact in facts]
    return lines
