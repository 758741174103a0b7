"""Drawing a specimen: every part has a nominal value and a tolerance, and a seed draws from them."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np


@dataclass(frozen=True, slots=True)
class Part:
    """A part's nominal value (SI), its tolerance (+/- a fraction, drawn evenly), and why these."""

    nominal: float
    tolerance: float
    why: str


def draw(parts: Mapping[str, Part], generator: np.random.Generator) -> dict[str, float]:
    """One specimen: a value for every part, in the mapping's order, so that a seed always draws the same."""
    return {
        name: part.nominal * (1.0 + part.tolerance * float(generator.uniform(-1.0, 1.0)))
        for name, part in parts.items()
    }


def stack(specimens: Sequence[Mapping[str, float]]) -> dict[str, np.ndarray]:
    """Many specimens as one mapping of arrays, for a batch."""
    return {name: np.array([specimen[name] for specimen in specimens]) for name in specimens[0]}
