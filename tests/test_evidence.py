"""Layer 3: the sums against published tables, what it trips at, the ranking, and what no reading may do to it."""

from __future__ import annotations

import math
import random
from dataclasses import replace

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from guard_help import LIMITS, reading
from rampguard.cause_story import STORY, cause_lines
from rampguard.guard.case import INRUSH, STAGE_CURRENT
from rampguard.guard.decision import Finding, Layer, Observation, Severity, Trip
from rampguard.guard.evidence import (
    CAUSE_WORDS,
    EvidenceMemory,
    causes_message,
    cusum,
    ranked,
    weigh_evidence,
)
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.loads.causes import FOLLOWED
from rampguard.loads.trouble import FAULTS
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Bounds, Cause, Expectation, Told

# NIST/SEMATECH e-Handbook 6.3.2.3: target 325, allowance 0.3175, decision interval 4.1959.
NIST = (
    *(324.925, 324.675, 324.725, 324.350, 325.350, 325.225, 324.125, 324.525, 325.225, 324.600),
    *(324.625, 325.150, 328.325, 327.250, 327.825, 328.500, 326.675, 327.775, 326.875, 328.350),
)
NIST_HIGH = (0, 0, 0, 0, 0.03, 0, 0, 0, 0, 0, 0, 0, 3.01, 4.94, 7.45, 10.63, 11.99, 14.44, 16.00, 19.04)
NIST_LOW = (0, 0.01, 0, 0.33, 0, 0, 0.56, 0.72, 0.17, 0.25, 0.31, 0, 0, 0, 0, 0, 0, 0, 0, 0)


def _sums(values: list[float], allowance: float) -> list[float]:
    sums, now = [], 0.0
    for value in values:
        now = cusum(now, value, allowance)
        sums.append(now)
    return sums


def test_the_sum_against_the_nist_handbook() -> None:
    high = _sums([x - 325.0 for x in NIST], 0.3175)
    low = _sums([325.0 - x for x in NIST], 0.3175)
    assert high == pytest.approx(NIST_HIGH, abs=0.0051)  # printed to two digits, 14.445 as 14.44
    assert low == pytest.approx(NIST_LOW, abs=0.0051)
    assert next(n for n, s in enumerate(high, start=1) if s > 4.1959) == 14


def _run_length(generator: random.Random, mean: float, allowance: float, bound: float, *, both: bool) -> int:
    high = low = 0.0
    for n in range(1, 1_000_000):
        x = generator.gauss(mean, 1.0)
        high, low = cusum(high, x, allowance), cusum(low, -x, allowance)
        if high > bound or (both and low > bound):
            return n
    raise AssertionError("never")


@pytest.mark.parametrize(
    ("mean", "both", "published"),
    [
        (0.0, False, 336.0),  # NIST 6.3.2.3.1: one-sided. Two-sided it is half of that (Lucas and Crosier 1982: 168)
        (0.0, True, 168.0),
        (0.5, True, 26.6),
        (1.0, True, 8.38),
        (2.0, True, 3.34),
    ],
)
def test_average_run_lengths_against_the_published_tables(mean: float, both: bool, published: float) -> None:
    generator = random.Random(20261126)
    runs = 2500
    lengths = [_run_length(generator, mean, 0.5, 4.0, both=both) for _ in range(runs)]
    spread = (sum((n - sum(lengths) / runs) ** 2 for n in lengths) / runs) ** 0.5
    assert sum(lengths) / runs == pytest.approx(published, abs=4.0 * spread / math.sqrt(runs) + 0.005 * published)


def test_a_constant_increment_alarms_when_it_must() -> None:
    for z, k, h in ((1.0, 0.5, 4.0), (0.9, 0.25, 8.0), (2.0, 0.5, 5.0)):
        sums = _sums([z] * 100, k)
        assert next(n for n, s in enumerate(sums, start=1) if s > h) == math.floor(h / (z - k)) + 1


