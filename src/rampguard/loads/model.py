"""What a load model is to the band: samples of one class, brought along the ramp under way, all at once.

Everything is in terms of the nameplate: line voltage as a part of nameplate voltage, line current of nameplate current
(watts over volts), real power of nameplate power; time in seconds.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, NamedTuple, Protocol

import numpy as np

from rampguard.loads.ranges import Range
from rampguard.loads.rectifier import Floats


class Drawn(NamedTuple):
    """Line current, rms, and real power, each of shape (samples,)."""

    current: Floats
    power: Floats

    def beside(self, v: float, power: Floats, reactive: Floats | float = 0.0) -> Drawn:
        """With something more on the same line ``v``: a sine of so much ``power`` in phase, and ``reactive`` current.

        The mean square of a sum: what is in phase meets the rest's power, what is in quadrature meets nothing.
        """
        if v <= 0.0:
            return Drawn(np.zeros_like(self.power), np.zeros_like(self.power))
        in_phase = power / v
        square = self.current**2 + in_phase**2 + 2.0 * in_phase * self.power / v + reactive * reactive
        return Drawn(np.sqrt(square), self.power + power)


class Model(Protocol):
    """One load class's samples. ``ranges`` are its parameters, made from values of shape (samples,) each."""

    ranges: ClassVar[Mapping[str, Range]]

    def __init__(self, values: Mapping[str, Floats]) -> None: ...

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """What each sample draws ``seconds`` after the last step, at line voltage ``v``; ``event``: power pressed."""
        ...
