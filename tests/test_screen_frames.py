"""What the screen shows, as text: cut to its size, and saying by words what matters, at every moment of a run."""

from __future__ import annotations

import itertools
import time

import pytest
from hypothesis import given
from hypothesis import strategies as st

from rampguard.cautions import NOT_PROVEN_OFF
from rampguard.engine.messages import event_in
from rampguard.screen.braille import Dots
from rampguard.screen.frame import Size, frame, keys_now
from rampguard.screen.plot import CEILING, NOW, SHADE, against_line, drawn_through, nice_top
from rampguard.screen.ui import Ui
from rampguard.screen.view import BINS, MOST_POINTS, Part, Trace, View
from rampguard.screen.words import bar, gauge, margins, standing, state_words, turn_words
from screen_help import advice, course, finished, live, moments, notice, permissive, ramp, readings, stage, trip

SIZES = (Size(80, 24), Size(120, 40), Size(200, 60))
EVERY = {
    f"{name}{', by hand' if by_hand else ''}": events
    for by_hand in (False, True)
    for name, events in moments(hand_turned=by_hand).items()
}


def seen(*events: dict[str, object]) -> View:
    view = View()
    for event in events:
        view.hear(event)
    return view


def shown(view: View, size: Size = SIZES[0], ui: Ui | None = None) -> str:
    return "\n".join(line.plain for line in frame(view, ui or Ui(), size, time.monotonic()))


def test_the_told_run_is_what_an_engine_says() -> None:
    for event in itertools.chain.from_iterable(EVERY.values()):
        event_in(event)


@pytest.mark.parametrize("size", SIZES, ids=str)
@pytest.mark.parametrize("name", EVERY)
def test_every_frame_has_its_size_says_whether_it_is_live_and_how_to_switch_off(name: str, size: Size) -> None:
    view = seen(*EVERY[name])
    for ui in (Ui(), Ui(tour=True, power=True, muted=True, turns=True)):
        lines = frame(view, ui, size, time.monotonic())
        assert len(lines) == size.height
        assert max(line.cell_len for line in lines) <= size.width
        assert state_words(view) in lines[0].plain
        if view.may_be_live and view.summary is None:
            assert "SPACE" in lines[-1].plain


@given(st.integers(1, 260), st.integers(1, 90), st.sampled_from(sorted(EVERY)))
def test_no_size_of_terminal_breaks_a_frame(width: int, height: int, name: str) -> None:
    size = Size(width, height)
    lines = frame(seen(*EVERY[name]), Ui(tour=True), size, time.monotonic())
    assert len(lines) == height
    assert max(line.cell_len for line in lines) <= width


SAYS = {
    "power-up": ("LIVE", "line voltage", "line current", "in band", "n/e: not evaluated", "Now 10% of line"),
    "power-up, by hand": ("LIVE", "to 23 V, slowly: 9.0 V/s at most", "▼", "speed"),
    "warned": ("LOOK: line current 0.79 A nears its ceiling",),
    "paused": ("PAUSED", "r resume"),
    "press power": ("PRESS the unit's power button", "b pressed"),
    "going off": ("Hands off until it is proven",),
    "cut": ("CUT: PROVING OFF", "line current 0.9 A is above its ceiling", "Waiting for the meters"),
    "tripped": ("OFF, PROVEN", "WHY", "LIKELY", "WHAT TO DO NOW", "STILL 12 V when last read"),
    "not proven off": ("NOT PROVEN OFF", "EMERGENCY-OFF", "DO NOT REACH ACROSS THE UNIT"),
    "warm-up": ("at full line", "1 left", "Wait while it warms", "t trimmer"),
    "adjust": ("ADJUST NOW: to 8.8 mV", "then turn left to 8.8 mV"),
    "soak": ("stay with it", "g ends the soak"),
    "passed": ("OFF, PROVEN", "in order", "idle of left: 8.8 mV", "capture: captures/one"),
    "stopped": ("OFF, PROVEN", "WHY  off by key"),
    "getting ready": ("NOT LIVE YET", "[ok] watchdog", "[NO] meters: power-meter: no answer"),
}


@pytest.mark.parametrize("name", SAYS)
def test_words_say_what_matters(name: str) -> None:
    said = shown(seen(*EVERY[name]), SIZES[1])
    for words in SAYS[name]:
        assert words in said, said


def test_without_proof_the_largest_words_there_are() -> None:
    said = shown(seen(*EVERY["not proven off"]))
    assert NOT_PROVEN_OFF in said
    assert said.count("▌") > 20  # in block letters


def test_an_engine_that_says_nothing_makes_what_is_shown_old_by_its_own_words() -> None:
    view = seen(*EVERY["power-up"])
    assert standing(view, view.seen.heard_s + 0.3).level == "well"
    old = standing(view, view.seen.heard_s + 2.0)
    assert (old.level, "OLD, by 2.0 s" in old.text, "Switch off now" in old.text) == ("danger", True, True)
    over = seen(*EVERY["passed"])
    assert "OLD" not in standing(over, over.seen.heard_s + 60.0).text