def test_a_healthy_stream_comes_to_a_bound_of_h_no_earlier_than_e_to_the_h_on_average() -> None:
    """Lorden 1971: what the stated rate of false alarms rests on; here with a bound that can be simulated."""
    generator, bound, shift = random.Random(5), math.log(200.0), 1.0
    lengths = []
    for _ in range(400):
        now, n = 0.0, 0
        while now < bound:
            now, n = cusum(now, shift * generator.gauss(0.0, 1.0) - 0.5 * shift**2, 0.0), n + 1
        lengths.append(n)
    assert sum(lengths) / len(lengths) >= 200.0


def test_every_cause_has_its_words_its_samples_and_its_name() -> None:
    assert set(Cause) == set(CAUSE_WORDS) == set(STORY) | {Cause.NO_FAULT}
    assert set(FAULTS) == set(Cause) - {Cause.NO_FAULT, Cause.OTHER}
    assert {name for names in FOLLOWED.values() for name in names} == set(Cause) - {Cause.OTHER}
    for words in STORY.values():
        assert words.seen
        assert words.means
        assert words.measure


SHORT, TURNS = "output-stage-short", "shorted-winding-turns"


def _after(*likelihoods: dict[str, float]) -> EvidenceMemory:
    memory = EvidenceMemory()
    for each in likelihoods:
        memory, _ = weigh_evidence(memory, LIMITS, Told(each))
    return memory


@pytest.mark.parametrize(("nats", "trips"), [(11.5, True), (11.49, False)])
def test_it_trips_at_its_bound_whatever_came_before(nats: float, trips: bool) -> None:
    memory = _after({Cause.NO_FAULT: 0.0, TURNS: -50.0})
    _, findings = weigh_evidence(memory, LIMITS, Told({Cause.NO_FAULT: -nats, TURNS: 0.0}))
    assert (findings != ()) == trips


@pytest.mark.parametrize(
    ("nats", "odds"), [(11.5, "1e+05"), (16.2, "1e+07"), (40.0, "2e+17"), (50.0, "2e+17"), (1e6, "2e+17")]
)
def test_it_says_how_much_speaks_against_a_healthy_unit(nats: float, odds: str) -> None:
    _, findings = weigh_evidence(EvidenceMemory(), LIMITS, Told({Cause.NO_FAULT: -nats, TURNS: 0.0}))
    reason = (
        f"the readings speak against a healthy unit, by {odds} to one; most likely it is shorted turns in a winding"
    )
    assert findings == (Finding(Severity.TRIP, Layer.EVIDENCE, "evidence", reason),)


def test_it_trips_at_its_bound_and_says_what_for() -> None:
    memory = EvidenceMemory()
    said = {Cause.NO_FAULT: -5.0, SHORT: -1.0, TURNS: -4.0, Cause.OTHER: -1.0}
    for n in range(1, 4):
        memory, findings = weigh_evidence(memory, LIMITS, Told(said))
        assert bool(findings) == (4.0 * n >= LIMITS.evidence_nats)
    (finding,) = findings
    assert finding.severity is Severity.TRIP
    assert finding.layer is Layer.EVIDENCE
    assert "a short in an output stage" in finding.reason


def test_what_no_model_explains_trips_nothing_by_itself() -> None:
    memory = EvidenceMemory()
    for _ in range(100):
        memory, findings = weigh_evidence(memory, LIMITS, Told({Cause.NO_FAULT: -5.0, SHORT: -9.0, Cause.OTHER: -1.0}))
        assert not findings
    assert ranked(memory, None)[0][0] == Cause.OTHER


