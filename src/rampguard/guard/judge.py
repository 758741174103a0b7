"""One step of the guard: an observation in, a decision and the next state out. A trip latches.

Two calls make a step: `judge` decides by layer 1, which needs nothing but the observation, so that its trips are acted
on before anything slower begins; `judge_expected` then adds layers 2 and 3.
"""

from __future__ import annotations

from dataclasses import dataclass, field, replace

from rampguard.guard.band import BandMemory, weigh
from rampguard.guard.case import Case, Check
from rampguard.guard.ceilings import (
    absolute_ceilings,
    lasting_inrush,
    overshoot,
    rail_difference,
    rates_of_rise,
    too_little_current,
)
from rampguard.guard.decision import DRIVEN, TOUCHED, Decision, Finding, Layer, Observation, Severity, Trip
from rampguard.guard.evidence import EvidenceMemory, begun_anew, weigh_evidence
from rampguard.guard.limits import Limits
from rampguard.guard.memory import Memory, remember
from rampguard.guard.readings import disagreeing_readings, untrusted_readings
from rampguard.quantities import LINE_VOLTAGE, Expectation

CHECKS: tuple[Check, ...] = (
    absolute_ceilings,
    lasting_inrush,
    rail_difference,
    overshoot,
    rates_of_rise,
    too_little_current,
    untrusted_readings,
    disagreeing_readings,
)
"""Layer 1, in the order in which a first cause is named."""


class TimeRanBackwards(ValueError):  # noqa: N818 - a state of the input, read as one
    """An observation older than the one before it: nothing can be concluded from it."""


@dataclass(frozen=True, slots=True)
class GuardState:
    """What one step hands to the next. ``trip`` is the first cause, kept for good: only a new state is without it."""

    memory: Memory = field(default_factory=Memory)
    time_s: float = float("-inf")
    trip: Trip | None = None
    band: BandMemory = field(default_factory=BandMemory)
    evidence: EvidenceMemory = field(default_factory=EvidenceMemory)


def judge(state: GuardState, limits: Limits, observation: Observation) -> tuple[GuardState, Decision]:
    """Decide on one observation.

    Pure: the same state, limits and observation always give the same answer. Once tripped, every further decision
    is a trip with the first cause. Raises TimeRanBackwards if the observation is older than the one before it.
    """
    if observation.time_s < state.time_s:
        raise TimeRanBackwards(
            f"time ran backwards: {observation.time_s} s after {state.time_s} s; nothing can be concluded from that"
        )
    memory = remember(state.memory, limits, observation)
    case = Case(limits, state.memory, memory, observation)
    findings = tuple(finding for check in CHECKS for finding in check(case))
    trip = state.trip or _first_trip(findings, observation, memory)
    severity = Severity.TRIP if trip else max((f.severity for f in findings), default=Severity.SAFE)
    evidence = begun_anew(state.evidence) if observation.expected_event else state.evidence
    band = BandMemory() if observation.expected_event in (TOUCHED, DRIVEN) else state.band
    after = GuardState(memory, observation.time_s, trip, band, evidence)
    return after, Decision(severity, findings, trip)


def judge_expected(
    state: GuardState, decision: Decision, limits: Limits, observation: Observation, expectation: Expectation
) -> tuple[GuardState, Decision]:
    """Add layers 2 and 3 to what `judge` has decided on the same observation, given what was expected of it.

    It can add a warning or a trip; it never takes one back. Pure, as `judge` is.
    """
    band, found = weigh(state.band, limits, observation, expectation)
    evidence, spoken = weigh_evidence(state.evidence, limits, expectation.told)
    state, found = replace(state, band=band, evidence=evidence), (*found, *spoken)
    if not found:
        return state, decision
    trip = state.trip or _first_trip(found, observation, state.memory)
    severity = Severity.TRIP if trip else max(decision.severity, *(f.severity for f in found))
    return replace(state, trip=trip), Decision(severity, (*decision.findings, *found), trip)


def trip_from_outside(state: GuardState, layer: Layer, reason: str) -> GuardState:
    """Latch a trip that the readings did not cause (a lost link, a lost screen). An earlier cause is kept."""
    if state.trip is not None:
        return state
    return replace(state, trip=Trip(state.time_s, state.memory.value(LINE_VOLTAGE), layer, reason))


def _first_trip(findings: tuple[Finding, ...], observation: Observation, memory: Memory) -> Trip | None:
    for finding in findings:
        if finding.severity is Severity.TRIP:
            return Trip(observation.time_s, memory.value(LINE_VOLTAGE), finding.layer, finding.reason, finding.check)
    return None
