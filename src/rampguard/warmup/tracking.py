"""Whether the bias tracks: how idle goes with the temperature of the heat sink its bias sensor sits on."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

import numpy as np

from rampguard.warmup.exponentials import Floats

LEAST_SPAN_K: Final = 3.0
"""The heat sink must have warmed or cooled by so much before its idle can be tied to it."""
LEAST_POINTS: Final = 10


@dataclass(frozen=True, slots=True)
class Tracking:
    """How idle goes with temperature: by what part of itself a kelvin, with standard uncertainty, over such a span."""

    per_k: float
    per_k_u: float
    span_k: float

    @property
    def over_span(self) -> float:
        """By what part of itself idle changed over the span."""
        return self.per_k * self.span_k

    def said(self, tolerance: float) -> str:
        """In words; ``tolerance`` is the part of itself by which idle may be off."""
        change = (
            f"idle changes by {100.0 * self.per_k:+.2g} % a kelvin ({100.0 * self.over_span:+.2g} % over"
            f" {self.span_k:.2g} K of heat sink)"
        )
        if abs(self.over_span) <= tolerance:
            return f"{change}: the bias tracks"
        if self.over_span > 0.0:
            return f"{change}: the bias follows too little; is its sensor where it belongs, and on the sink?"
        return f"{change}: the bias follows too much"


def tracking(time_s: Floats, idle: Floats, sink_time_s: Floats, sink_degc: Floats) -> Tracking | None:
    """Least squares of the logarithm of idle on temperature, over one setting's readings; None: too little to tell.

    Shapes (n,), (n,), (m,), (m,). Readings that follow one another are not independent: the uncertainty is of as many
    as the temperature took different tenths of its span.
    """
    if len(idle) < LEAST_POINTS or len(sink_degc) < LEAST_POINTS or not np.all(idle > 0.0):
        return None
    at = np.interp(time_s, sink_time_s, sink_degc)
    span_k = float(at.max() - at.min())
    if span_k < LEAST_SPAN_K:
        return None
    away, logs = at - at.mean(), np.log(idle)
    per_k = float(away @ logs / (away @ away))
    left = logs - logs.mean() - per_k * away
    per_k_u = float(np.sqrt(np.mean(left**2) / np.mean(away**2) / LEAST_POINTS))
    return Tracking(per_k, per_k_u, span_k)
