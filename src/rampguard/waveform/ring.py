"""The newest samples of line voltage and line current, and at which bench seconds they were taken. Pure.

A block says only by when its last sample had been taken: replies come late, never early. Of the newest blocks the one
that came soonest therefore says best when sample 0 was taken.
"""

from __future__ import annotations

import math
from collections import deque
from typing import Final, Protocol

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]

MOST_SAMPLES: Final = 1_000_000
"""Of each signal, however fast they come: 2.5 s at 400 000 a second, 16 MB."""
TIMED_BY: Final = 64
"""So many blocks say when samples were taken: a second or two, in which two clocks do not drift apart."""


class Block(Protocol):
    """What a digitiser took between two answers: V and A, sampled at the same moments, shape (samples,)."""

    @property
    def rate_hz(self) -> float:
        """Samples a second of each signal."""
        ...

    @property
    def first(self) -> int:
        """Number of its first sample since the digitiser was started; lost ones count."""
        ...

    @property
    def volts(self) -> Samples:
        """Line voltage, V."""
        ...

    @property
    def amperes(self) -> Samples:
        """Line current, A."""
        ...

    @property
    def ends_s(self) -> float:
        """Bench seconds at which its last sample had been taken, at the latest."""
        ...


class Ring:
    """The newest ``kept_s`` seconds of one stream, which begins with sample ``first``; its memory never grows.

    What is not finite counts as missing. Its times are since bench second ``zero_s``.
    """

    def __init__(self, rate_hz: float, first: int, kept_s: float, zero_s: float = 0.0) -> None:
        self.rate_hz = rate_hz
        self._zero_s = zero_s
        self.next = first
        """Number of the sample that is to come next."""
        self._began = first
        self._size = max(1, min(MOST_SAMPLES, math.ceil(kept_s * rate_hz)))
        self._kept = np.full((2, self._size), np.nan)
        self._origins: deque[float] = deque(maxlen=TIMED_BY)

    @property
    def size(self) -> int:
        """How many samples of each signal it holds."""
        return self._size

    @property
    def origin_s(self) -> float:
        """Time of sample 0, as well as is known; inf before the first block."""
        return min(self._origins, default=math.inf)

    @property
    def newest_s(self) -> float:
        """Time of the newest sample."""
        return self.origin_s + (self.next - 1) / self.rate_hz

    @property
    def oldest(self) -> int:
        """Number of the oldest sample that is held."""
        return max(self._began, self.next - self._size)

    def goes_on(self, block: Block) -> bool:
        """Whether a block goes on with this stream; else the digitiser was started anew."""
        return block.rate_hz == self.rate_hz and block.first >= self.next

    def add(self, block: Block) -> None:
        """Take a block; what was lost before it is held as missing. Raises ValueError: signals of unlike length."""
        if len(block.volts) != len(block.amperes):
            raise ValueError(
                f"a block has {len(block.volts)} samples of voltage and {len(block.amperes)} of current:"
                " they must be taken together"
            )
        self._put(self.next, np.full((2, min(block.first - self.next, self._size)), np.nan), block.first)
        end = block.first + len(block.volts)
        taken = np.stack([block.volts, block.amperes])
        self._put(block.first, np.where(np.isfinite(taken), taken, np.nan), end)
        self._origins.append(block.ends_s - self._zero_s - (end - 1) / self.rate_hz)

    def _put(self, begin: int, samples: Samples, end: int) -> None:
        """Samples that end before number ``end``; of more than are held the last ones."""
        held = samples[:, -self._size :] if samples.shape[1] else samples
        places = np.arange(max(begin, end - held.shape[1]), end) % self._size
        self._kept[:, places] = held
        self.next = end

    def number_at(self, time_s: float) -> int:
        """Which sample was taken at a time, or would have been."""
        return round((time_s - self.origin_s) * self.rate_hz)

    def cut(self, begin: int, end: int) -> Samples:
        """Samples ``begin`` to before ``end``, shape (2, samples): V, then A; NaN where none is held."""
        found = np.full((2, max(0, end - begin)), np.nan)
        low, high = max(begin, self.oldest), min(end, self.next)
        if low < high:
            found[:, low - begin : high - begin] = self._kept[:, np.arange(low, high) % self._size]
        return found
