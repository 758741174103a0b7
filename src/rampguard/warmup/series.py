"""Readings of one thing as they come, as arrays: appending is cheap, and so is looking at all of them."""

from __future__ import annotations

import numpy as np

from rampguard.warmup.exponentials import Floats


class Series:
    """Times and values, in the order in which they came."""

    def __init__(self) -> None:
        self._kept = np.empty((2, 256))
        self._count = 0

    def put(self, time_s: float, value: float) -> None:
        """One reading more."""
        if self._count == self._kept.shape[1]:
            self._kept = np.concatenate((self._kept, np.empty_like(self._kept)), axis=1)
        self._kept[:, self._count] = time_s, value
        self._count += 1

    def __len__(self) -> int:
        return self._count

    @property
    def time_s(self) -> Floats:
        """Seconds, shape (n,)."""
        return self._kept[0, : self._count]

    @property
    def values(self) -> Floats:
        """Values, shape (n,)."""
        return self._kept[1, : self._count]
