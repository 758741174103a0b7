"""What a cold sheet still lacks, as questions: points over the channels, then the mains side. Pure."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

from rampguard.cold.mains_sheet import MainsSheet
from rampguard.cold.parts import PARTS, Kind
from rampguard.cold.point import OPEN_WORDS, Point
from rampguard.cold.sheet import ColdSheet

_OPEN_SAID: Final = (*OPEN_WORDS, "o", "ol", "o.l", "o.l.", "0l")
_FACTORS: Final = {"k": 1e3, "m": 1e6}
"""What a technician writes after a number of ohms: 12k, 2.2M."""
_MAINS: Final = (
    ("mains_v", "mains here, V"),
    ("nameplate_w", "nameplate: watts"),
    ("selector_v", "voltage selector as it stands, V (none: Enter)"),
    ("earth_continuity_ohm", "earth pin to touchable metal, leads included, ohm"),
    ("earth_leads_ohm", "of that, leads and cord by themselves, ohm"),
    ("insulation_mohm", "both mains pins together to touchable metal, switch on, Mohm"),
    ("insulation_test_v", "the tester's voltage, V"),
    ("fuse_a", "the fuse that is in it, A"),
    ("fuse_type", "printed on it: F, T, FF, M, TT"),
    ("fuse_marked_a", "marked beside its holder, A"),
    ("fuse_marked_type", "marked beside its holder: F, T, FF, M, TT"),
    ("winding_ohm", "primary at the plug, switch on, leads included, ohm"),
    ("winding_leads_ohm", "of that, the leads by themselves, ohm"),
    ("winding_degc", "how warm the copper is, degC"),
)
_OF_THE_EARTH: Final = ("earth_continuity_ohm", "earth_leads_ohm")


@dataclass(frozen=True, slots=True)
class Question:
    """One value that is missing: where it goes in the sheet, and what to do. ``point`` is empty for the mains side."""

    where: tuple[str, ...]
    text: str
    point: str = ""
    kind: Kind = Kind.RESISTANCE


def questions(sheet: ColdSheet) -> Iterator[Question]:
    """All that is missing, point by point, each over the channels; then the mains side, where the sheet has one."""
    for name, point in sheet.points.items():
        for channel in sheet.places(point):
            taken = sheet.taken(channel, name)
            for key, how in _ways(point):
                if getattr(taken, key) is None:
                    unit = "V, diode test" if point.kind is Kind.DIODE else "ohm"
                    text = f"{channel}, {name}: {point.where or PARTS[point.part].what}{how} [{unit}]"
                    yield Question(("readings", channel, name, key), text, name, point.kind)
    if sheet.mains is not None:
        yield from _of_the_mains(sheet.mains)


def _ways(point: Point) -> Iterator[tuple[str, str]]:
    if point.kind is Kind.RESISTANCE:
        yield "reads_ohm", ""
        return
    yield "reads_v", ""
    if point.reversed_good is not None:
        yield "reversed_v", ", LEADS SWAPPED"


def _of_the_mains(mains: MainsSheet) -> Iterator[Question]:
    for key, text in _MAINS:
        if key not in mains.model_fields_set and (mains.protective_earth or key not in _OF_THE_EARTH):
            yield Question(("mains", key), f"mains: {text}")


def understood(answer: str, question: Question) -> float | str | None:
    """What was typed, as the sheet has it; None for nothing. Raises ValueError, saying what to type."""
    said = answer.strip()
    if not said:
        return None
    if said.lower() in _OPEN_SAID:
        return OPEN_WORDS[0]
    if question.where[-1].endswith("_type"):
        return said.upper()
    return _number(said.lower(), scaled=question.where[-1].endswith("_ohm"))


def _number(said: str, *, scaled: bool) -> float:
    factor = _FACTORS.get(said[-1], 1.0) if scaled else 1.0
    plain = said[:-1] if factor != 1.0 else said
    try:
        return float(plain.strip().replace(",", ".")) * factor
    except ValueError:
        raise ValueError("type a number, or open; Enter alone to leave it for later; q to stop") from None
