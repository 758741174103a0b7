"""Captures beside each other: what differs is named, what meters and healthy units explain is not, and never 'same'."""

from __future__ import annotations

import json
import math
import shutil
from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive_help import captured, cut_short
from rampguard.archive.reader import read_capture
from rampguard.archive.rows import Row
from rampguard.cli import main
from rampguard.compare.comparable import Topic
from rampguard.compare.curve import Curve
from rampguard.compare.differences import AT_PARTS, Comparison, between_channels, compare
from rampguard.compare.gather import side_of
from rampguard.compare.judging import CHANNELS, SAME_UNIT, TWINS, Seen, judged
from rampguard.compare.picture import comparison_figure, draw_comparison
from rampguard.compare.side import Measured, Side
from rampguard.compare.story import told
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal

ROOT = Path(__file__).resolve().parent.parent
HEALTHY, SHORTED = ROOT / "captures" / "healthy-amplifier", ROOT / "captures" / "shorted-output"
LEFT, RIGHT = (Signal(Quantity.EMITTER_RESISTOR, name) for name in ("left", "right"))
LEFT_OFFSET = Signal(Quantity.DC_OFFSET, "left")
FACTS: dict[str, Any] = {
    "unit": "test amplifier",
    "load_class": "linear-amplifier",
    "nameplate_w": 300.0,
    "nameplate_v": 230.0,
    "mains_frequency_hz": 50.0,
    "series_lamp_w": None,
    "unplugged": [],
    "direct_after": None,
    "clock": "wall",
    "outcome": "passed",
    "result": {"outcome": "passed", "trip": None},
}
STEPS = (0.03, 0.1, 0.2, 0.3, 0.4, 0.5, 0.6, 0.7, 0.8, 0.9, 1.0)
Draws = Callable[[float], float]


def amperes(part: float) -> float:
    """A made-up unit's current at a part of its nameplate voltage."""
    return 0.3 * part**0.7


def rows_of(
    draws: Draws = amperes,
    full_v: float = 230.0,
    bound: float = 0.001,
    channels: dict[Signal, float] | None = None,
    until: float = 1.0,
) -> list[Row]:
    """A ramp of holds: up by 5 % of full line a second, three seconds at each step, ten readings a second."""
    parts, at = [], 0.0
    for step in (step for step in STEPS if step <= until):
        while at < step:
            at = min(step, at + 0.005)
            parts.append(at)
        parts += [step] * 30
    rows = []
    for number, part in enumerate(parts):
        time_s = number / 10
        values = {LINE_VOLTAGE: part * full_v, LINE_CURRENT: draws(part), REAL_POWER: 40.0 * part**1.5}
        values |= {signal: value * part for signal, value in (channels or {}).items()}
        readings = tuple(
            Reading(signal, value, time_s, time_s, bound=bound * abs(value)) for signal, value in values.items()
        )
        rows.append(Row(time_s, None, readings, stage="some", state="live", decision="safe"))
    return rows


def side(rows: Sequence[Row] | None = None, name: str = "a", **facts: Any) -> Side:
    return side_of(name, FACTS | facts, rows_of() if rows is None else rows)


def seen(comparison: Comparison) -> dict[str, Seen]:
    return {one.what: one.seen for one in comparison.differences}


def test_a_side_tells_the_holds_of_the_way_up() -> None:
    found = side(rows_of(channels={LEFT: 0.02, LEFT_OFFSET: 0.005}))
    assert [hold.line_v.value for hold in found.holds] == pytest.approx([230.0 * step for step in STEPS])
    assert [hold.current_a.value for hold in found.holds] == pytest.approx([amperes(step) for step in STEPS])
    assert found.full_line is not None
    assert {signal.column: one.value for signal, one in found.channels.items()} == pytest.approx(
        {"emitter_resistor_left_v": 0.02, "dc_offset_left_v": 0.005}
    )


def test_what_comes_after_full_line_is_no_way_up() -> None:
    """Down again, as after a run, and up once more."""
    rows = rows_of()
    after = [replace(row, time_s=row.time_s + 200.0) for row in rows_of(lambda part: 9.0 * part, until=0.5)]
    assert side([*rows, *after]).holds == side(rows).holds


