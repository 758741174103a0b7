"""Layer 3: what the readings add up to, for each fault against a healthy unit.

The load models say how likely each reading is under each cause. For every fault the logarithm of its likelihood over
that of a healthy unit is summed up and never let below zero (a CUSUM of log-likelihood ratios: Page 1954; Lorden 1971:
with a bound of h, a healthy unit comes to it in e^h independent readings on average, or later). The layer may add a
trip; it never withholds one. An allowance is taken off first, for each independent reading: no sample of a model is
quite the unit, and what that leaves must not add up.

What the shape of the current's wave says is no part of the sums, and neither trips nor keeps from tripping: it ranks
the faults among themselves, and leaves the probability that there is one as it is.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

from rampguard.guard.case import INRUSH, STAGE_CURRENT
from rampguard.guard.decision import Finding, Layer, Severity, Trip
from rampguard.guard.limits import Limits
from rampguard.quantities import Cause, Told, Wave

PRIOR_NO_FAULT: Final = 0.9
"""How often a unit comes to its first power-up without a fault; common practice, no source."""
PRIOR_OTHER: Final = 0.01
"""How often it has one that no model follows; common practice, no source."""
SHARES: Final[Mapping[str, float]] = {
    Cause.OUTPUT_SHORT: 5.0,
    Cause.DIODE_SHORT: 2.0,
    Cause.SHORTED_TURNS: 1.0,
    Cause.LEAK: 2.0,
    Cause.RUNAWAY: 2.0,
    Cause.SWITCH_SHORT: 6.0,
}
"""How often each of the faults is met, against the others that its load class can have; common practice, no source."""
SHORTS: Final = frozenset({Cause.OUTPUT_SHORT, Cause.DIODE_SHORT, Cause.SWITCH_SHORT})
"""Faults that are no small matter: more is asked of each reading that speaks for them."""
NOT_HEALTHY_NATS: Final = 9.2
"""A trip for too much counts so much against a healthy unit: one in ten thousand is outside the band."""
OPEN_NATS: Final = 12.0
"""A trip that no shorted part explains (nothing flows, a rail is missing) counts so much for `Cause.OTHER`."""
OPEN_CHECKS: Final = frozenset({"no-current", "rail-difference"})
REMEMBERED_READINGS: Final = 20.0
"""Independent readings after which an e-fold of what was said counts no more: samples that fitted then are gone."""
STAGE_NATS: Final = 5.0
"""A trip for current in an emitter resistor counts so much against causes that put none there..."""
IN_STAGE: Final = frozenset({Cause.OUTPUT_SHORT, Cause.RUNAWAY, Cause.OTHER})
"""...which is all but these."""
INRUSH_NATS: Final = 3.0
"""A trip for more than an inrush, just after power was pressed, counts so much for a short."""
SPEAKS_NATS: Final = 1.0
"""A wave's shape speaks for a fault that it is ahead of all others for by so much."""
SPEAKS_OF_UNIT: Final = frozenset({Layer.CEILING, Layer.BAND, Layer.EVIDENCE})
"""Trips of these layers speak of the unit; others of the bench."""


@dataclass(frozen=True, slots=True)
class EvidenceMemory:
    """What was said so far for each fault against a healthy unit, in nats; a fault never spoken of has nothing.

    ``sums`` are never below zero, so that a fault that comes late is seen at once; they trip. ``totals`` are all that
    was said, against as well as for, forgetting; they rank. ``shape`` is what the newest cycle's shape says of each, in
    nats, and ``wave`` that shape; nothing where no meter tells of it.
    """

    sums: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    totals: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    shape: Mapping[str, float] = field(default_factory=lambda: MappingProxyType({}))
    wave: Wave | None = None


def cusum(before: float, increment: float, allowance: float) -> float:
    """One step of a one-sided cumulative sum: what was, and what is added beyond the allowance, never below zero."""
    return max(0.0, before + increment - allowance)


def begun_anew(memory: EvidenceMemory) -> EvidenceMemory:
    """After power was pressed: what was read of the standby supply says nothing of what is behind the main relay."""
    nothing: Mapping[str, float] = MappingProxyType(dict.fromkeys(memory.totals, 0.0))
    return EvidenceMemory(nothing, nothing)


def weigh_evidence(memory: EvidenceMemory, limits: Limits, told: Told) -> tuple[EvidenceMemory, tuple[Finding, ...]]:
    """Add what one reading says; nothing is added where `Cause.NO_FAULT` has no likelihood.

    A shape takes the place of the one before.
    """
    if told.shape:
        memory = replace(memory, shape=MappingProxyType(dict(told.shape)), wave=told.wave)
    healthy = told.nats.get(Cause.NO_FAULT)
    if healthy is None:
        return memory, ()
    said = {cause: nats - healthy for cause, nats in told.nats.items() if cause != Cause.NO_FAULT}
    sums = {
        cause: cusum(
            memory.sums.get(cause, 0.0),
            nats,
            told.readings * (limits.evidence_gross_nats if cause in SHORTS else limits.evidence_subtle_nats),
        )
        for cause, nats in said.items()
    }
    kept = math.exp(-told.readings / REMEMBERED_READINGS)
    totals = {cause: kept * memory.totals.get(cause, 0.0) + nats for cause, nats in said.items()}
    memory = replace(memory, sums=MappingProxyType(sums), totals=MappingProxyType(totals))
    return memory, tuple(_beyond_bound(memory, limits))


