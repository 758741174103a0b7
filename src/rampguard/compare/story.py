"""A comparison in lines of at most 80 characters, and as a JSON message."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator, Sequence
from dataclasses import asdict
from string import ascii_uppercase
from typing import Any, Final

from rampguard.compare.comparable import Topic
from rampguard.compare.differences import Comparison, between_channels
from rampguard.compare.judging import Difference, Seen
from rampguard.compare.side import Hold, Side

WIDTH: Final = 80
LETTERS: Final = ascii_uppercase
_TOLD: Final = (Seen.HIGHER, Seen.LOWER)
_NOT_THE_SAME: Final = (
    "No difference seen is what these meters and these line voltages can tell, beside what healthy units differ by. It"
    " does not say that they are the same."
)


def told(sides: Sequence[Side], comparisons: Sequence[Comparison]) -> list[str]:
    """Everything, in lines."""
    lines = [line for letter, side in zip(LETTERS, sides, strict=False) for line in _side(letter, side)]
    for letter, comparison in zip(LETTERS[1:], comparisons, strict=False):
        lines += ["", *_comparison(letter, comparison)]
    for letter, side in zip(LETTERS, sides, strict=False):
        channels = between_channels(side)
        if channels:
            lines += ["", f"Channels of {letter}", *map(_line, channels)]
    return [*lines, "", *_wrapped(_NOT_THE_SAME, "")]


def _side(letter: str, side: Side) -> Iterator[str]:
    facts = side.facts
    yield from _wrapped(f"{letter}  {side.name}", "", "   ")
    lamp = "" if facts.get("series_lamp_w") is None else f", behind a series lamp of {facts['series_lamp_w']:g} W"
    out = f", unplugged: {', '.join(facts['unplugged'])}" if facts.get("unplugged") else ""
    simulated = "" if facts.get("clock") == "wall" else ", simulated bench"
    yield from _wrapped(
        f"{facts.get('unit')}: {facts.get('load_class')}, {side.nameplate_w:g} W at {side.nameplate_v:g} V"
        f"{lamp}{out}{simulated}",
        "   ",
    )
    yield from _wrapped(f"{_outcome(side)}; {len(side.holds)} holds on the way up", "   ")


def _outcome(side: Side) -> str:
    trip = side.trip
    if trip is None:
        return side.outcome
    volts = trip.get("line_voltage_v")
    where = f" at {volts:.3g} V" if isinstance(volts, int | float) else ""
    return f"{side.outcome}{where} after {trip.get('time_s', float('nan')):.4g} s: {trip.get('reason', '')}"


def _comparison(letter: str, comparison: Comparison) -> Iterator[str]:
    yield f"{f'{letter} against A':<32}{'A':>9} {letter:>10}    {f'{letter}/A':>5}"
    yield from map(_line, comparison.differences)
    yield from _holds(comparison.at_holds)
    yield from _limits_of(comparison)
    different = [one for one in comparison.differences if one.seen in _TOLD]
    outcome = _outcomes_differ(letter, comparison)
    if different or outcome:
        yield from _wrapped(f"Differences: {'; '.join([*outcome, *(_said(one) for one in different)])}.", "  ")
    elif any(one.seen is Seen.NONE for one in comparison.differences):
        yield "  No difference seen."
    else:
        yield "  Nothing else could be compared."


def _line(one: Difference) -> str:
    ratio = "" if one.ratio is None else f"x{one.ratio:.2f}"
    cells = f"{_value(one.reference, one.unit):>11} {_value(one.other, one.unit):>10}"
    return f"  {_cut(one.what, 28):<28} {cells} {ratio:>6}  {one.seen}"


def _value(value: float | None, unit: str) -> str:
    """With three digits, in thousandths where it is small."""
    if value is None:
        return "-"
    if unit in ("A", "V") and abs(value) < 0.9995:
        return f"{1e3 * value:.3g} m{unit}"
    return f"{value:.4g} {unit}" if abs(value) >= 100.0 else f"{value:.3g} {unit}"


def _holds(at_holds: Sequence[Difference]) -> Iterator[str]:
    """What the line voltages at which both stood still add."""
    if not at_holds:
        return
    different = [one for one in at_holds if one.seen in _TOLD]
    where = "line voltage" if len(at_holds) == 1 else "line voltages"
    if not different:
        seen = at_holds[0].seen if len({one.seen for one in at_holds}) == 1 else Seen.NONE
        yield from _wrapped(f"current at the {len(at_holds)} {where} where both stood still: {seen}", "  ")
        return
    most = max(different, key=lambda one: abs((one.ratio or 1.0) - 1.0))
    volts = ", ".join(f"{one.line_voltage_v:.3g}" for one in different)
    text = (
        f"current where both stood still differs at {len(different)} of {len(at_holds)} {where}"
        f" ({volts} V), most at {most.line_voltage_v:.3g} V: {_value(most.other, 'A')} to {_value(most.reference, 'A')}"
    )
    yield from _wrapped(text, "  ")


def _limits_of(comparison: Comparison) -> Iterator[str]:
    by_reason: dict[str, list[Topic]] = {}
    for topic, reasons in comparison.incomparable.items():
        for reason in reasons:
            by_reason.setdefault(reason, []).append(topic)
    for reason, topics in by_reason.items():
        yield from _wrapped(f"Not comparable: {', '.join(topics)}: {reason}.", "  ")
    if by_reason:
        left = [topic for topic in Topic if topic not in comparison.incomparable]
        yield from _wrapped(f"What can be compared all the same: {', '.join(left)}.", "  ")
    scale = comparison.reference.nameplate_v / comparison.other.nameplate_v
    if abs(scale - 1.0) > 1e-6:
        yield from _wrapped(
            f"Other mains: volts are scaled by {scale:.3g} to A's nameplate voltage, and amperes by {1 / scale:.3g}.",
            "  ",
        )


def _outcomes_differ(letter: str, comparison: Comparison) -> list[str]:
    first, second = comparison.reference.outcome, comparison.other.outcome
    return [] if first == second else [f"A {first}, {letter} {second}"]


def _said(one: Difference) -> str:
    if one.ratio is not None and one.reference:
        return f"{one.what}: {one.ratio:.2f} times A's"
    return f"{one.what}: {_value(one.other, one.unit)} to A's {_value(one.reference, one.unit)}"


def _cut(text: str, longest: int) -> str:
    return text if len(text) <= longest else f"{text[: longest - 1]}…"


def _wrapped(text: str, indent: str, following: str | None = None) -> list[str]:
    after = indent + "  " if following is None else following
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=after, break_on_hyphens=False)


# -- as a message -------------------------------------------------------------------------------------------------


def message(sides: Sequence[Side], comparisons: Sequence[Comparison]) -> dict[str, Any]:
    """Everything, as `--json` prints it. Line voltages are on A's mains, but those of ``holds``."""
    return {
        "format": 1,
        "captures": [_side_message(side) for side in sides],
        "comparisons": [
            {
                "reference": comparison.reference.name,
                "other": comparison.other.name,
                "not_comparable": {str(topic): list(why) for topic, why in comparison.incomparable.items()},
                "differences": [_difference(one) for one in comparison.differences],
                "at_holds": [_difference(one) for one in comparison.at_holds],
            }
            for comparison in comparisons
        ],
    }


def _side_message(side: Side) -> dict[str, Any]:
    names = ("unit", "load_class", "nameplate_w", "nameplate_v", "mains_frequency_hz", "series_lamp_w", "unplugged")
    return {
        "capture": side.name,
        **{name: side.facts.get(name) for name in names},
        "outcome": side.outcome,
        "trip": None if side.trip is None else dict(side.trip),
        "holds": [_hold(hold) for hold in side.holds],
        "channels": [_difference(one) for one in between_channels(side)],
    }


def _hold(hold: Hold) -> dict[str, Any]:
    power = None if hold.power_w is None else hold.power_w.value
    return {"line_voltage_v": hold.line_v.value, "line_current_a": hold.current_a.value, "real_power_w": power}


def _difference(one: Difference) -> dict[str, Any]:
    found = {name: str(value) if isinstance(value, str) else value for name, value in asdict(one).items()}
    return found | {"ratio": one.ratio, "beyond_meters": one.beyond_meters}
