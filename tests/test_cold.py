"""Cold sheets: what a point says by itself, between channels, of the mains side; and which sheets are refused."""

from __future__ import annotations

import math

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy import stats

from cold_help import FINE_METER, GOOD, POINTS, found, sheet, sheet_text
from rampguard.cold.alone import Sign, sign_of
from rampguard.cold.between import compared
from rampguard.cold.finding import Verdict
from rampguard.cold.fresh import fresh_sheet
from rampguard.cold.judgement import judge
from rampguard.cold.mains import mains_findings, winding_20_ohm, winding_facts
from rampguard.cold.mains_sheet import MainsSheet
from rampguard.cold.parts import OPEN, PARTS, Good, Kind, of_nominal
from rampguard.cold.sheet import ColdSheetError, parse_cold_sheet
from rampguard.warmup.winding import winding_rise_k

TWO, THREE, FIVE = ("left", "right"), ("a", "b", "c"), ("a", "b", "c", "d", "e")

# -- by itself ---------------------------------------------------------------------------------------------------------


def test_a_good_sheet_is_good() -> None:
    for channels in (("mono",), TWO, FIVE):
        judgement = judge(sheet(channels))
        assert judgement.outcome == "good"
        assert len(judgement.findings) == len(POINTS) * len(channels)


@pytest.mark.parametrize(
    ("point", "reads", "verdict"),
    [
        ("be", {"reads_v": 0.002, "reversed_v": 0.001}, Verdict.SHORTED),
        ("be", {"reads_v": "open", "reversed_v": "open"}, Verdict.OPEN),
        ("be", {"reads_v": 2.9, "reversed_v": "open"}, Verdict.OPEN),  # the meter's own highest volts
        ("be", {"reads_v": 0.95, "reversed_v": "open"}, Verdict.ODD),
        ("be", {"reads_v": 0.002, "reversed_v": "open"}, Verdict.ODD),  # no short reads near zero one way only
        ("be", {"reads_v": 0.55, "reversed_v": 0.2}, Verdict.ODD),
        ("be", {"reversed_v": "open"}, Verdict.NOT_EVALUATED),
        ("be", None, Verdict.NOT_EVALUATED),
        ("ce", {"reads_v": 0.01, "reversed_v": 0.01}, Verdict.SHORTED),
        ("ce", {"reads_v": 0.2, "reversed_v": 0.2}, Verdict.ODD),
        ("fr", {"reads_ohm": "over-range"}, Verdict.OPEN),
        ("fr", {"reads_ohm": 2e6}, Verdict.OPEN),
        ("fr", {"reads_ohm": 14.0}, Verdict.ODD),
        ("fr", {"reads_ohm": 0.3}, Verdict.SHORTED),
        ("fr", {"reads_ohm": 6.0}, Verdict.ODD),
        ("re", {"reads_ohm": 0.4}, Verdict.ODD),
        ("out", {"reads_ohm": 1.2}, Verdict.SHORTED),
        ("out", {"reads_ohm": 60.0}, Verdict.ODD),
    ],
)
@pytest.mark.parametrize("channels", [("mono",), TWO, FIVE], ids=["one", "two", "five"])
def test_one_bad_point_is_named_and_no_other(
    channels: tuple[str, ...], point: str, reads: dict[str, object] | None, verdict: Verdict
) -> None:
    bad = channels[-1]
    [(place, finding)] = found(channels, {bad: {point: reads}}).items()
    assert (place, finding.verdict) == ((bad, point), verdict)


def test_a_short_measured_one_way_only_is_a_short_that_asks_for_the_other() -> None:
    [finding] = found(TWO, {"left": {"be": {"reads_v": 0.002}}}).values()
    assert finding.verdict is Verdict.SHORTED
    assert "swap the leads" in finding.do


def test_a_finding_says_who_what_and_what_to_do() -> None:
    [finding] = found(TWO, {"right": {"fr": {"reads_ohm": 14.0}}}).values()
    assert finding.text == (
        "right, fr (fuse resistor): leaky or odd; reads 14 ohm; a good one reads 9 ohm to 11 ohm. Higher than a good"
        " one: nothing in parallel can do that. Compare with a good channel, then lift one end and measure it alone"
    )


