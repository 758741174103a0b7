"""A record of analog channels with common times: what is exported, and what is read back."""

from __future__ import annotations

from dataclasses import dataclass
from datetime import datetime

import numpy as np
import numpy.typing as npt


@dataclass(frozen=True, slots=True)
class Channel:
    """One analog channel: values in ``unit``, NaN where a sample is missing."""

    name: str
    unit: str
    values: npt.NDArray[np.float64]
    phase: str = ""


@dataclass(frozen=True, slots=True)
class Record:
    """Channels with common times, s after the first sample; when, by the clock, that was, and when the event came."""

    station: str
    device: str
    line_frequency_hz: float
    begins: datetime
    trigger: datetime
    at_s: npt.NDArray[np.float64]
    channels: tuple[Channel, ...]
    revision: int = 2013
    """The year of the standard that a record which was read follows."""
