"""What a meter makes of a true value: its gain error, noise, resolution, range and crest-factor limit.

The noise of a reading depends on the seed, the instrument, the quantity and the number of the measuring window alone,
never on who asked when, so that a seed reproduces every reading.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final
from zlib import crc32

import numpy as np

OVER_RANGE_REPLY: Final = 9.9e37
"""SCPI-1999's infinity: what a meter answers beyond its range."""
OVER_RANGE_AT: Final = 1.05
"""A meter reads up to this part of its range."""


@dataclass(frozen=True, slots=True)
class Front:
    """One measuring input.

    ``gain`` and ``offset`` are +/- bounds from which the specimen's own are drawn: parts of reading and of range;
    ``noise`` is one standard deviation, as a part of range.
    """

    name: str
    gain: float
    offset: float
    noise: float
    crest_factor_limit: float = math.inf


class Input:
    """A specimen of a front, drawn by a seed. `read` is pure in the window's number."""

    def __init__(self, front: Front, seed: int) -> None:
        self._front = front
        self._key = (seed, crc32(front.name.encode()))
        drawn = np.random.default_rng([*self._key, 0]).uniform(-1.0, 1.0, 2)
        self._gain = 1.0 + front.gain * float(drawn[0])
        self._offset = front.offset * float(drawn[1])

    def read(self, true: float, *, window: int, full: float, resolution: float, peak: float = 0.0) -> float:
        """The reading of a true value on a range, or SCPI's infinity beyond it.

        ``peak`` is the waveform's: above crest-factor limit times range the meter clips, and says so.
        """
        if abs(true) > OVER_RANGE_AT * full or peak > self._front.crest_factor_limit * full:
            return OVER_RANGE_REPLY
        noise = float(np.random.default_rng([*self._key, 1 + window]).standard_normal()) * self._front.noise * full
        seen = true * self._gain + self._offset * full * (0.0 if true == 0.0 else 1.0) + noise
        return round(seen / resolution) * resolution
