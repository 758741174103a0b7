"""What a capture is to its job, by what kind of run it was and whether a part had been replaced. Pure."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from rampguard.job.entries import Role


def role_of(descriptor: Mapping[str, Any] | None, *, repaired: bool) -> Role:
    """The role of a run with this descriptor; ``repaired``: whether parts had been replaced before it.

    A run that was stopped, was cut short or cannot be read says nothing of the unit.
    """
    if descriptor is None:
        return "other"
    if descriptor.get("direct_after") is not None:
        return "cold-start"
    if descriptor.get("unplugged"):
        return "hunt"
    outcome = descriptor.get("outcome")
    if outcome not in ("passed", "tripped"):
        return "other"
    if descriptor.get("sheet") is not None and (repaired or outcome == "passed"):
        return "warm-up"
    return "after-repair" if repaired else "as-found"
