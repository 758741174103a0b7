"""RMS, real power, power factor and crest factor of sampled voltage and current over whole cycles.

Definitions of IEEE 1459-2010, 3.1.2: V and I are root mean squares, P the mean of v times i, S = V I, PF = P / S.
"""

from __future__ import annotations

import math
from collections.abc import Iterable
from dataclasses import dataclass

SINE_FORM_FACTOR = math.pi / (2.0 * math.sqrt(2.0))
"""RMS over mean size of a sine."""


@dataclass(slots=True)
class CycleSums:
    """Sums over samples evenly spaced over a whole number of cycles; volts and amperes in, then the figures."""

    samples: int = 0
    volts_squared: float = 0.0
    amperes_squared: float = 0.0
    watts: float = 0.0
    peak_v: float = 0.0
    peak_a: float = 0.0
    volts_size: float = 0.0
    amperes_size: float = 0.0

    def add(self, volts: float, amperes: float) -> None:
        """Take in one sample."""
        self.samples += 1
        self.volts_squared += volts * volts
        self.amperes_squared += amperes * amperes
        self.watts += volts * amperes
        size_v = volts if volts >= 0.0 else -volts
        size_a = amperes if amperes >= 0.0 else -amperes
        self.volts_size += size_v
        self.amperes_size += size_a
        if size_v > self.peak_v:
            self.peak_v = size_v
        if size_a > self.peak_a:
            self.peak_a = size_a

    @property
    def voltage_v(self) -> float:
        """V, rms; 0 before the first sample."""
        return math.sqrt(self.volts_squared / self.samples) if self.samples else 0.0

    @property
    def current_a(self) -> float:
        """I, rms."""
        return math.sqrt(self.amperes_squared / self.samples) if self.samples else 0.0

    @property
    def average_responding_voltage_v(self) -> float:
        """What a meter shows that averages the size and is marked in rms of a sine: the mean times pi / (2 sqrt 2)."""
        return SINE_FORM_FACTOR * self.volts_size / self.samples if self.samples else 0.0

    @property
    def average_responding_current_a(self) -> float:
        """The same of the current."""
        return SINE_FORM_FACTOR * self.amperes_size / self.samples if self.samples else 0.0

    @property
    def real_power_w(self) -> float:
        """P, the mean of the instantaneous power."""
        return self.watts / self.samples if self.samples else 0.0

    @property
    def apparent_power_va(self) -> float:
        """S = V I."""
        return self.voltage_v * self.current_a

    @property
    def power_factor(self) -> float:
        """PF = P / S; 0 where S is 0."""
        return self.real_power_w / self.apparent_power_va if self.apparent_power_va else 0.0

    @property
    def current_crest_factor(self) -> float:
        """Peak over rms of the current; 0 where there is none."""
        return self.peak_a / self.current_a if self.current_a else 0.0


def cycle_sums(volts: Iterable[float], amperes: Iterable[float]) -> CycleSums:
    """The sums of two equally long sequences of samples."""
    sums = CycleSums()
    for v, i in zip(volts, amperes, strict=True):
        sums.add(v, i)
    return sums
