"""What a hold on a bias trimmer explains to the guard, and a signal that drives the unit; and what they do not."""

from __future__ import annotations

from guard_help import EMITTER, last, line, reading
from rampguard.guard.band import BandMemory
from rampguard.guard.decision import DRIVEN, POWER_PRESSED, TOUCHED, Observation, Severity
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


DRIVEN_LIMITS = Limits(
    line_voltage_v=253.0,
    line_current_a=1.0,
    real_power_w=100.0,
    emitter_resistor_v=0.06,
    driven_current_a=2.0,
    driven_power_w=200.0,
    driven_emitter_resistor_v=0.2,
    current_rise_a=0.2,
    current_rise_a_per_s=0.3,
)


def _driven(
    time_s: float, amperes: float, watts: float = 50.0, emitter_v: float = 0.01, event: str = DRIVEN
) -> Observation:
    return line(time_s, 230.0, amperes, watts, reading(EMITTER, emitter_v), event=event)


def test_a_drive_has_ceilings_of_its_own_and_explains_a_rise() -> None:
    assert last(_driven(0.0, 0.3), _driven(0.1, 1.9, 199.0, 0.19), limits=DRIVEN_LIMITS).trip is None
    for driven, said in (
        (_driven(0.1, 2.1), "line current 2.1 A is above its ceiling of 2 A"),
        (_driven(0.1, 1.0, 201.0), "real power 201 W is above its ceiling of 200 W"),
        (_driven(0.1, 1.0, 150.0, 0.21), "emitter-resistor voltage, left 0.21 V is above its ceiling of 0.2 V"),
    ):
        decision = last(_driven(0.0, 0.9), driven, limits=DRIVEN_LIMITS)
        assert decision.trip is not None
        assert said in decision.reason


def test_a_drive_that_is_over_explains_nothing_any_more() -> None:
    decision = last(_driven(0.0, 0.9), _driven(0.1, 1.1, event=""), limits=DRIVEN_LIMITS)
    assert "above its ceiling of 1 A" in decision.reason
    decision = last(_driven(0.0, 0.3), _driven(0.1, 0.6, event=""), limits=DRIVEN_LIMITS)
    assert "rose by 0.3 A" in decision.reason


def test_a_drive_lifts_no_ceiling_that_it_has_none_of_its_own_for() -> None:
    assert last(_seen(0.0, 1.1, DRIVEN), limits=LIMITS).trip is not None
    high = line(0.0, 260.0, 0.3, event=DRIVEN)
    assert "line voltage" in last(high, limits=DRIVEN_LIMITS).reason


def test_band_and_evidence_begin_anew_with_it_too() -> None:
    state, _ = judge(_state(), LIMITS, _seen(1.0, 0.2, DRIVEN))
    assert state.band == BandMemory()
    assert state.evidence.sums == {"x": 0.0}