def test_a_long_hold_speaks_of_ten_seconds_into_it() -> None:
    """So that a ramp and an hour's soak are compared at one moment: here current rises by 1 mA a second."""
    rows = rows_of()
    newest = rows[-1]
    for k in range(1, 2000):
        time_s = newest.time_s + k / 10
        current = Reading(LINE_CURRENT, 0.3 + 1e-4 * k, time_s, time_s)
        line = replace(newest.readings[0], time_s=time_s)
        rows.append(replace(newest, time_s=time_s, readings=(line, current)))
    found = side(rows).full_line
    assert found is not None
    assert found.current_a.value == pytest.approx(0.3065, abs=0.0005)  # 3 s of it are in the ramp's own hold


# -- between holds ------------------------------------------------------------------------------------------------


@given(a=st.floats(-2, 2), b=st.floats(-1, 1), at=st.floats(0.0, 5.0))
def test_what_is_read_between_holds_is_bounded_by_the_remainder_of_linear_interpolation(
    a: float, b: float, at: float
) -> None:
    """Exact for a parabola: its second derivative is one number (the remainder's own formula)."""
    xs = (0.0, 1.0, 2.5, 3.0, 5.0)
    zeros = (0.0,) * len(xs)
    found = Curve(xs, zeros, tuple(a * x * x + b * x for x in xs), zeros, 0.0).at(at)
    assert found is not None
    assert abs(found.value - (a * at * at + b * at)) <= found.bound + 1e-9


def test_between_entries_of_a_table_of_sines() -> None:
    """sin 35 deg = 0.573576, sin 30 = 0.5, sin 40 = 0.642788 (four-figure tables and any calculator)."""
    degrees = (0.0, 10.0, 20.0, 30.0, 40.0, 50.0)
    values = (0.0, 0.173648, 0.342020, 0.5, 0.642788, 0.766044)
    found = Curve(degrees, (0.0,) * 6, values, (0.0,) * 6, 0.0).at(35.0)
    assert found is not None
    assert found.value == pytest.approx(0.571394, abs=1e-6)
    assert abs(found.value - 0.573576) < found.bound < 3 * abs(found.value - 0.573576)


def test_nothing_is_said_beyond_the_last_hold() -> None:
    curve = Curve((0.0, 100.0, 115.0), (0.0,) * 3, (0.0, 1.0, 1.1), (0.0,) * 3, 3.45)
    assert curve.at(118.0) is not None
    assert curve.at(119.0) is None
    assert curve.at(-1.0) is None
    assert Curve((0.0,), (0.0,), (0.0,), (0.0,), 3.45).at(0.0) is None


# -- what is a difference -----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("other", "expected"),
    [(1.0, Seen.NONE), (1.1499, Seen.NONE), (1.1501, Seen.HIGHER), (0.8501, Seen.NONE), (0.8499, Seen.LOWER)],
)
def test_a_difference_is_beyond_both_meters_and_the_healthy_spread(other: float, expected: Seen) -> None:
    pair = Measured(1.0, 0.02), Measured(other, 0.03)
    found = judged(Topic.DRAWN, "x", "A", pair, 0.10, ())
    assert found.seen is expected
    assert found.beyond_meters == (abs(other - 1.0) > 0.05)


def test_what_is_not_measured_or_not_comparable_is_no_verdict() -> None:
    one = Measured(1.0, 0.0)
    assert judged(Topic.DRAWN, "x", "A", (one, None), 0.0, ()).seen is Seen.NOT_MEASURED
    assert judged(Topic.DRAWN, "x", "A", (one, Measured(9.0, 0.0)), 0.0, ("why",)).seen is Seen.NOT_COMPARABLE


def test_a_capture_beside_itself_shows_no_difference_and_is_not_called_the_same() -> None:
    found = side(rows_of(channels={LEFT: 0.02, LEFT_OFFSET: 0.005}))
    result = compare(found, found)
    assert set(seen(result).values()) == {Seen.NONE}
    assert len(result.at_holds) == len(STEPS)
    assert not any("the same as" in line or "identical" in line for line in told([found, found], [result]))


@pytest.mark.parametrize(
    ("factor", "expected"), [(1.4, Seen.NONE), (1.7, Seen.HIGHER), (0.7, Seen.NONE), (0.55, Seen.LOWER)]
)
def test_twins_may_differ_so_much(factor: float, expected: Seen) -> None:
    other = side(rows_of(lambda part: factor * amperes(part)))
    result = compare(side(), other, [], TWINS)
    assert seen(result)["current at 230 V (100 %)"] is expected
    assert {one.seen for one in result.at_holds[1:]} == {expected}


