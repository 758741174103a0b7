"""Layer 2: readings outside the expected band, by an amount that the meters' accuracy cannot explain.

Excess accumulates and drains: a reading above the band warns, two within a short while trip, and so does one far above
it. A reading below the band is no danger by itself: it warns once it lasts. The expectation comes from the load models
as plain numbers; whatever made it, this module only compares.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Final

from rampguard.guard.case import words
from rampguard.guard.decision import Finding, Layer, Observation, Severity
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_CURRENT, REAL_POWER, Bounds, Expectation, Reading, Signal

FULL: Final = 1.0
"""Excess at which layer 2 trips."""
HALF: Final = 0.5
"""What a reading adds that is above the band, but not far."""
INDEPENDENT_S: Final = 0.1
"""Readings closer together than this are one reading told twice, and add in proportion."""


@dataclass(frozen=True, slots=True)
class BandMemory:
    """What layer 2 remembers: the excess, 0 to 1, when it was last weighed, and since when a reading was below."""

    excess: float = 0.0
    weighed_s: float | None = None
    below_since_s: float | None = None


def weigh(
    memory: BandMemory, limits: Limits, observation: Observation, expectation: Expectation
) -> tuple[BandMemory, tuple[Finding, ...]]:
    """Hold one observation against what was expected. Only fresh readings of current and power are weighed."""
    fresh = {
        reading.signal: reading
        for reading in observation.readings
        if reading.signal in (LINE_CURRENT, REAL_POWER) and reading.value is not None
    }
    if not fresh:
        return memory, ()
    now_s = observation.time_s
    since_s = INDEPENDENT_S if memory.weighed_s is None else now_s - memory.weighed_s
    memory = replace(memory, weighed_s=now_s)
    pairs = [
        (fresh[signal], bounds)
        for signal, bounds in ((LINE_CURRENT, expectation.current_a), (REAL_POWER, expectation.power_w))
        if signal in fresh and bounds is not None
    ]
    why_not = expectation.why_not or ("" if pairs else "nothing is expected of what was read")
    if why_not:
        drained = replace(memory, excess=_drained(memory.excess, since_s, limits), below_since_s=None)
        return drained, (_finding(Severity.NOT_EVALUATED, f"band: {why_not}"), *_over_budget(expectation))
    above = max((_above(reading, bounds, limits), reading.signal, bounds.high) for reading, bounds in pairs)
    memory, findings = _weigh_excess(memory, limits, since_s, above, fresh)
    memory, lasting = _weigh_lack(memory, limits, now_s, [r.signal for r, bounds in pairs if _below(r, bounds, limits)])
    return memory, (*findings, *lasting, *_misfit(expectation, limits))


def _weigh_excess(
    memory: BandMemory,
    limits: Limits,
    since_s: float,
    above: tuple[float, Signal, float],
    fresh: dict[Signal, Reading],
) -> tuple[BandMemory, tuple[Finding, ...]]:
    ratio, signal, high = above
    if ratio <= 1.0:
        return replace(memory, excess=_drained(memory.excess, since_s, limits)), ()
    adds = FULL if ratio >= limits.band_far_ratio else HALF * min(1.0, since_s / INDEPENDENT_S)
    excess = min(FULL, memory.excess + adds)
    said = (
        f"{words(signal)} {fresh[signal].value:.4g} {signal.unit} is above what a healthy unit of this kind draws here,"
        f" {high:.4g} {signal.unit} at most"
    )
    severity = Severity.TRIP if excess >= FULL - 1e-9 else Severity.WARN
    return replace(memory, excess=excess), (_finding(severity, said),)


def _weigh_lack(
    memory: BandMemory, limits: Limits, now_s: float, below: list[Signal]
) -> tuple[BandMemory, tuple[Finding, ...]]:
    if not below:
        return replace(memory, below_since_s=None), ()
    since_s = now_s if memory.below_since_s is None else memory.below_since_s
    memory = replace(memory, below_since_s=since_s)
    if now_s - since_s < limits.band_below_s:
        return memory, ()
    said = (
        f"{words(below[0])} stays below what a healthy unit of this kind draws here: a fuse, a rail or a section may be"
        " open, or the load class or nameplate is wrong"
    )
    return memory, (_finding(Severity.WARN, said),)


def _drained(excess: float, since_s: float, limits: Limits) -> float:
    return max(0.0, excess - since_s / limits.band_drain_s)


def _bound(reading: Reading, limits: Limits) -> float:
    """The meter's bound; a part of the reading where its accuracy is not stated."""
    return reading.bound or abs(reading.value or 0.0) * limits.unstated_accuracy_percent / 100.0


def _above(reading: Reading, bounds: Bounds, limits: Limits) -> float:
    """How many times the band's upper edge the reading surely is; 1 and less is within."""
    return ((reading.value or 0.0) - _bound(reading, limits)) / max(bounds.high, 1e-9)


def _below(reading: Reading, bounds: Bounds, limits: Limits) -> bool:
    return (reading.value or 0.0) + _bound(reading, limits) < bounds.low


def _over_budget(expectation: Expectation) -> Iterator[Finding]:
    if expectation.event_budget_j is not None and expectation.event_j > expectation.event_budget_j:
        yield _finding(
            Severity.TRIP,
            f"{expectation.event_j:.3g} J since power was pressed, more than the {expectation.event_budget_j:.3g} J"
            " that charging a healthy unit's reservoirs can explain",
        )


def _misfit(expectation: Expectation, limits: Limits) -> Iterator[Finding]:
    if expectation.fit < -limits.band_misfit:
        yield _finding(
            Severity.WARN,
            "current and power do not go with the line as in any unit of this load class: check load class and"
            " nameplate before going on",
        )


def _finding(severity: Severity, reason: str) -> Finding:
    return Finding(severity, Layer.BAND, "band", reason)