def test_the_allowance_goes_with_the_readings_and_is_more_for_a_short() -> None:
    said = Told({Cause.NO_FAULT: -3.0, SHORT: -1.0, TURNS: -1.0}, readings=0.2)
    memory, _ = weigh_evidence(EvidenceMemory(), LIMITS, said)
    assert memory.sums[SHORT] == pytest.approx(2.0 - 0.2 * LIMITS.evidence_gross_nats)
    assert memory.sums[TURNS] == pytest.approx(2.0 - 0.2 * LIMITS.evidence_subtle_nats)
    assert memory.totals == {SHORT: 2.0, TURNS: 2.0}
    memory, _ = weigh_evidence(memory, LIMITS, replace(said, readings=0.1))
    assert memory.sums[SHORT] == pytest.approx(4.0 - 0.3 * LIMITS.evidence_gross_nats)
    assert memory.totals[SHORT] == pytest.approx(2.0 + 2.0 * math.exp(-0.1 / 20.0))


def test_what_was_said_fades_over_twenty_readings() -> None:
    memory = EvidenceMemory(totals={TURNS: 10.0})
    for _ in range(20):
        memory, _ = weigh_evidence(memory, LIMITS, Told({Cause.NO_FAULT: 0.0, TURNS: 0.0}, readings=1.0))
    assert memory.totals[TURNS] == pytest.approx(10.0 / math.e)


@pytest.mark.parametrize("nats", [0.5, 5.0])
def test_where_no_fault_is_spoken_of_nothing_trips_however_low_the_bound(nats: float) -> None:
    said = Told({Cause.NO_FAULT: -nats, Cause.OTHER: 0.0})
    assert weigh_evidence(EvidenceMemory(), replace(LIMITS, evidence_nats=0.5), said)[1] == ()


def test_nothing_told_is_nothing_added() -> None:
    memory = _after({Cause.NO_FAULT: -3.0, SHORT: -1.0})
    assert weigh_evidence(memory, LIMITS, Told()) == (memory, ())


def test_it_may_add_a_trip_and_never_withholds_one() -> None:
    seen = Observation(1.0, (reading(LINE_VOLTAGE, 10.0), reading(LINE_CURRENT, 99.0)))
    state, decision = judge(GuardState(), LIMITS, seen)
    assert decision.trip is not None
    healthy = Expectation(Bounds(0.0, 100.0), Bounds(0.0, 1e4), told=Told({Cause.NO_FAULT: 0.0, SHORT: -50.0}))
    state, both = judge_expected(state, decision, LIMITS, seen, healthy)
    assert both.trip == decision.trip
    calm = Observation(1.0, (reading(LINE_VOLTAGE, 10.0), reading(LINE_CURRENT, 0.01)))
    state, decision = judge(GuardState(), LIMITS, calm)
    assert decision.trip is None
    speaks = replace(healthy, told=Told({Cause.NO_FAULT: -20.0, SHORT: 0.0}))
    state, both = judge_expected(state, decision, LIMITS, calm, speaks)
    assert both.trip is not None
    assert both.trip.layer is Layer.EVIDENCE
    assert state.evidence.totals == {SHORT: 20.0}


PRIOR = {Cause.NO_FAULT: 0.9, Cause.OUTPUT_SHORT: 0.075, Cause.SHORTED_TURNS: 0.015, Cause.OTHER: 0.01}
"""A short is five times as likely as shorted turns; the two together are what no fault and no other leave."""


def test_before_anything_was_read_the_ranking_is_the_prior() -> None:
    nothing = EvidenceMemory(totals={SHORT: 0.0, TURNS: 0.0})
    assert dict(ranked(nothing, None)) == pytest.approx(PRIOR)
    assert [cause for cause, _ in ranked(nothing, None)] == list(PRIOR)
    assert dict(ranked(EvidenceMemory(), None)) == pytest.approx({Cause.NO_FAULT: 0.9 / 0.91, Cause.OTHER: 0.01 / 0.91})


