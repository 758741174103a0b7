"""Blocks of samples such as a digitiser gives, made of plain sums, and captures with waveforms in them."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from archive_help import PASSED, captured, row
from rampguard.archive.writer import CaptureWriter
from rampguard.waveform.keeper import Keeper, Kept

Samples = npt.NDArray[np.float64]
BEGAN = datetime(2026, 11, 5, 10, 20, 30, tzinfo=UTC)
LINE_HZ = 50.0
TRIP = {"time_s": 2.5, "line_voltage_v": 230.0, "layer": "ceiling", "reason": "line current is above its ceiling"}
TRIPPED = PASSED | {"outcome": "tripped", "trip": TRIP}


@dataclass(frozen=True, slots=True)
class ABlock:
    rate_hz: float
    first: int
    volts: Samples
    amperes: Samples
    ends_s: float


def line(numbers: Samples, rate_hz: float, tripped_s: float = math.inf, fault_s: float = math.inf) -> ABlock:
    """What is on the line: 230 V, and pulses of 1.6 A; from a fault on half waves of 7.07 A peak besides, one-sided.

    From ``tripped_s`` on nothing. Times are those of the samples, by their numbers.
    """
    at_s = numbers / rate_hz
    sine = np.sin(2.0 * np.pi * LINE_HZ * at_s)
    live = at_s < tripped_s
    pulses = np.sign(sine) * np.clip(np.abs(sine) - 0.8, 0.0, None) * 8.0
    fault = np.where((at_s >= fault_s) & (sine > 0.0), 5.0 * math.sqrt(2.0) * sine, 0.0)
    volts = np.where(live, 230.0 * math.sqrt(2.0) * sine, 0.0)
    return ABlock(rate_hz, int(numbers[0]), volts, np.where(live, pulses + fault, 0.0), float(at_s[-1]))


def blocks(
    seconds: float,
    *,
    rate_hz: float = 10_000.0,
    size: int = 500,
    late_s: float = 0.004,
    begins_s: float = 0.0,
    tripped_s: float = math.inf,
    fault_s: float = math.inf,
) -> Iterator[ABlock]:
    """Of a digitiser that was started at bench second 0; each block arrives ``late_s`` late."""
    first, end = round(begins_s * rate_hz), round(seconds * rate_hz)
    for number in range(first, end, size):
        numbers = np.arange(number, min(number + size, end), dtype=float)
        made = line(numbers, rate_hz, tripped_s, fault_s)
        yield ABlock(rate_hz, made.first, made.volts, made.amperes, made.ends_s + late_s)


def kept_around(
    events: dict[float, str], seconds: float = 4.0, unit: str = "Test amplifier", **line: Any
) -> list[Kept]:
    """What a keeper keeps of such a run."""
    keeper, kept, waiting = Keeper(unit, LINE_HZ, BEGAN), [], dict(sorted(events.items()))
    for block in blocks(seconds, **line):
        kept += keeper.feed(block)
        for time_s in [t for t in waiting if t <= block.ends_s]:
            kept += keeper.event(waiting.pop(time_s), time_s)
    return kept + keeper.finish()


def capture_with_waves(into: Path, rate_hz: float = 10_000.0, unit: str = "Test amplifier") -> Path:
    """A finished capture: power pressed at 1 s, a fault from 2.41 s on, a trip at 2.5 s, off 30 ms later."""
    tripped = {1.0: "power-pressed", 2.5: "trip"}

    def also(writer: CaptureWriter) -> None:
        for kept in kept_around(tripped, unit=unit, rate_hz=rate_hz, fault_s=2.41, tripped_s=2.53):
            writer.put_waveform(kept)

    return captured(into, [row(number) for number in range(30)], TRIPPED, unit=unit, also=also)