def _beyond_bound(memory: EvidenceMemory, limits: Limits) -> Iterator[Finding]:
    # What no model explains is told by the band; alone it says that something is unknown, not that it is dangerous.
    most = max((value for cause, value in memory.sums.items() if cause != Cause.OTHER), default=0.0)
    if most >= limits.evidence_nats:
        nats = _fault_nats(memory)
        likeliest = max((cause for cause in nats if cause != Cause.OTHER), key=nats.__getitem__)
        yield Finding(
            Severity.TRIP,
            Layer.EVIDENCE,
            "evidence",
            f"the readings speak against a healthy unit, by {math.exp(min(most, 40.0)):.1g} to one; most likely it is"
            f" {CAUSE_WORDS[likeliest]}",
        )


CAUSE_WORDS: Final[Mapping[str, str]] = {
    Cause.NO_FAULT: "no fault",
    Cause.OUTPUT_SHORT: "a short in an output stage",
    Cause.DIODE_SHORT: "a shorted rectifier diode",
    Cause.SHORTED_TURNS: "shorted turns in a winding",
    Cause.LEAK: "a leaking reservoir",
    Cause.RUNAWAY: "an idle current that runs away",
    Cause.SWITCH_SHORT: "a shorted converter switch",
    Cause.OTHER: "something else",
}
"""Each cause in words that go on after 'it is'."""


def ranked(memory: EvidenceMemory, trip: Trip | None) -> tuple[tuple[str, float], ...]:
    """The causes and their probabilities, best first; they add up to 1.

    A trip that the readings of the unit caused counts too; one of the bench (a lost link) says nothing of the unit.
    """
    nats = _fault_nats(memory)
    nats[Cause.NO_FAULT] = math.log(PRIOR_NO_FAULT)
    if trip is not None and trip.layer in SPEAKS_OF_UNIT:
        nats[Cause.NO_FAULT] -= NOT_HEALTHY_NATS
        if trip.check == STAGE_CURRENT:
            nats = {cause: value - (0.0 if cause in IN_STAGE else STAGE_NATS) for cause, value in nats.items()}
        if trip.check == INRUSH:
            nats = {cause: value + (INRUSH_NATS if cause in SHORTS else 0.0) for cause, value in nats.items()}
        if trip.check in OPEN_CHECKS:  # what the readings said of shorts does not count against it
            nats[Cause.OTHER] = max(nats.values()) + OPEN_NATS
    most = max(nats.values())
    whole = sum(math.exp(value - most) for value in nats.values())
    order = sorted(nats, key=lambda cause: (-nats[cause], cause))
    return tuple((cause, math.exp(nats[cause] - most) / whole) for cause in order)


def _fault_nats(memory: EvidenceMemory) -> dict[str, float]:
    """What prior and readings say for each fault, in nats, against those of a healthy unit."""
    faults = [cause for cause in memory.totals if cause != Cause.OTHER]
    whole_share = sum(SHARES[cause] for cause in faults)
    prior = {cause: (1.0 - PRIOR_NO_FAULT - PRIOR_OTHER) * SHARES[cause] / whole_share for cause in faults}
    prior[Cause.OTHER] = PRIOR_OTHER
    # That there is a fault is told by the sums, with their allowance; which it is, by all that was said of each.
    most = max(memory.totals.values(), default=0.0)
    some = max(memory.sums.values(), default=0.0)
    nats = {cause: math.log(share) + memory.totals.get(cause, 0.0) - most + some for cause, share in prior.items()}
    return _shaped(nats, memory.shape) if memory.shape else nats


def _shaped(nats: Mapping[str, float], shape: Mapping[str, float]) -> dict[str, float]:
    """What is said for each fault, with what the wave's shape says; the faults together are as probable as before.

    A fault of which the shape says nothing is met as well as the mean of the others.
    """
    spoken = {cause: value for cause, value in nats.items() if cause in shape}
    if not spoken:
        return dict(nats)
    less = _log_sum(value + shape[cause] for cause, value in spoken.items()) - _log_sum(spoken.values())
    return {cause: value + (shape[cause] - less if cause in spoken else 0.0) for cause, value in nats.items()}


def _log_sum(nats: Iterable[float]) -> float:
    """The logarithm of the sum of what these are logarithms of."""
    values = list(nats)
    most = max(values)
    return most + math.log(sum(math.exp(value - most) for value in values))


def wave_message(memory: EvidenceMemory) -> dict[str, float | str | None] | None:
    """The newest shape of the current's wave, and the fault it speaks for, as scripts and records have them."""
    if memory.wave is None:
        return None
    followed = sorted((-nats, cause) for cause, nats in memory.shape.items() if cause != Cause.OTHER)
    best = followed[0][1] if len(followed) > 1 and followed[1][0] - followed[0][0] >= SPEAKS_NATS else None
    return {"apart": memory.wave.apart, "crest": memory.wave.crest, "speaks_for": best and str(best)}


def causes_message(causes: tuple[tuple[str, float], ...]) -> list[dict[str, str | float]]:
    """Ranked causes as scripts and records have them."""
    return [{"cause": cause, "probability": probability} for cause, probability in causes]
