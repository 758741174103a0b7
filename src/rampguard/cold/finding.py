"""What a cold sheet comes to, one finding for each thing that was, or should have been, measured."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum
from typing import Any, Final

OPEN_WORD: Final = "open"


class Verdict(StrEnum):
    """How one thing stands."""

    GOOD = "good"
    SHORTED = "shorted"
    OPEN = "open"
    ODD = "leaky-or-odd"
    DIFFERS = "differs"
    """From the one other channel: nobody can say which of the two is wrong."""
    WRONG = "wrong"
    """A mains check that fails."""
    NOT_EVALUATED = "not-evaluated"


CONDEMNS: Final = (Verdict.SHORTED, Verdict.OPEN, Verdict.WRONG, Verdict.ODD, Verdict.DIFFERS)
"""Verdicts that something is wrong, the plainest first."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One finding. ``channel`` is empty for a mains check, both for two channels that differ; texts may be empty."""

    channel: str
    what: str
    """The point, or the mains check, by its name on the sheet."""
    verdict: Verdict
    where: str = ""
    reads: str = ""
    good: str = ""
    """What a good one reads."""
    do: str = ""
    readings: Mapping[str, float] = field(default_factory=dict)
    """By their keys on the sheet, as they were written there: leads and all."""

    @property
    def is_wrong(self) -> bool:
        """Whether something is wrong; what was not evaluated is not wrong, nor has it passed."""
        return self.verdict in CONDEMNS

    @property
    def text(self) -> str:
        """In one line: which channel, which point, what it reads, what a good one reads, what to do."""
        place = f"{self.channel}, {self.what}" if self.channel else self.what
        named = f"{place} ({self.where})" if self.where else place
        parts = [f"{named}: {str(self.verdict).replace('-', ' ')}"]
        parts += [self.reads] if self.reads else []
        parts += [f"a good one reads {self.good}"] if self.good else []
        return "; ".join(parts) + (f". {self.do}" if self.do else "")

    @property
    def as_message(self) -> dict[str, Any]:
        """As JSON."""
        return {
            "channel": self.channel,
            "point": self.what,
            "verdict": str(self.verdict),
            "readings": {key: OPEN_WORD if math.isinf(value) else value for key, value in self.readings.items()},
            "reads": self.reads,
            "good": self.good,
            "do": self.do,
        }


def told(value: float, unit: str) -> str:
    """A reading in words, with its unit."""
    if math.isinf(value):
        return "open"
    if unit == "ohm" and value >= 1e6:
        return f"{value / 1e6:.3g} Mohm"
    if unit == "ohm" and value >= 1e3:
        return f"{value / 1e3:.3g} kohm"
    return f"{value:.3g} {unit}"


def told_span(low: float, high: float, unit: str) -> str:
    """What a good one reads, in words."""
    if math.isinf(high):
        return f"{told(low, unit)} or more, or open"
    return f"{told(high, unit)} at most" if low == 0.0 else f"{told(low, unit)} to {told(high, unit)}"