def test_a_person_who_is_the_cut_off_is_told_to_cut_before_anything_else() -> None:
    view = seen(*EVERY["cut"], {"event": "alarm", "text": "SWITCH OFF NOW"})
    assert standing(view, time.monotonic()).text == "SWITCH OFF NOW"
    assert view.alarms == 2
    alarm = {"event": "alarm", "text": "at the variac's switch"}
    view = seen(*moments(hand_turned=True, person_cuts=True)["cut"], alarm)
    assert state_words(view) == "SWITCH OFF NOW"
    assert "nothing else can" in shown(view)
    assert "at the variac's switch" in shown(view)


def test_which_part_of_the_job_it_is() -> None:
    parts = [seen(*EVERY[name]).part for name in ("getting ready", "power-up", "warm-up", "soak", "passed")]
    assert parts == list(Part)


def test_what_a_check_could_not_be_made_of_is_not_shown_as_passed() -> None:
    by_name = {margin.name: margin for margin in margins(seen(*EVERY["power-up"]))}
    assert by_name["offset left"].note == "not evaluated"
    assert by_name["offset left"].used is None
    assert by_name["rail plus"].note == "not evaluated"  # no ceiling is set
    assert by_name["emitter left"].used == pytest.approx(0.09)
    evaluated = seen(live(), readings(1.0, 100.0, 0.1, not_evaluated=[]))
    assert {m.name: m.used for m in margins(evaluated)}["offset left"] == pytest.approx(0.12)


def test_readings_out_of_the_band_or_old_say_so() -> None:
    low = seen(live(), readings(1.0, 100.0, 0.1, expected={"line_current_a": [0.2, 0.3]}))
    high = seen(
        live(), readings(1.0, 100.0, 0.4, expected={"line_current_a": [0.2, 0.3]}, ages_s={"line_current_a": 1.5})
    )
    assert [m.note for m in margins(low)][1] == "below band"
    assert [(m.note, m.age) for m in margins(high)][1] == ("above band", "1.5 s OLD")


@pytest.mark.parametrize(
    ("told", "does"),
    [
        (advice("up"), "TURN UP"),
        (advice("wait"), "WAIT"),
        (advice("back"), "TURN BACK"),
        (advice("up", too_fast=True, speed=12.0), "STOP"),
        (advice("up", blind=True), "WAIT"),
        ({}, "WAIT"),
    ],
)
def test_what_the_hand_is_told(told: dict[str, object], does: str) -> None:
    assert turn_words(told, 12.0)[0] == does


def test_keys_are_those_that_do_something() -> None:
    def keys(name: str, ui: Ui | None = None) -> str:
        return " ".join(key for key, _, _ in keys_now(seen(*EVERY[name]), ui or Ui()))

    assert keys("getting ready") == "space"
    assert keys("getting ready", Ui(asking=["eyes"])) == "space y n"
    assert keys("getting ready", Ui(asking=["second-person"])) == "space y n o"
    assert keys("power-up") == "SPACE p → ← b w n m c"
    assert keys("paused").startswith("SPACE r")
    assert keys("warm-up") == "SPACE t d l g n m c"
    assert keys("power-up, by hand", Ui(turns=True)).split()[-4] == "↑↓"
    assert keys("cut") == "SPACE up/down"
    assert keys("tripped") == "enter up/down"


# -- pieces ------------------------------------------------------------------------------------------------------------


def test_dots_are_where_they_belong() -> None:
    """The Unicode Standard, Braille Patterns: dot 1 is bit 0, top left; dot 8 bit 7, bottom right."""
    dots = Dots(2, 1)
    dots.plot([(0.0, 0.99), (0.99, 0.0), (1.5, 0.5), (0.5, -0.1)])
    assert dict(dots.drawn()) == {(0, 0): "\u2801", (1, 0): "\u2880"}


@given(st.floats(1e-6, 1e6))
def test_a_plots_top_is_a_round_number_not_far_above(value: float) -> None:
    assert value * 0.998 <= nice_top(value) <= 2.0 * value