@pytest.mark.parametrize(
    ("layer", "check", "against"),
    [
        (Layer.BAND, "band", {Cause.NO_FAULT: -9.2}),
        (Layer.EVIDENCE, "evidence", {Cause.NO_FAULT: -9.2}),
        (Layer.CEILING, "ceiling", {Cause.NO_FAULT: -9.2}),
        (Layer.READING, "stale", {}),
        (Layer.CEILING, STAGE_CURRENT, {Cause.NO_FAULT: -9.2 - 5.0, TURNS: -5.0}),
        (Layer.CEILING, INRUSH, {Cause.NO_FAULT: -9.2, SHORT: 3.0}),
        (Layer.CEILING, "no-current", {Cause.NO_FAULT: -9.2, Cause.OTHER: 12.0 + math.log(7.5)}),
        (Layer.CEILING, "rail-difference", {Cause.NO_FAULT: -9.2, Cause.OTHER: 12.0 + math.log(7.5)}),
    ],
)
def test_a_trip_counts_by_its_layer_and_its_check(layer: Layer, check: str, against: dict[str, float]) -> None:
    weights = {cause: p * math.exp(against.get(cause, 0.0)) for cause, p in PRIOR.items()}
    expected = {cause: weight / sum(weights.values()) for cause, weight in weights.items()}
    nothing = EvidenceMemory(totals={SHORT: 0.0, TURNS: 0.0})
    assert dict(ranked(nothing, Trip(1.0, 10.0, layer, "it tripped", check))) == pytest.approx(expected)


def test_what_was_said_of_each_ranks_it_and_the_sums_tell_that_there_is_a_fault() -> None:
    memory = EvidenceMemory(sums={SHORT: 1.0, TURNS: 2.0}, totals={SHORT: 4.0, TURNS: 1.0})
    told = {Cause.NO_FAULT: 0.0, SHORT: 2.0, TURNS: -1.0, Cause.OTHER: -2.0}  # the best has the greatest sum, 2
    weights = {cause: p * math.exp(told[cause]) for cause, p in PRIOR.items()}
    expected = {cause: weight / sum(weights.values()) for cause, weight in weights.items()}
    assert dict(ranked(memory, None)) == pytest.approx(expected)


def test_of_two_that_are_as_likely_the_first_by_name_comes_first() -> None:
    even = EvidenceMemory(totals={Cause.RUNAWAY: 0.0, Cause.DIODE_SHORT: 0.0, Cause.LEAK: 0.0})
    names = [cause for cause, _ in ranked(even, None)]
    assert names == [Cause.NO_FAULT, Cause.RUNAWAY, Cause.LEAK, Cause.DIODE_SHORT, Cause.OTHER]


def test_the_ranking_adds_up_and_counts_the_trip() -> None:
    memory = _after({Cause.NO_FAULT: -1.4, SHORT: -1.0, TURNS: -2.0, Cause.OTHER: -4.0})
    before = ranked(memory, None)
    assert sum(p for _, p in before) == pytest.approx(1.0)
    assert before[0][0] == Cause.NO_FAULT
    trip = Trip(1.0, 10.0, Layer.BAND, "above", "band")
    after = ranked(memory, trip)
    assert after[0][0] == SHORT
    lost = ranked(memory, replace(trip, layer=Layer.READING))
    assert lost == before
    assert ranked(memory, replace(trip, layer=Layer.CEILING, check="no-current"))[0][0] == Cause.OTHER
    assert causes_message(after) == [{"cause": cause, "probability": p} for cause, p in after]


def test_current_in_an_emitter_resistor_leaves_what_puts_it_there() -> None:
    memory = _after({Cause.NO_FAULT: -4.0, SHORT: -4.0, TURNS: -1.0, Cause.OTHER: -4.0})
    trip = Trip(1.0, 10.0, Layer.CEILING, "above", "ceiling")
    assert ranked(memory, trip)[0][0] == TURNS
    assert ranked(memory, replace(trip, check=STAGE_CURRENT))[0][0] == SHORT


