"""How a run ended, in lines of text: off proven or not, what reservoirs hold, what was checked, the likely causes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from rampguard.cause_story import cause_lines
from rampguard.cautions import NOT_PROVEN_OFF_BANNER, RESERVOIRS
from rampguard.course_story import check_lines
from rampguard.readings_words import reservoir_lines


def end_lines(summary: Mapping[str, Any]) -> Iterator[str]:
    """Of a run's result, what matters most first."""
    yield from off_lines(summary)
    yield from check_lines(summary.get("checks", []))
    yield outcome_line(summary)
    yield from causes_of(summary)
    if summary["capture"]:
        yield f"capture: {summary['capture']}"


def outcome_line(summary: Mapping[str, Any]) -> str:
    """How it ended, and why it tripped if it did."""
    trip = summary["trip"]
    return f"outcome: {summary['outcome']}" + (f" ({trip['reason']})" if trip else "")


def off_lines(summary: Mapping[str, Any]) -> Iterator[str]:
    """Whether off is proven, and what reservoirs hold."""
    if not summary["off"]["proven"]:
        yield NOT_PROVEN_OFF_BANNER
    yield from proof_lines(summary)


def proof_lines(summary: Mapping[str, Any]) -> Iterator[str]:
    """What speaks for its being off, and what reservoirs hold; where off is not proven, what is known."""
    off = summary["off"]
    if off["proven"]:
        yield f"OFF, proven: {'; '.join(off['by'])}"
        yield from reservoir_lines(summary.get("reservoirs", {}))
        yield RESERVOIRS
    else:
        yield f"what is known: {'; '.join([*off['by'], *off['problems']]) or 'nothing'}"


def causes_of(summary: Mapping[str, Any], width: int = 100) -> Iterator[str]:
    """The likely causes, with what to measure next, in lines no longer than ``width``."""
    yield from cause_lines(
        causes_in(summary), tripped=summary["trip"] is not None, width=width, wave=summary.get("wave")
    )


def causes_in(summary: Mapping[str, Any]) -> Sequence[tuple[str, float]]:
    """The causes and their probabilities, best first."""
    return tuple((found["cause"], found["probability"]) for found in summary.get("causes", []))
