"""Fuses against makers' printed gates of IEC 60127-2, and against their printed I2t."""

from __future__ import annotations

import math

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st

from rampguard.sums.fuse import Fuse, first, gates_of, i2t_a2s, parse_fuse, told_fuse
from rampguard.sums.gates import TABLE, Melting, melting
from rampguard.sums.told import SumError

HOUR = 3600.0
GATES = [
    # mark, {multiple: (least s, longest s)}; Schurter FST (sheet 3), and Littelfuse 213 the same from 0.125 A
    ("T50mAL", {1.5: (HOUR, None), 2.1: (None, 120), 2.75: (0.2, 10), 4: (0.04, 3), 10: (0.01, 0.3)}),
    ("T100mAL", {1.5: (HOUR, None), 2.1: (None, 120), 2.75: (0.2, 10), 4: (0.04, 3), 10: (0.01, 0.3)}),
    ("T125mAL", {1.5: (HOUR, None), 2.1: (None, 120), 2.75: (0.6, 10), 4: (0.15, 3), 10: (0.02, 0.3)}),
    ("T6.3AL", {1.5: (HOUR, None), 2.1: (None, 120), 2.75: (0.6, 10), 4: (0.15, 3), 10: (0.02, 0.3)}),
    ("T10AL", {1.5: (HOUR / 2, None), 2.1: (None, 120), 2.75: (0.6, 10), 4: (0.15, 3), 10: (0.02, 0.3)}),
    # Littelfuse 215: no gate at 10 In
    ("T500mAH", {1.5: (HOUR, None), 2.1: (None, 1800), 2.75: (0.25, 80), 4: (0.05, 5)}),
    # Schurter SMD-SPT, Littelfuse 215
    ("T1AH", {1.5: (HOUR, None), 2.1: (None, 1800), 2.75: (0.75, 80), 4: (0.095, 5), 10: (0.01, 0.15)}),
    ("T3.15AH", {1.5: (HOUR, None), 2.1: (None, 1800), 2.75: (0.75, 80), 4: (0.095, 5), 10: (0.01, 0.15)}),
    # at 10 In one maker prints 20 ms, the other 10 ms at least
    ("T4AH", {1.5: (HOUR, None), 2.1: (None, 1800), 2.75: (0.75, 80), 4: (0.15, 5), 10: (0.01, 0.15)}),
    ("T6.3AH", {1.5: (HOUR, None), 2.1: (None, 1800), 2.75: (0.75, 80), 4: (0.15, 5), 10: (0.01, 0.15)}),
    # from memory
    ("F2AL", {2.1: (None, 1800), 2.75: (0.01, 2), 4: (0.003, 0.3), 10: (None, 0.02)}),
    ("F2AH", {2.1: (None, 1800), 2.75: (0.01, 2), 4: (0.003, 0.3), 10: (None, 0.02)}),
]


@pytest.mark.parametrize(("mark", "printed"), GATES)
def test_the_gates_are_as_printed(mark: str, printed: dict[float, tuple[float | None, float | None]]) -> None:
    row = gates_of(parse_fuse(mark))
    assert {gate.multiple: (gate.least_s, gate.longest_s) for gate in row.gates} == printed


@pytest.mark.parametrize(
    ("mark", "multiple", "least_s", "longest_s"),
    [
        ("T1AH", 2.75, 1.0, 80.0),  # Bel 5HT, the old edition IEC 127-2
        ("T1AH", 10.0, 0.01, 0.1),
        ("T5AH", 10.0, 0.02, 0.15),  # Schurter SMD-SPT
        ("T5AH", 10.0, 0.01, 0.15),  # Littelfuse 215SP
    ],
)
def test_where_sources_differ_neither_goes_beyond_ours(
    mark: str, multiple: float, least_s: float, longest_s: float
) -> None:
    melts = melting(gates_of(parse_fuse(mark)).gates, multiple)
    assert melts.least_s is not None
    assert melts.longest_s is not None
    assert melts.least_s <= least_s
    assert melts.longest_s >= longest_s


@pytest.mark.parametrize(
    ("mark", "a2s"), [("T1AH", 1.1), ("T2AH", 9.2), ("T3.15AH", 33.7), ("T5AH", 97.5), ("T6.3AH", 171.0)]
)
def test_a_makers_i2t_at_ten_times_lies_between_the_gates(mark: str, a2s: float) -> None:
    """Schurter SMD-SPT's data sheet."""
    fuse = parse_fuse(mark)
    least, most = i2t_a2s(fuse, gates_of(fuse))
    assert least is not None
    assert most is not None
    assert least <= a2s <= most


@pytest.mark.parametrize(
    ("mark", "breaks_a"),
    # Littelfuse 213 lists 35, 40, 50, 63 A; sheet 5 1500 A (Schurter, Bel)
    [("T3.15AL", 35.0), ("T4AL", 40.0), ("T5AL", 50.0), ("T6.3AL", 63.0), ("T2AH", 1500.0)],
)
def test_what_it_is_made_to_break(mark: str, breaks_a: float) -> None:
    assert parse_fuse(mark).breaks_a == pytest.approx(breaks_a)
    assert told_fuse(parse_fuse(mark), 0.99 * breaks_a).values["can_break"] is True
    beyond = told_fuse(parse_fuse(mark), 1.01 * breaks_a)
    assert beyond.values["can_break"] is False
    assert "MADE TO BREAK" in beyond.answer[0]