def test_just_at_and_beyond_a_limit() -> None:
    good = of_nominal(10.0, 0.05)
    assert [sign_of(x, good, 0.0, Kind.RESISTANCE) for x in (9.5, 9.499)] == [Sign.GOOD, Sign.LOW]
    assert [sign_of(x, good, 0.0, Kind.RESISTANCE) for x in (10.5, 10.501)] == [Sign.GOOD, Sign.HIGH]
    assert [sign_of(x, good, 0.0, Kind.RESISTANCE) for x in (1.0, 1.01)] == [Sign.NEAR_ZERO, Sign.LOW]
    assert [sign_of(x, good, 0.0, Kind.RESISTANCE) for x in (105.0, 105.1)] == [Sign.HIGH, Sign.OPEN]
    assert sign_of(9.4, good, 0.11, Kind.RESISTANCE) is Sign.GOOD  # its meter's bound is granted


def test_a_meter_too_coarse_for_a_short_says_so() -> None:
    handheld = {**FINE_METER, "absolute_ohm": 0.3}
    judgement = judge(sheet(TWO, {"left": {"re": {"reads_ohm": 0.0}}}, meter=handheld))
    [left] = [one for one in judgement.findings if (one.channel, one.what) == ("left", "re")]
    assert left.verdict is Verdict.GOOD
    assert "cannot tell it from a short" in left.do
    [(place, finding)] = found(TWO, {"left": {"re": {"reads_ohm": 0.0}}}).items()  # four wires can
    assert (place, finding.verdict) == (("left", "re"), Verdict.SHORTED)


def test_the_leads_are_taken_off() -> None:
    two_wire = {**FINE_METER, "wires": 2, "leads_ohm": 0.15}
    changed = {name: {"re": {"reads_ohm": 0.37}, "fr": {"reads_ohm": 10.2}} for name in TWO}
    assert found(TWO, changed, meter=two_wire) == {}
    assert ("left", "re") in found(TWO, changed)  # with four wires 0.37 ohm is 0.37 ohm


# -- between channels --------------------------------------------------------------------------------------------------


def test_what_lies_in_parallel_reads_low_in_every_channel_and_is_no_fault() -> None:
    alike = {name: {"be": {"reads_v": 0.30, "reversed_v": "open"}, "fr": {"reads_ohm": 6.0}} for name in FIVE}
    judgement = judge(sheet(FIVE, alike))
    assert judgement.outcome == "good"
    assert sum("in parallel" in finding.do for finding in judgement.findings) == 10
    assert set(found(("mono",), {"mono": alike["a"]})) == {("mono", "be"), ("mono", "fr")}  # alone it cannot be told


def test_nothing_in_parallel_makes_every_channel_read_high() -> None:
    alike = {name: {"fr": {"reads_ohm": 14.0}} for name in FIVE}
    assert set(found(FIVE, alike)) == {(name, "fr") for name in FIVE}


def test_a_short_in_every_channel_is_a_short_in_every_channel() -> None:
    alike = {name: {"ce": {"reads_v": 0.001, "reversed_v": 0.001}} for name in TWO}
    assert {finding.verdict for finding in found(TWO, alike).values()} == {Verdict.SHORTED}


def test_of_two_that_differ_nobody_can_say_which_of_three_one_can() -> None:
    [(place, finding)] = found(TWO, {"left": {"out": {"reads_ohm": 1500.0}}}).items()
    assert place == ("left and right", "out")
    assert finding.verdict is Verdict.DIFFERS
    [(place, finding)] = found(THREE, {"b": {"out": {"reads_ohm": 1500.0}}}).items()
    assert (place, finding.verdict) == (("b", "out"), Verdict.ODD)
    assert "12 kohm" in finding.do


def test_what_tolerance_and_meter_explain_is_no_difference() -> None:
    assert found(TWO, {"left": {"out": {"reads_ohm": 9000.0}}}) == {}
    assert found(THREE, {"a": {"fr": {"reads_ohm": 9.1}}, "b": {"fr": {"reads_ohm": 10.9}}}) == {}


def test_beyond_what_a_meter_tells_all_is_open() -> None:
    reads = (60_000.0, 2e6, "open")
    assert found(THREE, {c: {"out": {"reads_ohm": x}} for c, x in zip(THREE, reads, strict=True)}) == {}


URANIUM = (199.31, 199.53, 200.19, 200.82, 201.92, 201.95, 202.18, 245.57)


