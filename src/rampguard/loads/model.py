"""What a load model is to the band: samples of one class, brought along the ramp under way, all at once.

Everything is in terms of the nameplate: line voltage as a part of nameplate voltage, line current of nameplate current
(watts over volts), real power of nameplate power; time in seconds.
"""

from __future__ import annotations

from typing import NamedTuple, Protocol

from rampguard.loads.rectifier import Floats


class Drawn(NamedTuple):
    """Line current, rms, and real power, each of shape (samples,)."""

    current: Floats
    power: Floats


class Model(Protocol):
    """One load class's samples. Made from parameters of shape (samples,)."""

    def step(self, v: float, seconds: float, *, event: bool) -> Drawn:
        """What each sample draws ``seconds`` after the last step, at line voltage ``v``; ``event``: power pressed."""
        ...
