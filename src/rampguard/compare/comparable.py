"""What can be compared at all: a series lamp, another class, an unplugged section make a current of their own."""

from __future__ import annotations

from enum import StrEnum

from rampguard.compare.side import Side


class Topic(StrEnum):
    """What is compared."""

    DRAWN = "current and power"
    RELAY = "where relays close"
    IDLE = "idle and warm-up"
    OFFSET = "offset"
    OUTCOME = "outcome and trip"


_OF_ALL = (Topic.DRAWN, Topic.RELAY, Topic.IDLE, Topic.OFFSET)


def incomparable(a: Side, b: Side) -> dict[Topic, tuple[str, ...]]:
    """Why what cannot be compared, by topic; a topic that can is not in it. The outcome always can."""
    found: dict[Topic, list[str]] = {}
    for topics, why in _reasons(a, b):
        for topic in topics:
            found.setdefault(topic, []).append(why)
    return {topic: tuple(why) for topic, why in found.items()}


def _reasons(a: Side, b: Side) -> list[tuple[tuple[Topic, ...], str]]:
    """Each difference between the units or the benches, and what it spoils."""
    reasons: list[tuple[tuple[Topic, ...], str]] = []
    mine, theirs = a.facts, b.facts
    if mine.get("load_class") != theirs.get("load_class"):
        reasons.append((_OF_ALL, f"load classes {mine.get('load_class')} and {theirs.get('load_class')}"))
    if a.nameplate_w != b.nameplate_w:
        spoiled = (Topic.DRAWN, Topic.IDLE)
        reasons.append((spoiled, f"nameplates of {a.nameplate_w:g} W and {b.nameplate_w:g} W"))
    if mine.get("series_lamp_w") != theirs.get("series_lamp_w"):
        lamps = " and ".join(_lamp(facts.get("series_lamp_w")) for facts in (mine, theirs))
        reasons.append((_OF_ALL, lamps))
    if sorted(mine.get("unplugged") or ()) != sorted(theirs.get("unplugged") or ()):
        out = " and ".join(", ".join(facts.get("unplugged") or ()) or "nothing" for facts in (mine, theirs))
        reasons.append(((Topic.DRAWN, Topic.RELAY), f"{out} unplugged"))
    if (mine.get("direct_after") is None) != (theirs.get("direct_after") is None):
        reasons.append(((Topic.RELAY,), "one is a switch-on at full mains, the other a ramp"))
    return reasons


def mains_part(a: Side, b: Side) -> float:
    """By what part mains of another frequency may change what is drawn: magnetising current goes with it."""
    first, second = (float(side.facts.get("mains_frequency_hz") or 50.0) for side in (a, b))
    return abs(first - second) / min(first, second)


def _lamp(watts: object) -> str:
    return "no series lamp" if watts is None else f"a series lamp of {watts:g} W"