def test_grubbs_example_through_the_comparison() -> None:
    """NIST/SEMATECH e-Handbook 1.3.5.17.1: 245.57 is the outlier (G = 2.4687 printed, one-sided critical 2.032)."""
    values = np.array(URANIUM)
    g = (values.max() - values.mean()) / values.std(ddof=1)
    t = stats.t.ppf(1 - 0.05 / 8, 6)
    assert g == pytest.approx(2.468765, abs=1e-6)
    assert 7 / 8**0.5 * (t**2 / (6 + t**2)) ** 0.5 == pytest.approx(2.032, abs=5e-4)
    named = dict(zip("abcdefgh", URANIUM, strict=True))
    good = Good(100.0, 300.0, 1.0, 0.0)
    told = compared(named, good, Kind.RESISTANCE, lambda _: 0.0)
    assert set(told.odd) == {"h"}
    # As ohms of eight channels, of parts of 2 %: the same one, by its channel's name.
    points = {"r": {"part": "resistor", "nominal_ohm": 200.0, "tolerance_percent": 30.0}}
    readings = {name: {"r": {"reads_ohm": value}} for name, value in named.items()}
    text = sheet_text(tuple(named), points=points, readings=readings)
    by_tolerance = judge(parse_cold_sheet(text, "x"))
    assert by_tolerance.wrong == ()  # 30 % parts explain it
    text = text.replace("tolerance_percent = 30.0", "tolerance_percent = 5.0")
    assert [finding.channel for finding in judge(parse_cold_sheet(text, "x")).wrong] == ["h"]


@given(
    st.sampled_from((TWO, THREE, FIVE)),
    st.floats(0.45, 0.70),
    st.lists(st.floats(-0.012, 0.012), min_size=5, max_size=5),
)
def test_channels_within_their_spread_are_never_blamed(
    channels: tuple[str, ...], middle_v: float, offsets: list[float]
) -> None:
    changed = {
        name: {"be": {"reads_v": middle_v + off, "reversed_v": "open"}}
        for name, off in zip(channels, offsets, strict=False)
    }
    assert found(channels, changed) == {}


@given(st.sampled_from((TWO, THREE, FIVE)), st.floats(0.0, 0.019), st.floats(0.0, 0.019), st.sampled_from(("be", "ce")))
def test_a_short_is_always_called_and_nothing_else_is(
    channels: tuple[str, ...], one_way: float, other_way: float, point: str
) -> None:
    reads = {"reads_v": one_way, "reversed_v": other_way}
    [(place, finding)] = found(channels, {channels[0]: {point: reads}}).items()
    assert (place, finding.verdict) == ((channels[0], point), Verdict.SHORTED)


def test_what_a_point_says_of_its_own_part_goes_first() -> None:
    own = {**POINTS, "out": {"part": "output-to-ground", "good_ohm": [20_000.0, "open"], "source": "service manual"}}
    assert set(found(TWO, points=own)) == set()  # low alike in both: what lies in parallel
    assert set(found(("mono",), points=own)) == {("mono", "out")}
    transformer = {**POINTS, "out": {"part": "output-to-ground", "good_ohm": [0.2, 2.0], "short_below_ohm": 0.05}}
    changed = {name: {"out": {"reads_ohm": 0.6}} for name in TWO}
    assert found(TWO, changed, points=transformer) == {}
    assert {f.verdict for f in found(TWO, changed).values()} == {Verdict.SHORTED}


def test_every_part_has_its_source_and_is_good_by_its_own_middle() -> None:
    for part in PARTS.values():
        assert part.source
        good = part.good or of_nominal(10.0, part.tolerance)
        middle = good.low * 1.2 if good.high == OPEN else 0.5 * (good.low + good.high)
        assert sign_of(middle, good, 0.0, part.kind) is Sign.GOOD, part.name
        assert good.short_below < good.low or part.name == "fuse"


# -- the mains side ----------------------------------------------------------------------------------------------------


def mains(load_class: str | None = None, **given: object) -> dict[str, Verdict]:
    return {one.what: one.verdict for one in mains_findings(MainsSheet.model_validate(given), load_class)}


