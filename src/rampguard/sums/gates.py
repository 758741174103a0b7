"""Pre-arcing gates of miniature fuses (IEC 60127-2), as makers print them. Data, and what holds between gates. Pure.

A gate is a multiple of rated current with the least and the longest time until the fuse's wire has melted. Where
sources differ the more careful one is here: the lesser least, the greater longest.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import Final

HOUR_S: Final = 3600.0


@dataclass(frozen=True, slots=True)
class Gate:
    """Times in s; None: not stated."""

    multiple: float
    least_s: float | None
    longest_s: float | None


@dataclass(frozen=True, slots=True)
class Gates:
    """The gates of one kind of fuse for ratings from ``from_a`` to ``to_a``, amperes."""

    sheet: int
    from_a: float
    to_a: float
    gates: tuple[Gate, ...]
    source: str


_SHEET_3: Final = "sheet 3, as printed by two makers (Schurter FST, Littelfuse 213)"
_SHEET_5: Final = "sheet 5, as printed by two makers (Schurter SMD-SPT, Littelfuse 215)"
_SHEET_12: Final = "sheets 1 and 2, from memory"

TABLE: Final = (
    Gates(
        3,
        0.05,
        0.1,
        (
            Gate(1.5, HOUR_S, None),
            Gate(2.1, None, 120.0),
            Gate(2.75, 0.2, 10.0),
            Gate(4, 0.04, 3.0),
            Gate(10, 0.01, 0.3),
        ),
        "sheet 3, as printed by one maker (Schurter FST)",
    ),
    Gates(
        3,
        0.125,
        6.3,
        (
            Gate(1.5, HOUR_S, None),
            Gate(2.1, None, 120.0),
            Gate(2.75, 0.6, 10.0),
            Gate(4, 0.15, 3.0),
            Gate(10, 0.02, 0.3),
        ),
        _SHEET_3,
    ),
    Gates(
        3,
        8.0,
        20.0,
        (
            Gate(1.5, 0.5 * HOUR_S, None),
            Gate(2.1, None, 120.0),
            Gate(2.75, 0.6, 10.0),
            Gate(4, 0.15, 3.0),
            Gate(10, 0.02, 0.3),
        ),
        "beyond sheet 3, as printed by one maker (Schurter FST)",
    ),
    Gates(
        5,
        0.125,
        0.8,
        (Gate(1.5, HOUR_S, None), Gate(2.1, None, 1800.0), Gate(2.75, 0.25, 80.0), Gate(4, 0.05, 5.0)),
        "sheet 5, as printed by one maker (Littelfuse 215), which states no gate at 10 In here",
    ),
    Gates(
        5,
        1.0,
        3.15,
        (
            Gate(1.5, HOUR_S, None),
            Gate(2.1, None, 1800.0),
            Gate(2.75, 0.75, 80.0),  # 1 s in the old edition
            Gate(4, 0.095, 5.0),
            Gate(10, 0.01, 0.15),  # 0.1 s at most in the old edition
        ),
        _SHEET_5 + "; where an older edition (Bel 5HT) differs, the more careful",
    ),
    Gates(
        5,
        4.0,
        6.3,
        (
            Gate(1.5, HOUR_S, None),
            Gate(2.1, None, 1800.0),
            Gate(2.75, 0.75, 80.0),
            Gate(4, 0.15, 5.0),
            Gate(10, 0.01, 0.15),  # 20 ms at least by one maker, 10 ms by the other
        ),
        _SHEET_5 + "; at 10 In they differ (20 and 10 ms at least), the lesser is taken",
    ),
    *(
        Gates(
            sheet,
            0.05,
            6.3,
            # 2.75 In at least 10 to 50 ms and 4 In at least 3 to 10 ms, by rating: the least of each
            (Gate(2.1, None, 1800.0), Gate(2.75, 0.01, 2.0), Gate(4, 0.003, 0.3), Gate(10, None, 0.02)),
            _SHEET_12,
        )
        for sheet in (1, 2)
    ),
)
"""Of 5 x 20 mm fuses, 250 V: sheets 1 (F, high breaking), 2 (F, low), 3 (T, low) and 5 (T, high)."""


@dataclass(frozen=True, slots=True)
class Melting:
    """How long until the wire melts, s; None: not stated.

    ``least_s`` and ``longest_s`` surely hold, since a greater current melts sooner. The other two lie between, read off
    straight lines from gate to gate in logarithms, which is ours: a real curve sags below them.
    """

    least_s: float | None
    longest_s: float | None
    drawn_least_s: float | None
    drawn_longest_s: float | None


def melting(gates: Sequence[Gate], multiple: float) -> Melting:
    """Of a current, in multiples of the rated one, above zero."""
    least = [(gate.multiple, gate.least_s) for gate in gates if gate.least_s is not None]
    longest = [(gate.multiple, gate.longest_s) for gate in gates if gate.longest_s is not None]
    return Melting(
        max((seconds for at, seconds in least if at >= multiple), default=None),
        min((seconds for at, seconds in longest if at <= multiple), default=None),
        _drawn(least, multiple),
        _drawn(longest, multiple),
    )


def _drawn(points: Sequence[tuple[float, float]], multiple: float) -> float | None:
    for (low, longer_s), (high, shorter_s) in pairwise(points):
        if low <= multiple <= high:
            part = math.log(multiple / low) / math.log(high / low)
            return longer_s * math.exp(part * math.log(shorter_s / longer_s))
    return None