def test_band_trace_ceiling_and_newest_are_told_apart_by_their_shapes() -> None:
    points = [(float(v), 0.002 * v) for v in range(100)]
    bounds = dict.fromkeys(range(BINS // 2), (0.0, 0.3))
    lines = against_line(
        60, 16, points=points, bounds=bounds, ceiling=0.25, nameplate_v=230.0, unit="A", title="line current"
    )
    drawn = "\n".join(line.plain for line in lines)
    assert len(lines) == 16
    assert all(part in drawn for part in (SHADE, NOW, CEILING, "mA"))
    assert drawn.count(NOW) == 1
    assert drawn.rstrip().endswith("230 V")


@given(st.one_of(st.none(), st.floats(-5, 300)), st.one_of(st.none(), st.floats(0, 253)), st.integers(40, 200))
def test_the_gauge_fits_and_fills_with_the_line(volts: float | None, target: float | None, width: int) -> None:
    marks, scale = gauge(volts, target, 230.0, width).split("\n")
    assert max(len(marks), len(scale)) <= width
    assert marks.count("▼") == (target is not None)
    if volts is not None and target is not None and volts > target + 10.0:
        assert scale.count("█") > marks.index("▼") - 10


def test_bars() -> None:
    assert (bar(None, 4), bar(0.5, 4), bar(7.0, 4)) == ("····", "██──", "████")


def test_a_trace_never_grows_beyond_its_most_and_keeps_its_span() -> None:
    trace = Trace()
    for k in range(20 * MOST_POINTS):
        trace.add(float(k), 0.0)
    assert MOST_POINTS // 2 <= len(trace.points) <= MOST_POINTS
    assert trace.points[-1][0] > 19.9 * MOST_POINTS
    assert trace.points[0][0] < 100.0


def test_the_band_that_is_drawn_is_the_newest_at_each_line_voltage() -> None:
    view = seen(live(), stage(), *ramp())
    view.hear(readings(9.0, 10.0, 0.02, expected={"line_current_a": [0.01, 0.02]}))
    assert view.bounds["line_current_a"][view.bin_of(10.0)] == (0.01, 0.02)
    view.hear(trip())
    view.hear(readings(9.1, 20.0, 9.0, state="tripped"))
    assert view.traces["line_current_a"].points[-1] == (10.0, 0.02)  # what is read after the cut is not drawn


def test_warnings_leave_the_line_that_says_how_it_is_after_a_while() -> None:
    view = seen(live(), readings(1.0, 10.0, 0.1), notice())
    assert "LOOK" in standing(view, time.monotonic()).text
    view.hear(readings(7.0, 10.0, 0.1))
    assert "LOOK" not in standing(view, time.monotonic()).text
    assert view.rings == 1


def test_a_run_that_is_refused_says_why_and_one_without_a_result_is_not_proven_off() -> None:
    refused = seen(*EVERY["refused"])
    refused.ended = True
    assert "use another bench" in shown(refused)
    assert state_words(refused) == "NOTHING WAS ENERGISED"
    gone = seen(permissive(), live(), course())
    gone.ended = True
    assert state_words(gone) == "NOT PROVEN OFF"
    assert seen(finished()).proven_off


def test_the_band_is_drawn_through_between_near_readings_and_not_across_a_gap() -> None:
    through = drawn_through({10: (0.0, 1.0), 14: (1.0, 3.0), 100: (5.0, 6.0)})
    assert through[12] == (0.5, 2.0)
    assert set(through) == {10, 11, 12, 13, 14, 100}


def test_a_line_that_is_typed_is_left_by_escape_alone_and_the_keys_say_so() -> None:
    last = frame(seen(*EVERY["power-up"]), Ui(typing="note"), SIZES[0], time.monotonic())[-1].plain
    assert "ESC OFF" in last
    assert "SPACE" not in last


def test_what_is_not_in_order_or_was_not_checked_is_in_the_headline() -> None:
    def ended(*right: bool | None) -> str:
        checks = [{"what": f"idle of {k}", "right": one, "text": "t", "value": None} for k, one in enumerate(right)]
        return shown(seen(live(), finished("passed") | {"checks": checks}), SIZES[1])

    assert "not all is in order" in ended(True, False)
    assert "NOT IN ORDER  idle of 1" in ended(True, False)
    assert "1 NOT CHECKED" in ended(True, None)
    assert "NOT" not in ended(True, True).split("capture")[0].replace("NOTHING", "")


def test_a_knob_turned_too_fast_just_before_a_trip_is_named_before_any_fault() -> None:
    fast = [live(hand_turned=True), readings(2.5, 12.0, 0.1), advice("up", too_fast=True, speed=70.0)]
    said = shown(seen(*fast, trip(), finished()), SIZES[1])
    assert said.index("turned at 70 V/s just before") < said.index("LIKELY")
    slow = [live(hand_turned=True), readings(2.5, 12.0, 0.1), advice("up")]
    assert "just before" not in shown(seen(*slow, trip(), finished()), SIZES[1])


def test_a_lost_instrument_names_no_likely_fault() -> None:
    causes = [{"cause": "no-fault", "probability": 0.97}, {"cause": "other", "probability": 0.03}]
    assert "LIKELY" not in shown(seen(live(), trip(), finished("unproven", proven=False) | {"causes": causes}))


def test_whether_it_is_live_is_the_last_thing_a_small_terminal_loses() -> None:
    for size in (Size(20, 5), Size(10, 2), Size(8, 1)):
        assert frame(seen(*EVERY["power-up"]), Ui(), size, time.monotonic())[0].plain.startswith(" LIVE")
