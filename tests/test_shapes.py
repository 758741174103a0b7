"""The shape of the current's wave: what it is, what it says of the causes, and all that it must leave as it is."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t as student

from guard_help import LIMITS, reading
from instruments.simulated.units import make_batch
from rampguard.cause_story import cause_lines, wave_words
from rampguard.engine.expecting import Expecting, Sights
from rampguard.guard.decision import Layer, Observation, Trip
from rampguard.guard.evidence import EvidenceMemory, ranked, wave_message, weigh_evidence
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.loads import shapes
from rampguard.loads.basis import Basis
from rampguard.loads.causes import FOLLOWED
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.loads.following import Sight
from rampguard.loads.shapes import MOST_NATS, SHAPES, Shapes, ShapesState, shape_nats, wave_of
from rampguard.quantities import (
    LINE_CURRENT,
    LINE_CURRENT_DC,
    LINE_CURRENT_DOWN,
    LINE_CURRENT_UP,
    LINE_VOLTAGE,
    SHAPE_QUANTITIES,
    Cause,
    Expectation,
    Signal,
    Told,
    Validity,
    Wave,
)
from rampguard.replay import ReplayInput, ReplayResult, replay

AMPLIFIER = SHAPES["linear-amplifier"]
NAMEPLATE_A = 1.0
ANGLE = 2.0 * np.pi * np.arange(3600) / 3600.0


def _sight(time_s: float, volts: float, amperes: float, up: float | None, down: float | None, **more: float) -> Sight:
    given = {"current_bound_a": 1e-4} | more
    return Sight(
        time_s=time_s,
        line_voltage_v=volts,
        line_current_a=amperes,
        current_up_a=up,
        current_down_a=down,
        current_bound_a=given["current_bound_a"],
        event=bool(given.get("event", 0)),
    )


def _of_wave(amperes: np.ndarray) -> Wave:
    rms = float(np.sqrt(np.mean(amperes**2)))
    wave = wave_of(_sight(0.0, 10.0, rms, float(amperes.max()), float(-amperes.min())), NAMEPLATE_A)
    assert wave is not None
    return wave


def test_crest_factors_are_those_of_the_textbook() -> None:
    # Crest factors of a sine, a half-wave rectified sine, a triangle, a square wave: sqrt 2, 2, sqrt 3, 1 (textbook).
    sine = np.sin(ANGLE)
    triangle = 2.0 / np.pi * np.arcsin(sine)
    for amperes, crest in ((sine, math.sqrt(2.0)), (triangle, math.sqrt(3.0)), (np.sign(sine + 1e-9), 1.0)):
        wave = _of_wave(amperes)
        assert (wave.apart, wave.crest) == (pytest.approx(0.0, abs=1e-3), pytest.approx(crest, rel=1e-3))
    half = _of_wave(np.maximum(sine, 0.0))
    assert (half.apart, half.crest) == (pytest.approx(1.0), pytest.approx(2.0, rel=1e-3))
    # One half wave twice the other: (2 - 1) / (2 + 1); rms of half cycles of 2 and 1: sqrt((4 + 1) / 4).
    lame = _of_wave(np.where(sine > 0.0, 2.0 * sine, sine))
    assert (lame.apart, lame.crest) == (pytest.approx(1 / 3), pytest.approx(2.0 / math.sqrt(1.25), rel=1e-3))


def test_the_spreads_tails_are_students() -> None:
    # Student's density with 4 degrees of freedom, by scipy, which had no part in it.
    for sigmas in (0.0, 0.5, 1.0, 3.0, 10.0):
        expected = student(4).logpdf(sigmas) - student(4).logpdf(0.0)
        assert shapes._student(sigmas) == pytest.approx(expected)


def test_between_the_parts_it_goes_by_the_logarithm_and_beyond_them_it_stays() -> None:
    values = (1.0, 2.0, 3.0, 4.0, 5.0, 6.0)
    for place, part in enumerate(shapes.PARTS):
        assert shapes._at(values, part) == pytest.approx(values[place])
    assert shapes._at(values, math.sqrt(0.03 * 0.07)) == pytest.approx(1.5)
    assert (shapes._at(values, 0.001), shapes._at(values, 9.0)) == (1.0, 6.0)


def test_every_spread_is_of_a_cause_that_its_class_follows() -> None:
    assert set(SHAPES) <= set(LOAD_CLASSES)
    for name, looks in SHAPES.items():
        assert set(looks) <= set(FOLLOWED[name]) - {Cause.NO_FAULT}
        for spreads in looks.values():
            for spread in spreads:
                assert all(crest >= math.sqrt(2.0) for crest in spread.crest)
                assert all(0.0 <= apart < 1.0 for apart in spread.apart)
            for shares in zip(*(spread.share for spread in spreads), strict=True):
                assert sum(shares) == pytest.approx(1.0)
                assert min(shares) > 0.0


PEAKS = st.floats(0.0, 50.0)


@given(PEAKS, PEAKS, st.floats(1e-3, 20.0), st.floats(0.5, 300.0), st.floats(0.0, 0.5), st.sampled_from(sorted(SHAPES)))
@settings(max_examples=300, deadline=None)
def test_up_and_down_are_told_alike_and_nothing_by_more_than_the_cap(
    up: float, down: float, amperes: float, volts: float, bound: float, name: str
) -> None:
    of = Shapes(SHAPES[name], nameplate_v=230.0, nameplate_w=230.0 * NAMEPLATE_A)
    before = ShapesState(0.0, 0.98 * volts)
    one = of.step(before, _sight(0.1, volts, amperes, up, down, current_bound_a=bound))
    other = of.step(before, _sight(0.1, volts, amperes, down, up, current_bound_a=bound))
    assert one == other
    if one[1] is not None:
        wave, nats = one[1]
        assert 0.0 <= wave.apart <= 1.0
        assert set(nats) == {*SHAPES[name], Cause.OTHER}
        assert max(nats.values()) == 0.0
        assert min(nats.values()) >= -MOST_NATS


STILL = ShapesState(0.0, 4.0)


def _says(sight: Sight, before: ShapesState = STILL) -> dict[str, float] | None:
    of = Shapes(AMPLIFIER, nameplate_v=230.0, nameplate_w=230.0 * NAMEPLATE_A)
    _, told = of.step(before, sight)
    return None if told is None else told[1]


def test_unlike_half_waves_speak_for_a_diode_and_like_ones_for_a_short() -> None:
    lame = _says(_sight(0.1, 4.0, 0.2, 0.35, 0.25))
    even = _says(_sight(0.1, 4.0, 0.2, 0.33, 0.33))
    pulses = _says(_sight(0.1, 4.0, 0.2, 0.6, 0.6))
    assert lame is not None
    assert even is not None
    assert pulses is not None
    assert lame[Cause.DIODE_SHORT] == 0.0
    assert lame[Cause.OUTPUT_SHORT] < -2.0
    assert even[Cause.OUTPUT_SHORT] == 0.0
    assert even[Cause.DIODE_SHORT] < -1.0
    assert pulses[Cause.LEAK] == pulses[Cause.RUNAWAY] == 0.0
    assert max(pulses[cause] for cause in (Cause.OUTPUT_SHORT, Cause.DIODE_SHORT)) == -MOST_NATS


def test_meters_that_tell_little_and_a_line_that_moves_fast_make_it_say_less() -> None:
    wave = Wave(0.2, 1.66)
    sharp, dull, moving = (
        shape_nats(AMPLIFIER, wave, 0.2, relative_bound=bound, rise=rise)[Cause.OUTPUT_SHORT]
        for bound, rise in ((0.0, 0.0), (0.3, 0.0), (0.0, 0.05))
    )
    assert sharp < dull < 0.0
    assert sharp < moving


@pytest.mark.parametrize(
    ("sight", "before"),
    [
        (_sight(0.1, 4.0, 0.2, None, 0.25), STILL),
        (_sight(0.1, 4.0, 0.2, 0.3, None), STILL),
        (_sight(0.1, 4.0, 0.0199, 0.03, 0.03), STILL),  # a fiftieth of nameplate current
        (_sight(0.1, 4.0, 0.2, 0.35, 0.25, current_bound_a=0.041), STILL),  # a fifth of the reading
        (_sight(0.1, 4.0, 0.2, 0.19, 0.1), STILL),  # no wave peaks below its rms value
        (_sight(0.1, 4.0, 0.2, 0.35, 0.25), ShapesState()),  # how fast the line rises is not known
        (_sight(2.0, 4.0, 0.2, 0.35, 0.25), STILL),
        (_sight(0.1, 0.0, 0.2, 0.35, 0.25), STILL),
        (_sight(0.1, 4.0, 0.2, 0.35, 0.25, event=1), STILL),
        (_sight(1.1, 4.0, 0.2, 0.35, 0.25), ShapesState(1.0, 4.0, event_until_s=1.1)),
    ],
)
def test_nothing_is_told_where_there_is_nothing_to_tell(sight: Sight, before: ShapesState) -> None:
    assert _says(sight, before) is None


def test_a_second_after_the_press_it_is_told_again() -> None:
    of = Shapes(AMPLIFIER, nameplate_v=230.0, nameplate_w=230.0 * NAMEPLATE_A)
    state, told = ShapesState(0.0, 180.0), []
    for n in range(1, 13):
        state, said = of.step(state, _sight(0.1 * n, 180.0, 0.5, 1.5, 0.8, event=int(n == 1)))
        told.append(said is not None)
    assert told == [False] * 11 + [True]  # the last is 1.1 s after it


def test_behind_a_series_lamp_and_of_classes_not_learnt_nothing_is_told() -> None:
    sight = _sight(0.1, 4.0, 0.2, 0.35, 0.25)
    for basis, told in (
        (Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=230.0), True),
        (Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=230.0, series_lamp_w=60.0), False),
        (Basis(load_class="heater", nameplate_v=230.0, nameplate_w=230.0), False),
        (Basis(load_class="receiver", nameplate_v=230.0, nameplate_w=230.0), False),
    ):
        assert (basis.shapes().step(ShapesState(0.0, 4.0), sight)[1] is not None) == told


# -- on the way to the guard --------------------------------------------------------------------------------------


def _cycle(
    time_s: float, volts: float, amperes: float, up: float | None = None, down: float | None = None
) -> Observation:
    beside = [(LINE_CURRENT_UP, up), (LINE_CURRENT_DOWN, down), (LINE_CURRENT_DC, None if up is None else 0.0)]
    peaks = (reading(signal, value, bound=1e-3) for signal, value in beside if value is not None)
    return Observation(
        time_s, (reading(LINE_VOLTAGE, volts, bound=0.01), reading(LINE_CURRENT, amperes, bound=1e-3), *peaks), None
    )


def test_peaks_come_with_the_current_of_their_cycle_or_not_at_all() -> None:
    sights = Sights()
    seen = sights.of(_cycle(1.0, 4.0, 0.2, 0.35, 0.25))
    assert seen is not None
    assert (seen.sight.current_up_a, seen.sight.current_down_a) == (0.35, 0.25)
    seen = sights.of(_cycle(1.1, 4.0, 0.2))
    assert seen is not None
    assert (seen.sight.current_up_a, seen.sight.current_down_a) == (None, None)
    assert sights.of(Observation(1.2, (reading(LINE_CURRENT_UP, 0.3), reading(LINE_CURRENT_DOWN, 0.3)), None)) is None


RISE = [(0.1 * n, 0.2 * n, 0.004 * n) for n in range(1, 30)]
"""A line that rises by 2 V a second, and a current that goes with it: s, V, A."""


def _judged(*, lame: bool) -> tuple[GuardState, list[Expectation]]:
    basis = Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=230.0)
    expecting, sights, state, expectations = Expecting(basis), Sights(), GuardState(), []
    for time_s, volts, amperes in RISE:
        peaks = (2.0 * amperes, 1.2 * amperes) if lame else ()
        seen = sights.of(_cycle(time_s, volts, amperes, *peaks))
        assert seen is not None
        state, decision = judge(state, LIMITS, seen.observation)
        expectations.append(expecting.expect(seen))
        state, _ = judge_expected(state, decision, LIMITS, seen.observation, expectations[-1])
    return state, expectations


def test_without_peaks_all_is_as_it_was_and_with_them_only_the_ranking_differs() -> None:
    (plain, expected), (lame, shaped) = _judged(lame=False), _judged(lame=True)
    assert all(e.told.shape == {} and e.told.wave is None for e in expected)
    assert any(e.told.shape for e in shaped)
    assert [replace(e, told=replace(e.told, shape={}, wave=None)) for e in shaped] == expected
    assert (lame.trip, lame.band) == (plain.trip, plain.band)
    assert (lame.evidence.sums, lame.evidence.totals) == (plain.evidence.sums, plain.evidence.totals)
    without, with_shape = (dict(ranked(state.evidence, state.trip)) for state in (plain, lame))
    assert with_shape[Cause.DIODE_SHORT] > without[Cause.DIODE_SHORT]
    assert with_shape[Cause.NO_FAULT] == pytest.approx(without[Cause.NO_FAULT])


NATS = st.dictionaries(st.sampled_from([c for c in Cause if c != Cause.NO_FAULT]), st.floats(-MOST_NATS, 0.0))
SUMS = st.dictionaries(st.sampled_from([c for c in Cause if c != Cause.NO_FAULT]), st.floats(0.0, 30.0), min_size=1)


@given(SUMS, NATS, st.floats(-30.0, 0.0), st.booleans())
@settings(max_examples=200, deadline=None)
def test_a_shape_neither_trips_nor_keeps_from_it_and_says_not_whether_there_is_a_fault(
    sums: dict[str, float], shape: dict[str, float], healthy: float, tripped: bool
) -> None:
    before = EvidenceMemory(sums=sums, totals=sums)
    nats = {Cause.NO_FAULT: healthy, **dict.fromkeys(sums, 0.0)}
    plain, found = weigh_evidence(before, LIMITS, Told(nats))
    shaped, found_too = weigh_evidence(before, LIMITS, Told(nats, shape=shape, wave=Wave(0.1, 1.5)))
    assert bool(found) == bool(found_too)
    assert (shaped.sums, shaped.totals) == (plain.sums, plain.totals)
    trip = Trip(1.0, 10.0, Layer.BAND, "above", "band") if tripped else None
    one, other = dict(ranked(plain, trip)), dict(ranked(shaped, trip))
    assert other[Cause.NO_FAULT] == pytest.approx(one[Cause.NO_FAULT])
    assert sum(other.values()) == pytest.approx(1.0)
    for cause, p in one.items():
        for than, q in one.items():
            if Cause.NO_FAULT not in (cause, than) and min(p, q, other[cause], other[than]) > 1e-12:
                assert abs(math.log(other[cause] / other[than]) - math.log(p / q)) <= MOST_NATS * 2.0 + 1e-6


def test_it_moves_what_is_believed_among_the_faults_it_speaks_of_and_nothing_else() -> None:
    sums = {Cause.OUTPUT_SHORT: 3.0, Cause.DIODE_SHORT: 2.0, Cause.LEAK: 1.0}
    plain = EvidenceMemory(sums=sums, totals=sums)
    before = dict(ranked(plain, None))
    shape = {Cause.OUTPUT_SHORT: -2.0, Cause.DIODE_SHORT: 0.0, Cause.RUNAWAY: -4.0}  # of the last none was spoken
    after = dict(ranked(replace(plain, shape=shape), None))
    for cause in (Cause.NO_FAULT, Cause.LEAK, Cause.OTHER):
        assert after[cause] == pytest.approx(before[cause])
    short, diode = before[Cause.OUTPUT_SHORT], before[Cause.DIODE_SHORT]
    part = (short + diode) / (short * math.exp(-2.0) + diode)
    assert after[Cause.OUTPUT_SHORT] == pytest.approx(part * short * math.exp(-2.0))
    assert after[Cause.DIODE_SHORT] == pytest.approx(part * diode)
    elsewhere = dict(ranked(replace(plain, shape={Cause.RUNAWAY: -4.0}), None))
    assert elsewhere == before


def test_the_newest_shape_counts_alone_and_a_press_of_power_forgets_it() -> None:
    memory = EvidenceMemory(sums={Cause.LEAK: 9.0, Cause.RUNAWAY: 9.0}, totals={Cause.LEAK: 9.0, Cause.RUNAWAY: 9.0})
    for nats in (-1.0, -3.0, -2.0):
        memory, _ = weigh_evidence(
            memory, LIMITS, Told(shape={Cause.LEAK: 0.0, Cause.RUNAWAY: nats}, wave=Wave(0.0, 3.0))
        )
    kept, _ = weigh_evidence(memory, LIMITS, Told())
    assert kept == memory
    odds = dict(ranked(memory, None))
    assert odds[Cause.LEAK] / odds[Cause.RUNAWAY] == pytest.approx(math.exp(2.0))
    pressed, _ = judge(GuardState(evidence=memory), LIMITS, Observation(1.0, (), None, "power-pressed"))
    assert (pressed.evidence.shape, pressed.evidence.wave) == ({}, None)


def test_a_shape_has_no_ceiling_and_no_place_among_what_was_not_evaluated() -> None:
    _, decision = judge(GuardState(), LIMITS, _cycle(0.0, 4.0, 0.1, 99.0, 99.0))
    _, plain = judge(GuardState(), LIMITS, _cycle(0.0, 4.0, 0.1))
    assert decision == plain
    assert all(LIMITS.ceiling(quantity, in_event=False) is None for quantity in SHAPE_QUANTITIES)
    late = Observation(0.0, (reading(LINE_CURRENT_UP, 99.0), reading(LINE_CURRENT, 99.0)), None)
    _, decision = judge(GuardState(), LIMITS, late)
    assert decision.trip is not None
    assert decision.trip.check == "ceiling"
    bad = Observation(0.0, (reading(LINE_CURRENT_UP, None, validity=Validity.OVER_RANGE),), None)
    _, decision = judge(GuardState(), LIMITS, bad)
    assert decision.trip is None
    assert "peak line current, positive half wave: reading is over-range" in decision.reason


def test_each_has_its_column() -> None:
    for signal, column in (
        (LINE_CURRENT_UP, "line_current_up_a"),
        (LINE_CURRENT_DOWN, "line_current_down_a"),
        (LINE_CURRENT_DC, "line_current_dc_a"),
    ):
        assert signal.column == column
        assert Signal.from_column(column) == signal


# -- the words ----------------------------------------------------------------------------------------------------


def test_the_words_say_what_the_wave_showed_and_what_it_is_like() -> None:
    shape = {Cause.DIODE_SHORT: 0.0, Cause.OUTPUT_SHORT: -3.0, Cause.OTHER: -0.5}
    told = wave_message(EvidenceMemory(shape=shape, wave=Wave(0.2, 1.55)))
    assert told == {"apart": 0.2, "crest": 1.55, "speaks_for": "rectifier-diode-short"}
    assert wave_words(told) == (
        "one half wave of the current peaks 50 % higher than the other, and it is nearly a sine (crest factor 1.55),"
        " as with a shorted rectifier diode"
    )
    text = "\n".join(cause_lines([(Cause.DIODE_SHORT, 0.9)], tripped=True, wave=told, width=80))
    assert "peaks 50 % higher" in " ".join(text.split())
    assert max(map(len, text.splitlines())) <= 98  # what is to be done first is one line, as without a wave
    assert wave_message(EvidenceMemory()) is None


@pytest.mark.parametrize(
    ("shape", "speaks_for"),
    [
        ({Cause.DIODE_SHORT: 0.0, Cause.LEAK: -1.0}, Cause.DIODE_SHORT),
        ({Cause.DIODE_SHORT: 0.0, Cause.LEAK: -0.99}, None),
        ({Cause.LEAK: -3.0, Cause.DIODE_SHORT: -1.5, Cause.OTHER: 0.0}, Cause.DIODE_SHORT),
        ({Cause.DIODE_SHORT: 0.0, Cause.OTHER: -4.0}, None),  # with none beside it there is nothing to be ahead of
        ({}, None),
    ],
)
def test_it_speaks_for_a_fault_that_is_ahead_of_all_followed(shape: dict[str, float], speaks_for: str | None) -> None:
    told = wave_message(EvidenceMemory(shape=shape, wave=Wave(0.1, 1.5)))
    assert told == {"apart": 0.1, "crest": 1.5, "speaks_for": speaks_for}
    assert told is not None
    assert type(told["speaks_for"]) in (str, type(None))


@pytest.mark.parametrize(
    ("apart", "crest", "said"),
    [
        (0.05, 2.0, "the two half waves of the current are alike, and it comes in broad pulses"),
        (0.02, 3.0, "the two half waves of the current are alike, and it comes in narrow pulses"),
        (0.2, 2.0, "one half wave of the current peaks 50 % higher than the other"),
        (0.5, 2.0, "one half wave of the current peaks 3.0 times as high as the other"),
        (0.8, 2.0, "the current flows almost in one half wave alone"),
    ],
)
def test_a_wave_that_speaks_for_none_says_so(apart: float, crest: float, said: str) -> None:
    even = {Cause.LEAK: 0.0, Cause.RUNAWAY: -0.9, Cause.OTHER: -1.0}
    told = wave_message(EvidenceMemory(shape=even, wave=Wave(apart, crest)))
    assert told is not None
    assert told["speaks_for"] is None
    assert wave_words(told).startswith(said)
    assert wave_words(told).endswith("which tells no fault from others")


# -- simulated units, whose waves share no formula with these -----------------------------------------------------


def _simulated(name: str, volts: float, cycles: int = 12) -> np.ndarray:
    """How far apart the half waves of four units are after some cycles at one line voltage."""
    steps, hertz, seeds = 128, 50.0, range(5, 9)
    unit = make_batch(name, seeds, 230.0, hertz)
    for _ in range(cycles):
        up, down = np.zeros(len(seeds)), np.zeros(len(seeds))
        for sine in np.sin(2.0 * np.pi * np.arange(steps) / steps):
            amperes = unit.step(math.sqrt(2.0) * volts * sine * np.ones(len(seeds)), 1.0 / (hertz * steps))
            up, down = (np.maximum(up, amperes), down) if sine > 0.0 else (up, np.maximum(down, -amperes))
    return np.asarray(np.abs(up - down) / (up + down))


def test_of_simulated_units_a_shorted_diode_has_unlike_half_waves_and_a_shorted_pair_like_ones() -> None:
    assert np.all(_simulated("shorted-rectifier", 12.0) > 0.05)
    assert np.all(_simulated("shorted-output", 12.0) < 0.02)


@pytest.fixture(scope="module")
def table() -> list[dict[str, float]]:
    """What a digitiser would tell of an amplifier with a shorted diode, a cycle in five, the line rising by 2 V/s."""
    unit, steps, rows = make_batch("shorted-rectifier", [5], 230.0, 50.0), 128, []
    for cycle in range(1, 71):
        volts, line_v, line_a = 0.04 * cycle, np.zeros(steps), np.zeros(steps)
        for n, sine in enumerate(np.sin(2.0 * np.pi * np.arange(steps) / steps)):
            source = math.sqrt(2.0) * volts * sine
            line_a[n] = unit.step(np.array([source]), 0.02 / steps)[0]
            line_v[n] = source - line_a[n] * np.ravel(unit.supply_ohm)[0]
        if cycle % 5 == 0:
            rows.append(
                {
                    "time_s": 0.02 * cycle,
                    "line_voltage_v": float(np.sqrt(np.mean(line_v**2))),
                    "line_current_a": float(np.sqrt(np.mean(line_a**2))),
                    "real_power_w": float(np.mean(line_v * line_a)),
                    "line_current_up_a": float(line_a.max()),
                    "line_current_down_a": float(-line_a.min()),
                }
            )
    return rows


def _replayed(folder: Path, rows: list[dict[str, float]], columns: int) -> ReplayResult:
    names = list(rows[0])[:columns]
    lines = [",".join(names), *(",".join(f"{row[name]:.6f}" for name in names) for row in rows)]
    file = folder / f"{columns}.csv"
    file.write_text("\n".join(lines) + "\n", encoding="utf-8")
    given = ReplayInput(load_class="linear-amplifier", nameplate_w=300.0, meter="v=0.1%+0.01,a=0.5%+0.002")
    return replay(str(file), given, notes=lambda _: None)


def test_a_table_with_peaks_trips_where_it_did_and_names_the_diode_with_more_right(
    table: list[dict[str, float]], tmp_path: Path
) -> None:
    plain, shaped = _replayed(tmp_path, table, 4), _replayed(tmp_path, table, 6)
    assert plain.trip is not None
    assert shaped.trip == plain.trip
    assert "wave" not in plain.as_message
    assert dict(shaped.causes)[Cause.DIODE_SHORT] > dict(plain.causes)[Cause.DIODE_SHORT]
    assert set(shaped.as_message["wave"]) == {"apart", "crest", "speaks_for"}
    assert "nearly a sine" in " ".join(shaped.as_text.split())
    assert "The wave" not in plain.as_text
