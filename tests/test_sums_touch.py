"""Touch current: quoted limits, what counts, and that nothing unmeasured passes."""

from __future__ import annotations

import math

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.sums.told import SumError
from rampguard.sums.touch import (
    COMBINATIONS,
    LIMITS,
    NOTHING_MA,
    TouchReading,
    Verdict,
    judge_touch,
    parse_reading,
    told_touch,
)

ALL_FOUR = ("normal/on", "normal/off", "reversed/on", "reversed/off")


def readings(*values: str) -> tuple[TouchReading, ...]:
    return tuple(parse_reading(f"{at}={value}") for at, value in zip(ALL_FOUR, values, strict=False))


@pytest.mark.parametrize(
    ("name", "ma", "peak"),
    [
        ("class-ii", 0.25, False),  # IEC 60950:1999 table 5A, as quoted on a product-safety list
        ("hand-held", 0.75, False),  # the same
        ("earthed", 3.5, False),  # IEC 60950-1 5.1, as quoted
        ("es1", 0.5, False),  # IEC 62368-1:2018 table 4, as transcribed
        ("audio-peak", 0.7, True),  # IEC 60065, U2 0.35 V peak, as printed in a service manual
    ],
)
def test_the_limits_are_as_quoted(name: str, ma: float, peak: bool) -> None:
    assert (LIMITS[name].ma, LIMITS[name].peak) == (ma, peak)


def test_350_mv_peak_across_500_ohm_is_0_7_ma_peak() -> None:
    """IEC 60065 as printed in a service manual: U2 0.35 V peak, which it calls 0.7 mA peak."""
    assert parse_reading("normal/on=350mVpk") == TouchReading(COMBINATIONS[0], pytest.approx(0.7), peak=True)


def test_es1_rms_and_peak_are_one_sine() -> None:
    """IEC 62368-1 table 4 prints 0.5 mA rms beside 0.707 mA peak; IEC 60065's 0.7 mA peak is the same, rounded."""
    assert LIMITS["es1"].ma * math.sqrt(2.0) == pytest.approx(LIMITS["audio-peak"].ma, rel=0.011)


def test_all_four_within_pass() -> None:
    told = told_touch("class-ii", readings("62mV", "58mV", "71mV", "0.13mA"))
    assert told.passed is True
    assert told.values["worst_at"] == "reversed/on"
    assert told.values["worst_ma"] == pytest.approx(0.142)


def test_the_worst_counts() -> None:
    assert told_touch("class-ii", readings("62mV", "58mV", "126mV", "60mV")).values["verdict"] == "failed"
    assert told_touch("class-ii", readings("62mV", "58mV", "125mV", "60mV")).values["verdict"] == "passed"


@settings(deadline=None)
@given(st.lists(st.floats(0.0, 5.0), min_size=4, max_size=4), st.sampled_from(sorted(LIMITS)))
def test_a_verdict_is_what_it_says(values: list[float], name: str) -> None:
    limit = LIMITS[name]
    given = tuple(TouchReading(at, ma, limit.peak) for at, ma in zip(COMBINATIONS, values, strict=True))
    judged = judge_touch(limit, given)
    assert (judged.verdict is Verdict.FAILED) == (max(values) > limit.ma)
    if judged.verdict is Verdict.PASSED:
        assert NOTHING_MA <= max(values) <= limit.ma


@settings(deadline=None)
@given(st.sets(st.sampled_from(COMBINATIONS), max_size=3), st.floats(0.0, 5.0))
def test_what_was_not_measured_has_not_passed(places: set[object], ma: float) -> None:
    given = tuple(TouchReading(at, ma, peak=False) for at in COMBINATIONS if at in places)
    judged = judge_touch(LIMITS["class-ii"], given)
    assert judged.verdict is not Verdict.PASSED
    assert set(judged.missing) == set(COMBINATIONS) - places
    assert (judged.verdict is Verdict.FAILED) == (bool(places) and ma > 0.25)


def test_none_at_all_is_not_evaluated() -> None:
    told = told_touch("earthed", ())
    assert told.passed is False
    assert told.values["verdict"] == "not-evaluated"
    assert told.values["not_evaluated"] == list(ALL_FOUR)


def test_where_nothing_flows_anywhere_nothing_was_evaluated() -> None:
    """An isolation transformer left in hides it: 14 pF across 230 V, 50 Hz already makes a microampere."""
    assert 2.0 * math.pi * 50.0 * 14e-12 * 230.0 * 1e3 == pytest.approx(NOTHING_MA, rel=0.02)
    told = told_touch("class-ii", readings("0mV", "0.1mV", "0mV", "0.0005mA"))
    assert told.values["verdict"] == "not-evaluated"
    assert told.values["nothing_flowed"] is True
    assert "isolation transformer still there" in told.answer[0]
    assert told_touch("class-ii", readings("0mV", "0.1mV", "0mV", "0.6mV")).passed is True


@pytest.mark.parametrize("name", sorted(LIMITS))
def test_it_says_how_to_do_it_without_dying(name: str) -> None:
    text = " ".join(told_touch(name, ()).as_text.split())
    for said in ("WITHOUT the isolation transformer", "licensed person", "30 mA RCD/GFCI", "one hand", "no safety"):
        assert said in text


def test_peak_and_rms_do_not_stand_in_for_each_other() -> None:
    with pytest.raises(SumError, match="peak"):
        told_touch("audio-peak", readings("62mV"))
    with pytest.raises(SumError, match="rms"):
        told_touch("class-ii", readings("62mVpk"))


def test_the_same_twice_is_refused() -> None:
    with pytest.raises(SumError, match="given twice"):
        told_touch("class-ii", readings("62mV") + readings("63mV"))


@pytest.mark.parametrize(
    "text",
    [
        "normal/on=62",
        "normal=62mV",
        "sideways/on=62mV",
        "normal/on=-3mV",
        "normal/on=nanmV",
        "normal/on=infmV",
        "normal/on=62V",
    ]
    + ["normal/on=1e999mV", "normal/on=--mV", "", "normal/on=6 2mV"],
)
def test_what_is_no_reading_is_refused(text: str) -> None:
    with pytest.raises(SumError):
        parse_reading(text)


def test_an_unknown_limit_is_refused() -> None:
    with pytest.raises(SumError, match="class-ii"):
        told_touch("class-iii", ())