@settings(deadline=None)
@given(st.sampled_from(TABLE), st.floats(0.1, 100.0), st.floats(1.0001, 3.0))
def test_more_current_melts_no_later(row: object, multiple: float, more: float) -> None:
    gates = row.gates  # type: ignore[attr-defined]
    one, other = melting(gates, multiple), melting(gates, multiple * more)
    for low, high in ((one.least_s, other.least_s), (one.drawn_least_s, other.drawn_least_s)):
        if low is not None and high is not None:
            assert high <= low
    for low, high in ((one.longest_s, other.longest_s), (one.drawn_longest_s, other.drawn_longest_s)):
        if low is not None and high is not None:
            assert high <= low
    # what was not known stays so only where no gate lies above (least) or below (longest)
    assert one.longest_s is None or other.longest_s is not None
    assert other.least_s is None or one.least_s is not None


@settings(deadline=None)
@given(st.sampled_from(TABLE), st.floats(1.0, 12.0))
def test_what_is_drawn_lies_within_what_surely_holds(row: object, multiple: float) -> None:
    melts = melting(row.gates, multiple)  # type: ignore[attr-defined]
    if melts.drawn_least_s is not None:
        assert melts.least_s is not None
        assert melts.drawn_least_s >= melts.least_s * (1 - 1e-9)
    if melts.drawn_longest_s is not None:
        assert melts.longest_s is not None
        assert melts.drawn_longest_s <= melts.longest_s * (1 + 1e-9)


def test_half_way_between_two_gates_is_their_geometric_mean() -> None:
    melts = melting(gates_of(parse_fuse("T1AL")).gates, math.sqrt(4.0 * 10.0))
    assert melts.drawn_least_s == pytest.approx(math.sqrt(0.15 * 0.02))
    assert melts.drawn_longest_s == pytest.approx(math.sqrt(3.0 * 0.3))
    assert (melts.least_s, melts.longest_s) == (0.02, 3.0)


@pytest.mark.parametrize(
    ("off_s", "winner"), [(0.019, "trip"), (0.02, "likely trip"), (0.1, "either"), (3.0, "either"), (3.1, "fuse")]
)
def test_who_comes_first(off_s: float, winner: str) -> None:
    assert first(Melting(0.02, 3.0, 0.05, 1.0), off_s) == winner


@settings(deadline=None)
@given(st.floats(0.001, 100.0), st.floats(0.001, 100.0), st.floats(0.5, 20.0))
def test_a_later_off_never_saves_a_fuse(one_s: float, other_s: float, multiple: float) -> None:
    order = ["trip", "likely trip", "either", "fuse"]
    melts = melting(gates_of(parse_fuse("T1AL")).gates, multiple)
    assume(one_s <= other_s)
    assert order.index(first(melts, one_s)) <= order.index(first(melts, other_s))


def test_a_bench_that_is_off_in_10_ms_saves_a_time_lag_fuse_at_ten_times_its_rating() -> None:
    told = told_fuse(parse_fuse("T2AL"), 20.0, off_s=0.01)
    assert told.values["first"] == [{"off_s": 0.01, "first": "trip"}]
    assert "the fuse survives" in " ".join(told.answer)


def test_at_its_promise_and_at_what_is_usual() -> None:
    told = told_fuse(parse_fuse("T2AL"), 8.0)
    assert told.values["first"] == [{"off_s": 1.0, "first": "either"}, {"off_s": 0.1, "first": "trip"}]


@pytest.mark.parametrize("multiple", [0.5, 2.0])
def test_below_the_gate_that_melts_it_only_the_guard_watches(multiple: float) -> None:
    told = told_fuse(parse_fuse("T2AL"), 2.0 * multiple)
    assert told.values["longest_s"] is None
    assert "may never melt" in " ".join(told.answer)


def test_beyond_the_gates_it_says_so_and_promises_no_least_time() -> None:
    told = told_fuse(parse_fuse("T2AL"), 21.0)
    assert told.values["least_s"] is None
    assert told.values["longest_s"] == 0.3
    assert "Outside the gates" in " ".join(told.answer)
    assert "Outside the gates" not in " ".join(told_fuse(parse_fuse("T2AL"), 20.0).answer)


@pytest.mark.parametrize(
    ("mark", "fuse"),
    [
        ("T1.6AL", Fuse("T", 1.6, "L")),
        ("t 1,6 a l 250 v", Fuse("T", 1.6, "L")),
        ("F500mAH250V", Fuse("F", 0.5, "H")),
        ("T2H", Fuse("T", 2.0, "H")),
    ],
)
def test_markings_as_on_a_cap(mark: str, fuse: Fuse) -> None:
    assert parse_fuse(mark) == fuse
    assert parse_fuse(fuse.mark) == fuse


@pytest.mark.parametrize(
    ("mark", "said"),
    [
        ("T2A", "L \\(low"),
        ("X2AL", "only T"),
        ("TL", "not a fuse"),
        ("", "not a fuse"),
        ("T0AL", "above zero"),
        ("T-2AL", "not a"),
    ],
)
def test_what_is_no_marking_is_refused(mark: str, said: str) -> None:
    with pytest.raises(SumError, match=said):
        parse_fuse(mark)


@pytest.mark.parametrize("mark", ["T7AL", "T0.9AH", "T25AL", "F10AL"])
def test_a_rating_without_gates_is_refused(mark: str) -> None:
    with pytest.raises(SumError, match="no gates are known"):
        told_fuse(parse_fuse(mark), 1.0)


@pytest.mark.parametrize(("current_a", "off_s"), [(0.0, 1.0), (math.nan, 1.0), (1.0, -1.0), (math.inf, 1.0)])
def test_impossible_numbers_are_refused(current_a: float, off_s: float) -> None:
    with pytest.raises(SumError):
        told_fuse(parse_fuse("T2AL"), current_a, off_s)