@pytest.mark.parametrize(
    ("given", "what", "verdict"),
    [
        ({}, "earth-continuity", Verdict.NOT_EVALUATED),
        ({"earth_continuity_ohm": 0.1}, "earth-continuity", Verdict.GOOD),
        ({"earth_continuity_ohm": 0.11}, "earth-continuity", Verdict.WRONG),
        ({"earth_continuity_ohm": 0.25, "earth_leads_ohm": 0.2}, "earth-continuity", Verdict.GOOD),
        ({"earth_continuity_ohm": 0.25, "earth_limit_ohm": 0.3}, "earth-continuity", Verdict.GOOD),
        ({"earth_continuity_ohm": "over-range"}, "earth-continuity", Verdict.WRONG),
        ({}, "insulation", Verdict.NOT_EVALUATED),
        ({"insulation_mohm": 1.0, "insulation_test_v": 500.0}, "insulation", Verdict.GOOD),
        ({"insulation_mohm": "over-range", "insulation_test_v": 500.0}, "insulation", Verdict.GOOD),
        ({"insulation_mohm": 0.9, "insulation_test_v": 500.0}, "insulation", Verdict.WRONG),
        ({"insulation_mohm": 0.9}, "insulation", Verdict.WRONG),
        ({"insulation_mohm": 200.0}, "insulation", Verdict.NOT_EVALUATED),  # a multimeter's ohms test no insulation
        ({"insulation_mohm": 200.0, "insulation_test_v": 9.0}, "insulation", Verdict.NOT_EVALUATED),
        (
            {"insulation_mohm": 1.5, "insulation_test_v": 500.0, "protective_earth": False},
            "insulation",
            Verdict.WRONG,
        ),
        ({"selector_v": 230.0, "mains_v": 230.0}, "selector", Verdict.GOOD),
        ({"selector_v": 240.0, "mains_v": 230.0}, "selector", Verdict.GOOD),
        ({"selector_v": 115.0, "mains_v": 230.0}, "selector", Verdict.WRONG),
        ({"nameplate_v": 120.0, "mains_v": 230.0}, "selector", Verdict.WRONG),
        ({"selector_v": 230.0}, "selector", Verdict.NOT_EVALUATED),
        ({}, "fuse", Verdict.NOT_EVALUATED),
        ({"fuse_a": 3.15, "fuse_marked_a": 3.15}, "fuse", Verdict.GOOD),
        ({"fuse_a": 6.3, "fuse_marked_a": 3.15}, "fuse", Verdict.WRONG),
        (
            {"fuse_a": 3.15, "fuse_type": "F", "fuse_marked_a": 3.15, "fuse_marked_type": "T"},
            "fuse",
            Verdict.WRONG,
        ),
        ({"fuse_a": 3.15, "nameplate_w": 300.0, "mains_v": 230.0}, "fuse", Verdict.GOOD),
        ({"fuse_a": 1.0, "nameplate_w": 300.0, "mains_v": 230.0}, "fuse", Verdict.WRONG),
        ({"fuse_a": 10.0, "nameplate_w": 300.0, "mains_v": 230.0}, "fuse", Verdict.WRONG),
        ({"fuse_a": 3.15}, "fuse", Verdict.NOT_EVALUATED),
        ({"winding_ohm": "open"}, "primary-winding", Verdict.WRONG),
        ({"winding_ohm": 0.05}, "primary-winding", Verdict.WRONG),
        ({"winding_ohm": 4.0}, "primary-winding", Verdict.GOOD),
    ],
)
def test_a_mains_check(given: dict[str, object], what: str, verdict: Verdict) -> None:
    assert mains(**given)[what] is verdict


def test_without_a_protective_earth_there_is_none_to_measure() -> None:
    assert "earth-continuity" not in mains(protective_earth=False)
    assert "primary-winding" not in mains()  # a fact for the band, no check that has to be made


def test_the_winding_is_held_against_the_nameplate() -> None:
    plate = {"nameplate_w": 300.0, "mains_v": 230.0}
    assert mains("linear-amplifier", winding_ohm=3.0, **plate)["primary-winding"] is Verdict.GOOD
    assert mains("linear-amplifier", winding_ohm=300.0, **plate)["primary-winding"] is Verdict.WRONG
    assert mains("heater", winding_ohm=300.0, **plate)["primary-winding"] is Verdict.GOOD  # not compared, and says so


def test_copper_to_20_degc() -> None:
    """Copper, -234.5 degC and 1/254.5 per kelvin at 20 degC: Electrical Engineering Portal, Temperature rise."""
    warm = MainsSheet(winding_ohm=1.0 + 1.0 / 254.5, winding_degc=21.0)
    assert winding_20_ohm(warm) == pytest.approx(1.0, rel=1e-12)
    # Against the rise by resistance of the same page, 4.00 ohm at 25 degC and 4.80 ohm: 25 + 51.9 degC.
    rise_k = winding_rise_k(4.0, 4.8, cold_degc=25.0)
    cold, hot = (
        winding_20_ohm(MainsSheet(winding_ohm=o, winding_degc=t)) for o, t in ((4.0, 25.0), (4.8, 25 + rise_k))
    )
    assert cold == pytest.approx(hot)
    assert cold == pytest.approx(4.0 * 254.5 / 259.5)
    assert winding_facts(MainsSheet(winding_ohm=3.2, winding_leads_ohm=0.2)) == {"winding_ohm": 3.0}
    assert winding_facts(MainsSheet(winding_ohm="open")) == {}
    assert winding_facts(MainsSheet()) == {}


