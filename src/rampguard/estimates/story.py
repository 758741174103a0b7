"""Estimates as they are told: a table, what each line means, and what this ramp does not tell."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Mapping
from typing import Any, Final

from rampguard.estimates.estimate import SURE, Estimate, Estimates

WIDTH: Final = 79
REGULATION: Final = (0.03, 0.14)
"""Regulation of a transformer at its rating, toroids to small frames (makers' tables, from memory)."""
_HEAD: Final = f"{'':29}{'estimate':>11} {'95 % interval':>18}{'class alone, 95 %':>19}"


def as_message(found: Estimates, nominal: Mapping[str, float]) -> dict[str, Any]:
    """As JSON. Each quantity in the unit that its name ends with."""
    return {
        "format": 1,
        "load_class": found.unit.load_class,
        "nameplate_v": found.unit.nameplate_v,
        "nameplate_w": found.unit.nameplate_w,
        "moments": found.moments,
        "highest_line_voltage_v": found.to_v * found.unit.nameplate_v,
        "fits": found.fits,
        "misfit": found.misfit,
        "estimates": [_message(answer, found, nominal) for answer in found.answers],
        "soft_start": None if found.soft_start is None else _soft_message(found),
    }


def _message(answer: Estimate, found: Estimates, nominal: Mapping[str, float]) -> dict[str, Any]:
    return {
        "quantity": answer.name,
        "told": found.fits and answer.told,
        "estimate": answer.estimate,
        "interval_95": [answer.low, answer.high],
        "class_alone_95": None if answer.measured else [answer.class_low, answer.class_high],
        "nominal": nominal.get(answer.name),
        "means": _meaning(answer, found, nominal) if found.fits and answer.told else NOT_TOLD,
    }


def _soft_message(found: Estimates) -> dict[str, Any]:
    at = found.bypass_at
    volts = None if at is None else [edge * found.unit.nameplate_v for edge in at]
    return {"probability": found.soft_start, "bypassed_at_line_voltage_v_low_middle_high": volts}


def as_text(name: str, found: Estimates, nominal: Mapping[str, float]) -> str:
    """In lines of `WIDTH` characters at most."""
    unit = found.unit
    lines = _wrapped(
        f"{name}: {unit.load_class}, {unit.nameplate_w:g} W at {unit.nameplate_v:g} V;"
        f" {found.moments} moments, up to {100.0 * found.to_v:.0f} % of line",
        "",
    )
    if not found.fits:
        return "\n".join([*lines, *_wrapped(_misfit(found), "")])
    told = [answer for answer in found.answers if answer.told]
    if told:
        lines += ["", _HEAD]
    for answer in told:
        lines += [_row(answer), *_wrapped(_meaning(answer, found, nominal), "    ")]
    lines += _untold(found)
    return "\n".join([*lines, *_foot(found, nominal)])


def _row(answer: Estimate) -> str:
    alone = "" if answer.measured else _range(answer.class_low, answer.class_high)
    value = f"{_number(answer.estimate):>7} {answer.unit}"
    return f"  {answer.title:27}{value:12}{_range(answer.low, answer.high):>18}{alone:>19}".rstrip()


def _range(low: float, high: float) -> str:
    return f"{_number(low)} to {_number(high)}"


def _number(value: float) -> str:
    """Three significant figures, without exponents."""
    if value >= 1000.0:
        return f"{round(value, 3 - len(str(int(value)))):.0f}"
    text = f"{value:.3g}"
    return text if "e" not in text else f"{value:.5f}"


def _meaning(answer: Estimate, found: Estimates, nominal: Mapping[str, float]) -> str:
    words = _MEANINGS[answer.name]
    text = str(words(answer, found) if callable(words) else words)
    given = nominal.get(answer.name)
    if given is None:
        return text
    low, high = 100.0 * answer.low / given, 100.0 * answer.high / given
    return f"{low:.0f} to {high:.0f} % of the nominal {_number(given)} {answer.unit}; {text}"


def _source(answer: Estimate, found: Estimates) -> str:
    at_plate = [100.0 * edge / found.unit.ohm for edge in (answer.low, answer.high)]
    least, most = REGULATION[0] * found.unit.ohm / answer.high, REGULATION[1] * found.unit.ohm / answer.low
    va = [_number(part * found.unit.nameplate_w) for part in (least, most)]
    return (
        f"windings, referred to the line, and your bench's own share: {at_plate[0]:.1f} to {at_plate[1]:.1f} % of"
        f" regulation at nameplate power. A transformer of {va[0]} to {va[1]} VA, if 3 to 14 % are lost at its rating"
    )


def _soft(answer: Estimate, found: Estimates) -> str:
    at = found.bypass_at or (0.0, 0.0, 0.0)
    edges = [_number(edge * found.unit.nameplate_v) for edge in at]
    return (
        f"in the primary, {_sure(found.soft_start or 0.0)}; its relay pulled in at {edges[0]} to {edges[2]} V of line"
    )


_MEANINGS: Final[Mapping[str, Any]] = {
    "idle_w": "at the ramp's end: what the line gives, less what core and windings lose",
    "output_stages_w": "what came on with the rails, of all channels together. Which one draws it, their"
    " emitter resistors tell",
    "energy_j": "from what charged them while the line moved; it stays there after off: discharge, and measure",
    "reservoir_uf": "on each metered rail, taken as alike and as all the rails there are",
    "rail_v": lambda answer, found: (
        "as metered at the end" if answer.measured else "by the part of it that its diodes drop; clip a meter to it"
    ),
    "source_ohm": _source,
    "core_loss_w": "at full line, by the models; it goes with the square of the line",
    "magnetising_a": "at full line, by the models",
    "soft_start_ohm": _soft,
}
NOT_TOLD: Final = "cannot be identified from this ramp: hardly less is left than the class allows"


def _untold(found: Estimates) -> Iterator[str]:
    untold = [answer for answer in found.answers if not answer.told]
    if not untold:
        return
    yield ""
    yield "  Cannot be identified from this ramp (hardly less is left than the class has):"
    for answer in untold:
        alone = _range(answer.class_low, answer.class_high)
        yield f"    {answer.title}: {_range(answer.low, answer.high)} {answer.unit}; the class alone {alone}"


def _foot(found: Estimates, nominal: Mapping[str, float]) -> Iterator[str]:
    yield ""
    yield from _wrapped(_of_soft_start(found), "  ")
    if not found.rails:
        asked = "The nominal reservoir was not compared: " if "reservoir_uf" in nominal else ""
        yield from _wrapped(
            f"{asked}microfarads need a rail's voltage, and no meter read one. Joules are told without.", "  "
        )
    if found.to_v < 0.95:
        yield from _wrapped(
            f"The line came to {100.0 * found.to_v:.0f} % only: what is said of full line is the models' word.", "  "
        )
    yield from _wrapped("Estimates of a unit taken as healthy. None of it replaces a measurement.", "  ")


def _of_soft_start(found: Estimates) -> str:
    if found.soft_start is None and found.unit.load_class == "receiver":
        return "A receiver's soft start is over within a second of its power button: this ramp does not tell of it."
    if found.soft_start is None:
        return "The line did not come far enough to tell of a soft start."
    if found.soft_start < 1.0 - SURE:
        return f"No soft start that this ramp could see ({_sure(1.0 - found.soft_start)})."
    if found.soft_start > SURE:
        return "There is a soft start."
    return f"Whether there is a soft start, this ramp does not tell: {100.0 * found.soft_start:.0f} % likely."


def _sure(probability: float) -> str:
    return "more than 99 % sure" if probability > 0.99 else f"{100.0 * probability:.0f} % sure"


def _misfit(found: Estimates) -> str:
    return (
        f"No {found.unit.load_class} that the models know would have been read like this (misfit {found.misfit:.1f};"
        " below 2 is usual): nothing is told. Check load class and nameplate, and what the replay says of the unit."
    )


def _wrapped(text: str, indent: str) -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent)
