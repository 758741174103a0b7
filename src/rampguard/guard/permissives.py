"""What must hold before anything may be energised, and go on holding while it is: each check, and how it stands. Pure.

A check that nobody made is not one that passed: `NOT_EVALUATED` blocks just as `FAILS` does. Some may be overridden by
the operator, with a reason that the capture keeps; the table in `watched` says which.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from enum import StrEnum

from rampguard.guard.interlock import Event


class Standing(StrEnum):
    """How a check stands."""

    HOLDS = "holds"
    FAILS = "fails"
    NOT_EVALUATED = "not-evaluated"
    OVERRIDDEN = "overridden"  # by the operator, with a reason


LETS_PASS = frozenset({Standing.HOLDS, Standing.OVERRIDDEN})


@dataclass(frozen=True, slots=True)
class Permissive:
    """How one check stands, and what was seen; for an override, the operator's reason."""

    standing: Standing = Standing.NOT_EVALUATED
    said: str = ""


Permissives = Mapping[str, Permissive]
"""By the check's key in the table of `watched`."""


def blocking(required: Iterable[str], permissives: Permissives) -> tuple[tuple[str, Permissive], ...]:
    """Of the checks that are required, those that do not let anything be energised, in their order."""
    stands = ((key, permissives.get(key, Permissive())) for key in required)
    return tuple((key, permissive) for key, permissive in stands if permissive.standing not in LETS_PASS)


def interlock_event(required: Iterable[str], permissives: Permissives) -> tuple[Event, str]:
    """What the checks are to the interlock, and the first cause where one is lost."""
    lost = blocking(required, permissives)
    if not lost:
        return Event.PERMISSIVES_HOLD, ""
    key, permissive = lost[0]
    return Event.PERMISSIVE_LOST, permissive.said or f"{key}: {permissive.standing}"
