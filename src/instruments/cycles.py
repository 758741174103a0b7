"""A stream of samples cut into cycles of line voltage. Pure: blocks of samples in, whole cycles out.

A cycle begins where line voltage crosses zero upwards, found between two samples by a straight line; crossings closer
than half of a nominal cycle are noise. One that began anywhere, there being no voltage yet, goes on to the first
crossing after it is old enough: so the next one begins at a crossing, whatever the phase that line voltage came with.
Where no voltage is to be seen (off, or a dead short ahead of the tap) the cut goes on at the nominal length, so that a
current without a voltage is still summed up.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Final

import numpy as np
import numpy.typing as npt

Samples = npt.NDArray[np.float64]

LATEST: Final = 1.25
"""A cycle that has not ended after so many nominal ones is cut there."""
EARLIEST: Final = 0.75
LATEST_UNLOCKED: Final = EARLIEST + 1.02
"""...or after so many, where it did not begin at a crossing: within these there is one, if there are any."""
SEEN_V: Final = 1.0
"""Peak line voltage, V, below which there are no crossings to go by."""


@dataclass(frozen=True, slots=True)
class Cycle:
    """One cycle's samples, ends included by interpolation: V and A at times ``at_s`` after its beginning."""

    begins_s: float
    """Time of its beginning since the stream's first sample."""
    at_s: Samples
    volts: Samples
    amperes: Samples
    by_crossing: bool
    """Whether line voltage told where it begins and ends."""

    @property
    def duration_s(self) -> float:
        """From its beginning to its end."""
        return float(self.at_s[-1])


class CycleCutter:
    """Cuts one stream. ``rate_hz`` samples a second of both signals, taken at the same moments."""

    def __init__(self, rate_hz: float, nominal_hz: float) -> None:
        if rate_hz < 16.0 * nominal_hz:
            raise ValueError(
                f"{rate_hz:g} samples a second are too few for cycles of {nominal_hz:g} Hz: give 16 a cycle"
            )
        self._rate_hz = rate_hz
        self._nominal = rate_hz / nominal_hz
        """Samples of a nominal cycle."""
        self._first = 0
        """Number of the first sample that is kept."""
        self._volts: Samples = np.empty(0)
        self._amperes: Samples = np.empty(0)
        self._begins: float | None = None
        """Where the cycle under way began, in samples since the stream's first."""
        self._locked = False
        """Whether it began at a crossing."""

    def feed(self, volts: Samples, amperes: Samples) -> Iterator[Cycle]:
        """The cycles that end in a block. Raises ValueError where the two signals differ in length."""
        if len(volts) != len(amperes):
            raise ValueError(
                f"{len(volts)} samples of voltage and {len(amperes)} of current: they must be taken together"
            )
        self._volts = np.concatenate([self._volts, volts])
        self._amperes = np.concatenate([self._amperes, amperes])
        while (cycle := self._next()) is not None:
            yield cycle

    def gap(self, samples: int) -> None:
        """So many samples were lost: the cycle under way is given up, and the count goes on."""
        self._first += len(self._volts) + samples
        self._volts = self._amperes = np.empty(0)
        self._begins = None

    def _next(self) -> Cycle | None:
        if self._begins is None:
            begins = self._crossing(0.0, self._first + LATEST * self._nominal)
            self._locked = begins is not None
            if begins is None:
                if len(self._volts) < LATEST * self._nominal + 2:
                    return None
                begins = float(self._first)
            self._begins = begins
            self._forget()
        latest = self._begins + (LATEST if self._locked else LATEST_UNLOCKED) * self._nominal
        # The first crossing that is there is the first there will be: a cycle is told as soon as it has ended.
        crossing = self._crossing(self._begins + EARLIEST * self._nominal, latest)
        if crossing is None and self._first + len(self._volts) < latest + 2:
            return None
        ends = self._begins + self._nominal if crossing is None else crossing
        cycle = self._cut(self._begins, ends, by_crossing=self._locked and crossing is not None)
        self._begins, self._locked = ends, crossing is not None
        self._forget()
        return cycle

    def _crossing(self, after: float, before: float) -> float | None:
        """The first upward crossing between two positions; None where there is none, or no voltage."""
        low = max(0, int(np.ceil(after)) - self._first)
        high = min(len(self._volts), int(before) - self._first + 1)
        part = self._volts[low:high]
        if len(part) < 2 or float(np.max(np.abs(part))) < SEEN_V:
            return None
        ups = np.flatnonzero((part[:-1] < 0.0) & (part[1:] >= 0.0))
        if not len(ups):
            return None
        at = int(ups[0])
        return float(self._first + low + at + part[at] / (part[at] - part[at + 1]))

    def _cut(self, begins: float, ends: float, *, by_crossing: bool) -> Cycle:
        inside = np.arange(int(np.floor(begins)) + 1, int(np.ceil(ends)))
        at = np.concatenate([[begins], inside, [ends]])
        grid = np.arange(int(inside[0]) - 1, int(inside[-1]) + 2)
        window = slice(int(grid[0]) - self._first, int(grid[-1]) - self._first + 1)
        return Cycle(
            begins_s=begins / self._rate_hz,
            at_s=(at - begins) / self._rate_hz,
            volts=np.interp(at, grid, self._volts[window]),
            amperes=np.interp(at, grid, self._amperes[window]),
            by_crossing=by_crossing,
        )

    def _forget(self) -> None:
        """Let go of what lies before the cycle under way."""
        assert self._begins is not None  # noqa: S101 - just set
        done = max(0, int(np.floor(self._begins)) - self._first - 1)
        self._first += done
        self._volts, self._amperes = self._volts[done:], self._amperes[done:]