def test_one_unit_differs_less_from_itself() -> None:
    other = side(rows_of(lambda part: 1.2 * amperes(part)))
    assert seen(compare(side(), other, [], TWINS))["current at 230 V (100 %)"] is Seen.NONE
    assert seen(compare(side(), other, [], SAME_UNIT))["current at 230 V (100 %)"] is Seen.HIGHER


def test_meters_that_may_be_off_by_more_see_no_difference() -> None:
    rough = [side(rows_of(lambda part, f=f: f * amperes(part), bound=0.3)) for f in (1.0, 1.7)]  # type: ignore[misc]
    assert seen(compare(*rough))["current at 230 V (100 %)"] is Seen.NONE


def test_thirty_volts_can_be_asked_for() -> None:
    result = compare(side(), side(rows_of(lambda part: amperes(part) + 0.5 * (part < 0.3))), [30.0])
    names = list(seen(result))
    assert names[0] == "current at 30 V (13 %)"
    assert "current at 29.9 V (13 %)" not in names
    assert seen(result)[names[0]] is Seen.HIGHER
    assert seen(result)["current at 230 V (100 %)"] is Seen.NONE


def test_one_model_on_other_mains_is_scaled() -> None:
    """At half the nameplate voltage twice the current: the same power, and no difference."""
    american = side(rows_of(lambda part: 2.0 * amperes(part), full_v=115.0), nameplate_v=115.0)
    result = compare(side(), american)
    assert set(seen(result).values()) == {Seen.NONE}
    first = next(one for one in result.differences if one.what.startswith("current at 230"))
    assert first.other == pytest.approx(first.reference, rel=0.02)
    assert any("scaled by 2 " in line for line in told([side(), american], [result]))


def test_a_frequency_of_mains_widens_what_is_healthy() -> None:
    at_sixty = side(rows_of(lambda part: 1.65 * amperes(part)), mains_frequency_hz=60.0)
    assert seen(compare(side(), at_sixty))["current at 230 V (100 %)"] is Seen.NONE


@pytest.mark.parametrize(
    ("facts", "spoiled", "left"),
    [
        ({"load_class": "receiver"}, {Topic.DRAWN, Topic.RELAY, Topic.IDLE, Topic.OFFSET}, "outcome"),
        ({"nameplate_w": 200.0}, {Topic.DRAWN, Topic.IDLE}, "where relays close, offset, outcome"),
        ({"series_lamp_w": 60.0}, {Topic.DRAWN, Topic.RELAY, Topic.IDLE, Topic.OFFSET}, "outcome"),
        ({"unplugged": ["tuner"]}, {Topic.DRAWN, Topic.RELAY}, "idle and warm-up, offset, outcome"),
        ({"direct_after": "x"}, {Topic.RELAY}, "current and power"),
    ],
)
def test_what_cannot_be_compared_is_said_and_what_still_can(
    facts: dict[str, Any], spoiled: set[Topic], left: str
) -> None:
    channels = {LEFT: 0.02, LEFT_OFFSET: 0.005}
    a, b = side(rows_of(channels=channels)), side(rows_of(lambda part: 3.0 * amperes(part), channels=channels), **facts)
    result = compare(a, b)
    assert set(result.incomparable) == spoiled
    for one in result.differences:
        assert (one.seen is Seen.NOT_COMPARABLE) == (one.topic in spoiled)
    text = " ".join(" ".join(told([a, b], [result])).split())
    assert f"What can be compared all the same: {left}" in text


def test_where_one_tripped_the_other_is_told_too() -> None:
    a, b = (read_capture(path) for path in (HEALTHY, SHORTED))
    sides = [side_of("a", a.descriptor, a.rows()), side_of("b", b.descriptor, b.rows())]
    result = compare(*sides)
    [trip] = [one for one in result.differences if "trip" in one.what]
    assert trip.other == 0.0876  # the reading the guard tripped at, as the record's own reason has it
    assert trip.seen is Seen.HIGHER
    assert seen(result)["current at 230 V (100 %)"] is Seen.NOT_MEASURED
    assert "Differences: A passed, B tripped" in " ".join(told(sides, [result]))
    assert seen(compare(*sides[::-1]))[trip.what] is Seen.LOWER


def test_near_a_step_nobody_can_say_which_side_of_it_a_healthy_twin_is_on() -> None:
    a, b = side(closing(0.7)), side(closing(0.8))
    result = {one.what: one.seen for one in compare(a, b).at_holds}
    assert result["current at 161 V"] is Seen.NEAR_STEP
    assert result["current at 115 V"] is Seen.NONE
    assert seen(compare(a, b))["current at 172.5 V (75 %)"] is Seen.NONE  # between holds so far apart all is possible
    assert seen(compare(side(), b))["current at 230 V (100 %)"] is Seen.HIGHER  # far from it, it has closed