def test_more_than_an_inrush_is_a_short() -> None:
    memory = _after({Cause.NO_FAULT: -1.0, SHORT: -1.0, TURNS: -1.0, Cause.OTHER: -9.0})
    plain, inrush = (
        dict(ranked(memory, Trip(1.0, 10.0, Layer.CEILING, "above", check))) for check in ("ceiling", INRUSH)
    )
    assert inrush[SHORT] > 0.9
    assert plain[SHORT] < inrush[SHORT]


def test_what_was_read_before_power_was_pressed_counts_no_more() -> None:
    memory = _after({Cause.NO_FAULT: -9.0, SHORT: -30.0, TURNS: -1.0, Cause.OTHER: -9.0})
    state = GuardState(evidence=memory)
    kept, _ = judge(state, LIMITS, Observation(1.0, (reading(LINE_CURRENT, 0.1),), None))
    assert kept.evidence == memory
    pressed, _ = judge(state, LIMITS, Observation(1.0, (reading(LINE_CURRENT, 0.1),), None, "power-pressed"))
    nothing = dict.fromkeys((SHORT, TURNS, Cause.OTHER), 0.0)
    assert pressed.evidence == EvidenceMemory(nothing, nothing)


def test_a_trip_names_the_cause_that_is_ranked_first() -> None:
    # Turns were spoken for at first, and a short by more than that only later.
    first = {Cause.NO_FAULT: -9.0, TURNS: -1.0, SHORT: -30.0, Cause.OTHER: -9.0}
    memory, _ = weigh_evidence(EvidenceMemory(), LIMITS, Told(first))
    later = {Cause.NO_FAULT: -20.0, TURNS: -12.0, SHORT: -1.0, Cause.OTHER: -9.0}
    memory, findings = weigh_evidence(memory, LIMITS, Told(later))
    assert max(memory.sums, key=memory.sums.__getitem__) == SHORT
    likeliest = ranked(memory, None)[0][0]
    assert likeliest == TURNS
    assert [CAUSE_WORDS[likeliest] in finding.reason for finding in findings] == [True]


def test_the_words_name_what_is_not_told_apart_and_put_safety_first() -> None:
    text = "\n".join(cause_lines([(SHORT, 0.6), ("leaky-reservoir", 0.35), (Cause.NO_FAULT, 0.05)], tripped=True))
    assert "60 %  a short in an output stage" in text
    assert "do not tell" in text
    assert "measured below 2 V" in text
    assert not list(cause_lines([(Cause.NO_FAULT, 0.97), (SHORT, 0.03)], tripped=False))


LIKELIHOODS = st.dictionaries(st.sampled_from([Cause.NO_FAULT, SHORT, TURNS, Cause.OTHER]), st.floats(-60.0, 0.0))


@given(st.lists(LIKELIHOODS, max_size=30))
@settings(max_examples=200, deadline=None)
def test_sums_of_a_prefix_are_the_prefix_of_the_sums_and_stay_above_zero(told: list[dict[str, float]]) -> None:
    memories = []
    memory = EvidenceMemory()
    for each in told:
        memory, _ = weigh_evidence(memory, LIMITS, Told(each))
        memories.append(memory)
    assert all(value >= 0.0 for m in memories for value in m.sums.values())
    half = len(told) // 2
    assert _after(*told[:half]).sums == (memories[half - 1].sums if half else {})


@given(st.lists(LIKELIHOODS, max_size=10), st.sampled_from(list(Layer)))
@settings(max_examples=200, deadline=None)
def test_probabilities_are_probabilities(told: list[dict[str, float]], layer: Layer) -> None:
    for trip in (None, Trip(1.0, None, layer, "x", "no-current")):
        found = ranked(_after(*told), trip)
        assert sum(p for _, p in found) == pytest.approx(1.0)
        assert [p for _, p in found] == sorted((p for _, p in found), reverse=True)
        assert len({cause for cause, _ in found}) == len(found)
