"""What a meter makes of a true value: its gain error, noise, resolution, range, counts and crest-factor limit.

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
NO_READING_REPLY: Final = 9.91e37
"""SCPI-1999's not-a-number: what a meter answers while it has none."""
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


class Autoranging:
    """A handheld's input: so many counts a range; up at full count, down below a tenth of it.

    While it changes range there is no reading. Its state moves with the number of the window it is asked in, never
    with how often.
    """

    def __init__(self, front: Front, seed: int, *, ranges: tuple[float, ...], counts: int, gap_windows: int) -> None:
        self._input = Input(front, seed)
        self._ranges = ranges
        self._counts = counts
        self._gap_windows = gap_windows
        self._at = 0
        self._ready_window = 0

    @property
    def full(self) -> float:
        """The range it stands on."""
        return self._ranges[self._at]

    def read(self, true: float, *, window: int, peak: float = 0.0) -> float:
        """The reading in a window; SCPI's not-a-number while it changes range, its infinity beyond the last one."""
        if window < self._ready_window:
            return NO_READING_REPLY
        wanted = self._wanted(abs(true))
        if wanted != self._at:
            self._at = wanted
            self._ready_window = window + self._gap_windows
            return NO_READING_REPLY
        return self._input.read(true, window=window, full=self.full, resolution=self.full / self._counts, peak=peak)

    def _wanted(self, size: float) -> int:
        at = self._at
        while at < len(self._ranges) - 1 and size > self._ranges[at]:
            at += 1
        while at > 0 and size < 0.09 * self._ranges[at]:
            at -= 1
        return at
