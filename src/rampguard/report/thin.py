"""Which points of a long record a picture can show: the first in each cell of a grid finer than its pixels.

An hour is 36 000 readings and a million is a day; a picture has a thousand columns. Short records are left as they are.
"""

from __future__ import annotations

from typing import Final

import numpy as np
from numpy.typing import NDArray

from rampguard.report.series import Array

MOST: Final = 20_000
"""Of so many points or fewer every one is drawn."""
COLUMNS: Final = 4000
ROWS: Final = 2000


def shown(x: Array, *ys: Array) -> NDArray[np.intp]:
    """The indices of the points to draw, in order, for one or more curves over ``x``; shape (n,) each; nan is a gap."""
    if len(x) <= MOST:
        return np.arange(len(x))
    column = _cells(x, COLUMNS)
    firsts = [np.unique(column * (ROWS + 2) + _cells(y, ROWS), return_index=True)[1] for y in ys]
    return np.unique(np.concatenate([*firsts, np.array([0, len(x) - 1])]))


def _cells(values: Array, count: int) -> NDArray[np.int64]:
    """Which of so many cells each value is in; a gap is in one of its own."""
    finite = np.isfinite(values)
    if not finite.any():
        return np.zeros(len(values), dtype=np.int64)
    low, high = float(values[finite].min()), float(values[finite].max())
    width = (high - low) / count or 1.0
    return np.where(finite, (np.where(finite, values, low) - low) / width + 1.0, 0.0).astype(np.int64)
