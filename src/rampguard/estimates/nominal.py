"""What a unit should have, as it is given: ``reservoir=10000uF,rail=35V``. Every mistake is told at once."""

from __future__ import annotations

import math
import re
from collections.abc import Mapping
from typing import Final

NAMES: Final[Mapping[str, tuple[str, Mapping[str, float]]]] = {
    "reservoir": ("reservoir_uf", {"uF": 1.0, "mF": 1e3}),
    "rail": ("rail_v", {"V": 1.0}),
    "idle": ("idle_w", {"W": 1.0}),
    "source": ("source_ohm", {"ohm": 1.0}),
    "soft_start": ("soft_start_ohm", {"ohm": 1.0}),
}
"""By the name it is given with: the quantity that it is of, and the units it may be in."""
_PART = re.compile(r"\s*([a-z_]+)\s*=\s*([0-9.eE+]+)\s*([A-Za-z]+)\s*")


class NominalError(ValueError):
    """A nominal value that cannot be. One line a problem."""


def nominals(text: str) -> dict[str, float]:
    """Nominal values by the name of the quantity, in its unit. Raises NominalError with every problem."""
    found: dict[str, float] = {}
    problems = []
    for part in filter(str.strip, text.split(",")):
        name, value, problem = _one(part)
        if problem or name in found:
            problems.append(problem or f"{part.strip()!r} is given twice; keep one")
        else:
            found[name] = value
    if problems:
        raise NominalError("\n".join(f"--nominal: {problem}" for problem in problems))
    return found


def _one(part: str) -> tuple[str, float, str]:
    """The quantity, its value, and what is wrong with it; empty: nothing."""
    met = _PART.fullmatch(part)
    if met is None:
        return (
            "",
            0.0,
            f"{part.strip()!r} is not understood; write a name, a number and a unit, such as reservoir=10000uF",
        )
    name, number, unit = met.groups()
    if name not in NAMES:
        return "", 0.0, f"{name!r} has no nominal value here; there are {', '.join(NAMES)}"
    quantity, units = NAMES[name]
    if unit not in units:
        return "", 0.0, f"{part.strip()!r}: {name} is given in {' or '.join(units)}, not in {unit}"
    value = _number(number)
    if not (math.isfinite(value) and value > 0.0):
        return "", 0.0, f"{part.strip()!r}: a nominal value is a number above zero"
    return quantity, value * units[unit], ""


def _number(text: str) -> float:
    try:
        return float(text)
    except ValueError:
        return math.nan
