"""What was learnt, in lines of text of 80 columns."""

from __future__ import annotations

import textwrap
from collections.abc import Iterator
from typing import Final

from rampguard.cautions import NO_SAFETY_DEVICE
from rampguard.learnt.model import Learnt, kept
from rampguard.loads.learnt import CONFIDENCE, COVERAGE
from rampguard.loads.tolerance import tolerance_factor

WIDTH: Final = 80
FEW: Final = 6
"""Below so many units a spread is worth little."""
NARROWED: Final = 0.995
"""A range of which more is left is as the class has it."""


def story_of(learnt: Learnt) -> str:
    """All of it."""
    mains = f"{learnt.nameplate_w:g} W, {learnt.nameplate_v:g} V, {learnt.mains_frequency_hz:g} Hz"
    lamp = "" if learnt.series_lamp_w is None else f", behind a series lamp of {learnt.series_lamp_w:g} W"
    head = _wrapped(f"{learnt.model}: {learnt.load_class}, {mains}{lamp}; {learnt.rests_on}.")
    return "\n".join([*head, "", *_units(learnt), "", *_table(learnt), "", *_means(learnt)])


def _units(learnt: Learnt) -> Iterator[str]:
    for unit in learnt.units:
        yield from _wrapped(f"{unit.name}: {', '.join(one.folder for one in unit.captures)}", "  ")


def _table(learnt: Learnt) -> Iterator[str]:
    ranges = learnt.ranges
    yield f"  {'parameter':<18}{'of the class':<21}{'of a fresh unit':<21}left of it"
    for name, (low, high) in learnt.spans.items():
        item = ranges[name]
        left = kept(item, low, high)
        own = f"{low:.3g} to {high:.3g}" if left < NARROWED else "the same"
        yield f"  {name:<18}{f'{item.low:.3g} to {item.high:.3g}':<21}{own:<21}{100 * left:.0f} %"


def _means(learnt: Learnt) -> Iterator[str]:
    count = len(learnt.units)
    yield from _wrapped(
        f"Numbers are in terms of the nameplate; what each is: rampguard classes {learnt.load_class}."
        " A range is left as wide as what a single ramp tells of it, and never wider than the class's."
    )
    if count == 1:
        yield from _wrapped(
            "Of one unit there is no spread: two units of a model are taken to differ by 10 % in a parameter (common"
            " practice, no source), which real tolerances may pass. Learn from more units as they come."
        )
    else:
        factor = tolerance_factor(count, COVERAGE, CONFIDENCE)
        few = (
            " So few say little of a spread: mostly a range is what any one of them, alone, leaves."
            if count < FEW
            else ""
        )
        yield from _wrapped(
            f"{100 * COVERAGE:g} % of the model's units, with {100 * CONFIDENCE:g} % confidence: of {count} units that"
            f" takes {factor:.1f} standard deviations either side.{few}"
        )
    yield from _wrapped(f"A band says what good units drew, not that the next one is good. {NO_SAFETY_DEVICE}")


def _wrapped(text: str, indent: str = "") -> list[str]:
    return textwrap.wrap(text, WIDTH, initial_indent=indent, subsequent_indent=indent * 2, break_on_hyphens=False)
