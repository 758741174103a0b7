"""What a load model is to the band: samples of one class, brought along the ramp under way, all at once.

Everything is in terms of the nameplate: line voltage as a part of nameplate voltage, line current of nameplate current
(watts over volts), real power of nameplate power; time in seconds. Pure: a state and an input give the next state.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, NamedTuple, Protocol

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.ranges import Range
from rampguard.loads.rectifier import Floats

State = Mapping[str, Floats]
"""What samples remember: arrays of shape (samples,) by name."""
Volts = Floats | float
"""Line voltage: the same for all samples, or one for each."""


class Drawn(NamedTuple):
    """Line current, rms, and real power, each of shape (samples,)."""

    current: Floats
    power: Floats

    def beside(self, v: Volts, power: Floats, reactive: Floats | float = 0.0) -> Drawn:
        """With something more on the same line ``v``: a sine of so much ``power`` in phase, and ``reactive`` current.

        The mean square of a sum: what is in phase meets the rest's power, what is in quadrature meets nothing.
        """
        per_v = 1.0 / np.maximum(v, 1e-9)
        in_phase = power * per_v
        square = self.current * self.current + in_phase * (in_phase + 2.0 * per_v * self.power) + reactive * reactive
        live = np.greater(v, 0.0)
        return Drawn(live * np.sqrt(square), live * (self.power + power))


def chosen(mask: NDArray[np.bool_], yes: State, no: State) -> State:
    """Of two states, the first where ``mask`` says so."""
    return {name: no[name] if yes[name] is no[name] else np.where(mask, yes[name], no[name]) for name in no}


class Model(Protocol):
    """One load class's samples. ``ranges`` are its parameters, made from values of shape (samples,) each."""

    ranges: ClassVar[Mapping[str, Range]]

    def __init__(self, values: Mapping[str, Floats]) -> None: ...

    def rest(self) -> State:
        """Cold, empty, and off."""
        ...

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """What each sample draws ``seconds`` after the last step, at line voltage ``v``; ``event``: power pressed."""
        ...

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """Which samples may by themselves start, stop or pull in now, and the state as if they all did; None: none.

        When that happens is nothing that a nameplate tells, so that both ways are expected until a reading decides.
        """
        ...


class Steady:
    """A model in which nothing starts or stops by itself."""

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """Nothing does."""
        return None
