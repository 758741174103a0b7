"""What one cycle of voltage and current says. Definitions of IEEE 1459-2010, 3.1.2, for single-phase lines. Pure.

Sums are integrals over the cycle by the trapezium rule between samples; harmonics are Fourier integrals over the same
cycle, so that its length need be no whole number of samples.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Final

import numpy as np

from instruments.cycles import Cycle, Samples

HARMONICS: Final = 40
"""Harmonics up to this one, as IEC 61000-3-2 counts them (from memory), as far as the rate of samples goes."""


@dataclass(frozen=True, slots=True)
class Fundamental:
    """Of the fundamental alone: V and A rms, W, var."""

    voltage_v: float
    current_a: float
    real_power_w: float
    reactive_power_var: float


@dataclass(frozen=True, slots=True)
class CyclePower:
    """One cycle's figures: V, A rms; W, VA."""

    begins_s: float
    duration_s: float
    voltage_v: float
    current_a: float
    real_power_w: float
    voltage_dc_v: float
    current_dc_a: float
    voltage_peak_v: float
    current_peak_a: float
    half_waves_a: tuple[float, float]
    """Mean current in the half cycles of positive and of negative voltage, A."""

    @property
    def apparent_power_va(self) -> float:
        """S = V I."""
        return self.voltage_v * self.current_a

    @property
    def nonactive_power_var(self) -> float:
        """N, with S^2 = P^2 + N^2."""
        return math.sqrt(max(0.0, self.apparent_power_va**2 - self.real_power_w**2))

    @property
    def power_factor(self) -> float | None:
        """P / S; None where nothing is drawn."""
        return self.real_power_w / self.apparent_power_va if self.apparent_power_va > 0.0 else None

    @property
    def crest_factor(self) -> float | None:
        """Of the current; None where there is none."""
        return self.current_peak_a / self.current_a if self.current_a > 0.0 else None

    @property
    def unlike_halves(self) -> float:
        """How unlike the two half waves of the current are: 0 alike, 1 where one is missing."""
        up, down = (abs(half) for half in self.half_waves_a)
        return abs(up - down) / (up + down) if up + down > 0.0 else 0.0


def cycle_power(cycle: Cycle) -> CyclePower:
    """The figures of a cycle."""
    volts, amperes, at_s = cycle.volts, cycle.amperes, cycle.at_s
    return CyclePower(
        begins_s=cycle.begins_s,
        duration_s=cycle.duration_s,
        voltage_v=math.sqrt(_mean(volts * volts, at_s)),
        current_a=math.sqrt(_mean(amperes * amperes, at_s)),
        real_power_w=_mean(volts * amperes, at_s),
        voltage_dc_v=_mean(volts, at_s),
        current_dc_a=_mean(amperes, at_s),
        voltage_peak_v=float(np.max(np.abs(volts))),
        current_peak_a=float(np.max(np.abs(amperes))),
        half_waves_a=(
            _mean(np.where(volts > 0.0, amperes, 0.0), at_s),
            _mean(np.where(volts < 0.0, amperes, 0.0), at_s),
        ),
    )


def harmonics(signal: Samples, at_s: Samples, most: int = HARMONICS) -> np.ndarray:
    """Complex rms phasors of the harmonics 0 to ``most`` of one cycle, referred to a sine that begins with the cycle.

    Shape (most + 1,); the first is the DC part. Higher ones than the samples can tell are left out.
    """
    most = min(most, (len(at_s) - 1) // 2 - 1)
    orders = np.arange(most + 1)[:, None]
    turned = np.exp(-2j * np.pi * orders * at_s / at_s[-1]) * signal
    steps = np.diff(at_s)
    sums = np.sum(0.5 * (turned[:, 1:] + turned[:, :-1]) * steps, axis=1) / at_s[-1]
    phasors = np.sqrt(2.0) * 1j * sums
    phasors[0] = sums[0].real
    return np.asarray(phasors)


def fundamental(cycle: Cycle) -> Fundamental:
    """Of a cycle, its fundamental alone."""
    volts, amperes = (harmonics(signal, cycle.at_s, 1)[1] for signal in (cycle.volts, cycle.amperes))
    power = volts * np.conj(amperes)
    return Fundamental(float(abs(volts)), float(abs(amperes)), float(power.real), float(power.imag))


def distortion(signal: Samples, at_s: Samples) -> float:
    """Total harmonic distortion: what is not the fundamental, against it; DC counts (IEEE 1459-2010, 3.1.2.1).

    inf where there is no fundamental.
    """
    one = abs(harmonics(signal, at_s, 1)[1])
    whole = _mean(signal * signal, at_s)
    return math.sqrt(max(0.0, whole - one**2)) / one if one > 0.0 else math.inf


def _mean(values: Samples, at_s: Samples) -> float:
    return float(np.sum(0.5 * (values[1:] + values[:-1]) * np.diff(at_s))) / float(at_s[-1])