def closing(part: float, pressed: bool = False) -> list[Row]:
    """A ramp in which current steps up in the middle of a hold."""
    rows, done = [], False
    for row in rows_of():
        volts = row.readings[0].value or 0.0
        before = [one for one in rows if one.readings[0].value == volts]
        done = done or (math.isclose(volts, 230.0 * part) and len(before) == 15)
        more = 0.4 if done else 0.0
        current = replace(row.readings[1], value=(row.readings[1].value or 0.0) + more)
        event = "power-pressed" if done and pressed and not any(one.expected_event for one in rows) else ""
        rows.append(replace(row, readings=(row.readings[0], current, *row.readings[2:]), expected_event=event))
    return rows


@pytest.mark.parametrize(("part", "expected"), [(0.7, Seen.NONE), (0.8, Seen.NONE), (0.9, Seen.HIGHER)])
def test_where_a_relay_closed(part: float, expected: Seen) -> None:
    a, b = side(closing(0.7, pressed=True)), side(closing(part))
    assert [one.line_v.value for one in b.closings] == pytest.approx([230.0 * part])
    assert [one.pressed for one in (*a.closings, *b.closings)] == [True, False]
    assert seen(compare(a, b))["power pressed, line at it"] is expected
    assert seen(compare(side(), b))["step in current, line at it"] is Seen.NOT_MEASURED


def test_channels_of_one_unit_and_of_two() -> None:
    a = side(rows_of(channels={LEFT: 0.020, RIGHT: 0.023}))
    b = side(rows_of(channels={LEFT: 0.020, RIGHT: 0.040}))
    assert [one.seen for one in between_channels(a)] == [Seen.NONE]
    assert [(one.what, one.seen) for one in between_channels(b)] == [("idle, right to left", Seen.HIGHER)]
    result = seen(compare(a, b))
    assert (result["idle left"], result["idle right"]) == (Seen.NONE, Seen.HIGHER)


def test_channels_measured_one_after_the_other_with_one_meter() -> None:
    a, b = side(rows_of(channels={LEFT: 0.020})), side(rows_of(channels={RIGHT: 0.060}))
    assert seen(compare(a, b))["idle left and right"] is Seen.HIGHER


def warm(tau_s: float, touched_after_s: float = math.inf) -> list[Row]:
    """Full line at once, and an idle that warms with a time constant, for twenty minutes."""
    rows = []
    for k in range(600):
        time_s = 2.0 * k
        idle_v = 0.02 * (1.0 + 0.3 * math.exp(-time_s / tau_s)) * (3.0 if time_s > touched_after_s else 1.0)
        values = {LINE_VOLTAGE: 230.0, LINE_CURRENT: 0.3, LEFT: idle_v}
        readings = tuple(Reading(signal, value, time_s, time_s) for signal, value in values.items())
        event = "touched" if time_s > touched_after_s else ""
        rows.append(Row(time_s, None, readings, event, state="live", decision="safe"))
    return rows


@pytest.mark.parametrize(("tau_s", "expected"), [(400.0, Seen.NONE), (500.0, Seen.NONE), (1300.0, Seen.HIGHER)])
def test_time_constants_of_a_warm_up(tau_s: float, expected: Seen) -> None:
    result = compare(side(warm(400.0)), side(warm(tau_s)))
    [found] = [one for one in result.differences if one.what == "time constant, left"]
    assert found.reference == pytest.approx(400.0, rel=0.1)
    assert found.other == pytest.approx(tau_s, rel=0.1)
    assert found.seen is expected


def test_a_warm_up_is_told_until_somebody_touched_it_and_not_of_a_minute() -> None:
    assert side(warm(400.0, touched_after_s=600.0)).warm_up["left"].time_s[-1] == 600.0
    short = side(warm(400.0, touched_after_s=100.0))
    assert not [one for one in compare(short, short).differences if "time constant" in one.what]