# -- which sheets are refused ------------------------------------------------------------------------------------------

HEAD = 'format = 1\nmodel = "m"\nchannels = ["left"]\n'


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 2", "format: "),
        (HEAD + "colour = 1", "colour: unknown key"),
        (HEAD + '[points.q]\npart = "valve"', "points.q.part: there is no such part; use one of transistor-junction"),
        (HEAD + '[points.q]\npart = "resistor"', "give one of nominal_ohm and good_ohm"),
        (HEAD + '[points.q]\npart = "fuse"\nnominal_ohm = 1.0', "a fuse has no nominal_ohm"),
        (HEAD + '[points.q]\npart = "fuse"\ngood_v = [0.1, 0.2]', "good_v says nothing of a fuse"),
        (HEAD + '[points.q]\npart = "fuse"\ngood_ohm = [2.0, 1.0]', "good_ohm: the least comes first"),
        (HEAD + '[points.Q]\npart = "fuse"', "'Q': a channel or point is named in lower-case"),
        (HEAD.replace("left", "unit"), "'unit' stands for what the unit has once"),
        (HEAD.replace('"left"', '"left", "left"'), "two have one name"),
        (HEAD + "[readings.right]", "readings.right: there is no such channel; there are left, unit"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\np = {reads_ohm = 1}', "readings.left.p: there is no such"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\nq = {reads_v = 1.0}', "a fuse is read as reads_ohm"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\nq = {reads_ohm = -1.0}', "below zero: something is still"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\nq = {reads_ohm = "low"}', "is no reading; write a plain"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\nq = {reads_ohm = nan}', "is no reading; write a plain"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\nq = {reads_ohm = true}', "is no reading; write a plain"),
        (HEAD + '[points.q]\npart = "fuse"\n[readings.left]\nq = {reads_mohm = 1.0}', "reads_mohm: unknown key"),
        (
            HEAD + '[points.q]\npart = "schottky-diode"\n[readings.left]\nq = {reads_v = 550.0}',
            "write volts, not millivolts",
        ),
        (HEAD + "[mains]\nmains_v = 23.0", "mains.mains_v: Input should be greater than or equal to 90"),
        (HEAD + '[mains]\nfuse_type = "slow"', "mains.fuse_type"),
        (HEAD + "[mains]\nearth_continuity_ohm = 0.1\nearth_leads_ohm = 0.3", "earth_leads_ohm is more than earth"),
        (HEAD + '[mains]\nwinding_ohm = "cold"', "mains.winding_ohm: is no reading"),
        (HEAD + "[mains]\nearth_continuity_ohm = -0.1", "mains.earth_continuity_ohm: is no reading"),
        (HEAD + 'load_class = "toaster"', "load_class: there is no such load class"),
        ("format = ", "is not TOML"),
    ],
)
def test_a_sheet_that_cannot_be_used_says_why(text: str, says: str) -> None:
    with pytest.raises(ColdSheetError) as refused:
        parse_cold_sheet(text, "sheet.toml")
    assert says in str(refused.value)
    assert all(line.startswith("sheet.toml: ") for line in str(refused.value).splitlines())


def test_every_problem_is_told_at_once() -> None:
    text = HEAD + '[points.Q]\npart = "fuse"\n[readings.middle]\n[readings.left]\nx = {reads_ohm = 1.0}'
    with pytest.raises(ColdSheetError) as refused:
        parse_cold_sheet(text, "s")
    assert len(refused.value.problems) == 3


def test_whole_numbers_and_both_words_for_open_are_readings() -> None:
    text = sheet_text(TWO, {"left": {"fr": {"reads_ohm": 10}, "be": {"reads_v": 0.55, "reversed_v": "over-range"}}})
    read = parse_cold_sheet(text, "s")
    assert read.taken("left", "fr").reads_ohm == 10.0
    assert math.isinf(read.taken("left", "be").reversed_v or 0.0)
    assert judge(read).outcome == "good"


def test_a_fresh_sheet_is_a_sheet_with_nothing_measured() -> None:
    fresh = parse_cold_sheet(fresh_sheet(("left", "right")), "fresh.toml")
    judgement = judge(fresh)
    assert judgement.outcome == "not-evaluated"
    assert judgement.wrong == ()
    assert {one.verdict for one in judgement.findings} == {Verdict.NOT_EVALUATED}
    assert len([one for one in judgement.findings if one.channel]) == 2 * 11 + 2
    assert GOOD.keys() == POINTS.keys()
