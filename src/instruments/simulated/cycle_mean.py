"""The mean of something over the last whole cycle, for whatever is slow against a cycle."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from instruments.simulated.ops import Real

STEPS_A_CYCLE: Final = 128


@dataclass(slots=True)
class CycleMean:
    """``value`` is of the last whole cycle, zero before the first. Where no steps are made, it stays."""

    value: Real = 0.0
    _sum: Real = 0.0
    _steps: int = 0

    def add(self, value: Real) -> None:
        """Take in one time step."""
        self._sum = self._sum + value
        self._steps += 1
        if self._steps == STEPS_A_CYCLE:
            self.value = self._sum / STEPS_A_CYCLE
            self._sum, self._steps = 0.0, 0