def test_the_spreads_in_the_docs_are_the_codes() -> None:
    page = (ROOT / "docs" / "records.md").read_text(encoding="utf-8")
    rows = [
        ("current, power", f"{100 * TWINS.drawn:.0f} % of the larger | {100 * SAME_UNIT.drawn:.0f} % | |"),
        ("idle", f"{100 * TWINS.idle:.0f} % | {100 * SAME_UNIT.idle:.0f} % | {100 * CHANNELS.idle:.0f} % |"),
        ("offset", " | ".join(f"{1e3 * one.offset_v:.0f} mV" for one in (TWINS, SAME_UNIT, CHANNELS)) + " |"),
        ("where a relay closes", f"{100 * TWINS.relay:.0f} % of nameplate voltage | {100 * SAME_UNIT.relay:.0f} % | |"),
        ("time constant", f"a factor of {TWINS.tau_factor:g} | {SAME_UNIT.tau_factor:g} | |"),
    ]
    for what, spreads in rows:
        assert f"| {what} | {spreads}\n" in page
    assert f"at {', '.join(f'{100 * part:.0f}' for part in AT_PARTS[:-1])} and 100 %" in page


# -- the command --------------------------------------------------------------------------------------------------


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_compare_tells_and_draws(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "compare", HEALTHY, SHORTED, HEALTHY, "--at", 30, "--out", tmp_path / "x.png")
    assert code == 0
    assert max(map(len, out.replace(str(ROOT), "").splitlines())) <= 80
    assert "B against A" in out
    assert "C against A" in out
    assert (tmp_path / "x.png").read_bytes().startswith(b"\x89PNG")
    assert "x.png" in err
    code, out, _ = run(capsys, "compare", HEALTHY, SHORTED, "--json")
    told = json.loads(out)
    assert told["format"] == 1
    assert len(told["captures"][0]["holds"]) == 11
    verdicts = {one["what"]: one["seen"] for one in told["comparisons"][0]["differences"]}
    assert verdicts["current at the trip, 4.49 V"] == "HIGHER"


def test_a_capture_cut_short_or_changed_is_compared_and_said(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    cut, changed = cut_short(captured(tmp_path, rows_of())), tmp_path / "changed"
    shutil.copytree(HEALTHY, changed)
    with (changed / "readings.csv").open("a") as stream:
        stream.write("torn")
    code, _, err = run(capsys, "compare", HEALTHY, cut, changed)
    assert code == 0
    assert "was cut short" in err
    assert "was changed after it was sealed" in err


@pytest.mark.parametrize(
    ("words", "message"),
    [
        ([str(HEALTHY)], "name two to 5"),
        ([str(HEALTHY)] * 6, "name two to 5"),
        ([str(HEALTHY), "nowhere"], "is nowhere a capture folder"),
        ([str(HEALTHY), str(SHORTED), "--out", "x.pdf"], "neither .png nor .svg"),
    ],
)
def test_compare_refuses(words: list[str], message: str, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "compare", *words)
    assert code == 2
    assert out == ""
    assert message in err


@pytest.mark.parametrize(
    ("name", "value"),
    [
        ("nameplate_w", None),
        ("nameplate_v", "230"),
        ("mains_frequency_hz", -1),
        ("series_lamp_w", math.nan),
        ("unplugged", "all"),
    ],
)
def test_a_descriptor_that_says_anything_is_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], name: str, value: object
) -> None:
    folder = captured(tmp_path, rows_of(until=0.1))
    path = folder / "datapackage.json"
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")) | {name: value}))
    code, _, err = run(capsys, "compare", HEALTHY, folder)
    assert code == 2
    assert f"no {name} that can be used" in err


def test_the_picture_can_be_told_apart_in_grey_and_is_drawn_alike_twice(tmp_path: Path) -> None:
    capture = read_capture(HEALTHY)
    sides = [side_of(str(k), capture.descriptor, capture.rows()) for k in range(5)]
    axes = comparison_figure(sides).axes
    assert [one.get_ylabel() for one in axes] == ["line current, A rms", "real power, W"]
    looks = {(line.get_label()[:1], str(line.get_linestyle()), line.get_marker()) for line in axes[0].lines}
    named = [look for look in looks if look[0] in "ABCDE"]
    assert len({line for _, line, _ in named}) >= 4
    assert len({marker for _, _, marker in named}) == 5
    volts = np.concatenate([np.asarray(line.get_xdata(), dtype=float) for line in axes[0].lines])
    assert volts.max() == pytest.approx(230.0, abs=0.2)
    for name in ("a.svg", "b.svg", "c.png", "d.png"):
        draw_comparison(sides[:2], tmp_path / name)
    assert (tmp_path / "a.svg").read_bytes() == (tmp_path / "b.svg").read_bytes()
    assert (tmp_path / "c.png").read_bytes() == (tmp_path / "d.png").read_bytes()
