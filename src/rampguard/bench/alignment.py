"""Whether a digitiser's two inputs are sampled at the same moments, and the same way round: on a lamp.

A lamp is a resistance, so that the fundamental of its current is in phase with line voltage's; what it is behind comes
of clamp, probe and inputs. At a tenth of mains the filament is dark and its resistance stands still within a cycle
(common practice, no source).
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Sequence
from statistics import median
from typing import Final

import numpy as np

from instruments.bench import BenchFile
from instruments.cycle_power import fundamental
from instruments.cycles import CycleCutter
from instruments.roles import SampleBlock
from rampguard.bench.verdicts import Finding, fails, holds

LEAST_CYCLES: Final = 20
KEPT: Final = 2000
"""So many of the newest blocks are kept."""


class Heard:
    """The newest blocks that a digitiser took; `take` is called in the thread that reads."""

    def __init__(self) -> None:
        self._blocks: deque[SampleBlock] = deque(maxlen=KEPT)

    def take(self, block: SampleBlock) -> None:
        """One block more."""
        self._blocks.append(block)

    def newest(self, seconds: float) -> list[SampleBlock]:
        """The blocks of the last seconds, without a gap between them, oldest first."""
        found: list[SampleBlock] = []
        for block in reversed(list(self._blocks)):
            if block.ends_s < self._blocks[-1].ends_s - seconds:
                break
            found.append(block)
            if block.lost:
                break
        return found[::-1]


def late_us(blocks: Sequence[SampleBlock], nominal_hz: float) -> float | None:
    """By how many microseconds the current comes after line voltage; None: too few cycles to tell.

    Current that is the wrong way round counts as if it were turned.
    """
    if not blocks:
        return None
    cutter = CycleCutter(blocks[0].rate_hz, nominal_hz)
    volts = np.concatenate([block.volts for block in blocks])
    amperes = np.concatenate([block.amperes for block in blocks])
    found = []
    for cycle in cutter.feed(volts, amperes):
        if not cycle.by_crossing:
            continue
        one = fundamental(cycle)
        turned = math.copysign(1.0, one.real_power_w)
        angle = math.atan2(turned * one.reactive_power_var, turned * one.real_power_w)
        found.append(1e6 * angle / (2.0 * math.pi) * cycle.duration_s)
    return median(found) if len(found) >= LEAST_CYCLES else None


def alignment_finding(bench_file: BenchFile, name: str, blocks: Sequence[SampleBlock]) -> Finding:
    """Whether the bench file's ``skew_us`` is what the lamp shows."""
    check, entry = f"alignment of {name}", bench_file.instruments[name]
    left = late_us(blocks, bench_file.mains.frequency_hz)
    if left is None:
        return fails(check, "too few whole cycles with the lamp on: does it lose samples, is the lamp's current seen?")
    late = left + entry.skew_us  # the blocks are as `skew_us` sets them right
    said = f"with a lamp its current comes {late:.0f} us after line voltage; skew_us = {entry.skew_us:g}"
    if abs(late - entry.skew_us) > entry.skew_bound_us:
        return fails(
            check,
            f"{said}, known to {entry.skew_bound_us:g}: real power would be wrong; write skew_us = {late:.0f} under"
            f" [instruments.{name}], or sample both inputs together",
        )
    return holds(check, said)
