"""What to unplug next, and when enough is known. Pure.

One section more is unplugged each time, the likeliest to carry the fault first: what has the fault plugged in costs
energy, what has it out costs next to none.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Final

from rampguard.hunt.places import AHEAD, Belief, Healthy, Measurement, Places, believe

SURE: Final = 0.98
"""From here on nothing more is unplugged."""
TOLD: Final = 0.5
"""Below this no place is named as the one."""


@dataclass(frozen=True, slots=True)
class Next:
    """What to do next: unplug one section more, or nothing, since enough is known or nothing is left to learn."""

    unplug: str | None
    belief: Belief


def what_next(suspects: Mapping[str, float], healthy: Healthy, measured: tuple[Measurement, ...]) -> Next:
    """What to do after these measurements, the first of which has everything plugged in."""
    belief = believe(suspects, healthy, measured)
    out = measured[-1].unplugged if measured else frozenset()
    left = [name for name in suspects if name not in out]
    if not left or (len(measured) > 1 and belief.best[1] >= SURE):
        return Next(None, belief)
    return Next(max(left, key=belief.carries), belief)


def verdict(belief: Belief) -> str:
    """What is to be told of it, in a sentence or two."""
    places, sure = belief.best
    how = f"{100.0 * min(sure, 0.999):.3g} %"
    if sure < TOLD:
        ranked = sorted(belief.by_places.items(), key=lambda item: -item[1])[:3]
        some = "; ".join(f"{place_words(one)} {100.0 * p:.0f} %" for one, p in ranked)
        return f"cannot tell which section carries the fault: {some}"
    if not places:
        return f"no fault shows at this line voltage ({how} sure)"
    if places == {AHEAD}:
        return (
            f"the fault lies ahead of all sections ({how} sure): mains parts, transformer, rectifier, reservoirs, or"
            " wiring between them"
        )
    verb = "carries the fault" if len(places) == 1 else "each carry a fault"
    return f"{place_words(places)} {verb} ({how} sure)"


def place_words(places: Places) -> str:
    """The places of a hypothesis in words."""
    if not places:
        return "no fault"
    names = [name or "what lies ahead of all sections" for name in sorted(places, key=lambda name: (not name, name))]
    return " and ".join(names)
