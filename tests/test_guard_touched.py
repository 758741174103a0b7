"""What somebody's hold on a bias trimmer explains to the guard, and what it does not."""

from __future__ import annotations

from rampguard.guard.band import BandMemory
from rampguard.guard.decision import POWER_PRESSED, TOUCHED, Observation, Severity
from rampguard.guard.evidence import EvidenceMemory
from rampguard.guard.judge import GuardState, judge
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Reading

LIMITS = Limits(line_voltage_v=253.0, line_current_a=1.0, event_current_a=8.0, current_rise_a=0.2)


def _state() -> GuardState:
    return GuardState(band=BandMemory(excess=0.5), evidence=EvidenceMemory({"x": 9.0}, {"x": 9.0}))


def _seen(time_s: float, amperes: float, event: str = "") -> Observation:
    readings = tuple(
        Reading(signal, value, time_s, time_s, bound=0.001)
        for signal, value in ((LINE_VOLTAGE, 230.0), (LINE_CURRENT, amperes))
    )
    return Observation(time_s, readings, None, event)


def test_it_begins_band_and_evidence_anew() -> None:
    state, _ = judge(_state(), LIMITS, _seen(1.0, 0.2, TOUCHED))
    assert state.band == BandMemory()
    assert state.evidence.sums == {"x": 0.0}


def test_a_press_begins_the_evidence_anew_alone_and_nothing_keeps_both() -> None:
    state, _ = judge(_state(), LIMITS, _seen(1.0, 0.2, POWER_PRESSED))
    assert state.band.excess == 0.5
    assert state.evidence.sums == {"x": 0.0}
    state, _ = judge(_state(), LIMITS, _seen(1.0, 0.2))
    assert state.band.excess == 0.5
    assert state.evidence.sums == {"x": 9.0}


def test_it_excuses_no_rise_and_lifts_no_ceiling() -> None:
    state, _ = judge(GuardState(), LIMITS, _seen(1.0, 0.2, TOUCHED))
    _, decision = judge(state, LIMITS, _seen(1.1, 0.5, TOUCHED))
    assert decision.severity is Severity.TRIP
    assert "rose by" in decision.reason
    _, decision = judge(state, LIMITS, _seen(1.1, 1.1, TOUCHED))
    assert "above its ceiling of 1 A" in decision.reason
    state, _ = judge(GuardState(), LIMITS, _seen(1.0, 0.2, POWER_PRESSED))
    _, decision = judge(state, LIMITS, _seen(1.1, 1.1))
    assert decision.severity is Severity.SAFE or decision.severity is Severity.NOT_EVALUATED
