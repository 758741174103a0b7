"""The course of a unit at full line, and what is checked on it when it is warm: by readings made up for the purpose."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest

from full_line_help import sheet
from rampguard.quantities import LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal
from rampguard.warmup.checks import Check, Newest, checks_of
from rampguard.warmup.course import COMES_BACK_S, DRIVE_OFF_S, TOUCHED_MOST_S, Course, Phase, Touch, Turned
from rampguard.warmup.sheet import SheetError, Soak, UnitSheet, load_sheet
from rampguard.warmup.tracking import tracking
from rampguard.warmup.watch import Do, Going

TARGET_V = 0.09 * 0.22


@pytest.fixture
def two(tmp_path: Path) -> UnitSheet:
    """The sheet of two channels: 19.8 mV within a fifth, first setting at 1.2 min, final check at 3, soak 0.3 min."""
    return load_sheet(sheet(tmp_path))


def _idle(channel: str) -> Signal:
    return Signal(Quantity.EMITTER_RESISTOR, channel)


def _read(course: Course, signal: Signal, value: float, now_s: float) -> None:
    course.take(Reading(signal, float(value), now_s, now_s, bound=1e-5), now_s)


def _go(course: Course, from_s: float, to_s: float, **volts: float) -> list[Turned]:
    """Steady readings, one a second, of the channels named."""
    found = []
    for now_s in np.arange(from_s, to_s, 1.0):
        for channel, value in volts.items():
            _read(course, _idle(channel), value + 1e-5 * np.sin(7.0 * now_s), float(now_s))
        found += list(course.step(float(now_s)))
    return found


def _begun(of: UnitSheet, *channels: str, warm_min: float = 0.0) -> Course:
    course = Course(of, [_idle(channel) for channel in channels], warm_min=warm_min)
    course.begin(0.0)
    return course


class TestPhases:
    """Warm-up until all is right, then the soak, then done."""

    def test_all_right_goes_from_warm_up_by_the_soak_to_done(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        turned = _go(course, 0.0, 240.0, left=TARGET_V, right=TARGET_V)
        begins = [one.begins for one in turned if one.begins is not None]
        assert begins == [Phase.SOAK, Phase.DONE]
        assert course.phase is Phase.DONE

    def test_nothing_is_done_before_full_line(self, two: UnitSheet) -> None:
        course = Course(two, [_idle("left")])
        assert _go(course, 0.0, 60.0, left=1.0) == []
        assert course.phase is Phase.RAMP

    def test_one_that_is_not_right_is_waited_for_no_longer_than_the_sheet_says(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        turned = _go(course, 0.0, 359.0, left=TARGET_V, right=0.5 * TARGET_V)
        assert course.phase is Phase.WARM_UP
        assert any("Turn until" in one.said for one in turned)
        assert course.watches["right"].do is Do.ADJUST
        _go(course, 359.0, 362.0, left=TARGET_V, right=0.5 * TARGET_V)
        assert course.phase is Phase.DONE  # what is not right is not soaked
        checks = {check.what: check.right for check in course.checks()}
        assert checks["idle of left"] is True
        assert checks["idle of right"] is False

    def test_whoever_is_in_a_hurry_ends_a_phase(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        _go(course, 0.0, 10.0, left=TARGET_V, right=TARGET_V)
        course.hurry()
        _go(course, 10.0, 11.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.SOAK

    def test_minutes_of_before_count(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right", warm_min=10.0)
        _go(course, 0.0, 40.0, left=TARGET_V, right=TARGET_V)
        assert course.minutes(60.0) == pytest.approx(11.0)
        assert course.phase is Phase.WARM_UP  # the longest wait is this run's own
        _go(course, 40.0, 70.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.SOAK

    def test_without_a_soak_it_is_done_when_warm(self, two: UnitSheet) -> None:
        course = _begun(two.without_soak(), "left", "right")
        _go(course, 0.0, 190.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.DONE


class TestTouches:
    """Trimmers that somebody has hold of, and the lid."""

    def test_what_is_read_while_a_trimmer_is_held_is_no_part_of_any_stretch(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        _go(course, 0.0, 90.0, left=0.002, right=TARGET_V)
        course.touch(Touch.TRIMMER, "left", 90.0)
        assert course.touched == ("left",)
        _go(course, 90.0, 95.0, left=0.010, right=TARGET_V)
        assert course.newest_idle_v("left") == pytest.approx(0.010, abs=1e-4)
        course.let_go()
        assert course.touched == ()
        _go(course, 95.0, 300.0, left=TARGET_V, right=TARGET_V)
        assert course.watches["left"].do is Do.LEAVE

    def test_nobody_holds_a_trimmer_for_ever(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        course.touch(Touch.TRIMMER, "left", 10.0)
        _go(course, 10.0, 10.0 + TOUCHED_MOST_S, left=TARGET_V, right=TARGET_V)
        assert course.touched == ("left",)
        turned = _go(course, 11.0 + TOUCHED_MOST_S, 13.0 + TOUCHED_MOST_S, left=TARGET_V, right=TARGET_V)
        assert course.touched == ()
        assert any("counts as let go of" in one.said for one in turned)

    def test_the_lid_begins_every_channel_anew(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        _go(course, 0.0, 100.0, left=TARGET_V, right=TARGET_V)
        assert course.watches["left"].going is Going.SETTLED
        course.touch(Touch.LID, "", 100.0)
        _go(course, 100.0, 110.0, left=TARGET_V, right=TARGET_V)
        assert course.watches["left"].going is Going.UNTOLD

    def test_a_channel_that_there_is_not_is_not_touched(self, two: UnitSheet) -> None:
        course = _begun(two, "left")
        course.touch(Touch.TRIMMER, "middle", 10.0)
        assert course.touched == ()

    def test_one_that_no_meter_reads_is_held_all_the_same(self, two: UnitSheet) -> None:
        course = _begun(two, "left")
        course.touch(Touch.TRIMMER, "right", 10.0)
        assert course.touched == ("right",)
        course.let_go()
        assert course.touched == ()

    def test_the_lid_just_after_a_trimmer_forgets_the_time_constant(self, two: UnitSheet) -> None:
        course = _begun(two, "left", "right")
        _go(course, 0.0, 60.0, left=TARGET_V, right=TARGET_V)
        course.touch(Touch.TRIMMER, "left", 60.0)
        course.let_go()
        course.touch(Touch.LID, "", 60.5)
        assert [carries for _, carries in course._channels["left"].stretches] == [False, False]


class TestDriven:
    """A soak at one eighth of rated power."""

    @pytest.fixture
    def driven(self, two: UnitSheet) -> UnitSheet:
        """60 W into 8 ohm a channel."""
        return two.model_copy(update={"soak": Soak(minutes=1.0, power="one-eighth", rated_output_w=60.0, load_ohm=8.0)})

    def test_the_drive_is_by_hand_sums(self, driven: UnitSheet) -> None:
        """7.5 W into 8 ohm: 7.746 V rms, 10.95 V peak; each rail gives 10.95 / (pi 8) = 0.4358 A for a channel.

        Of 102 V from rail to rail, two channels: 88.9 W, and 2 x 90 mA x 102 V = 18.4 W idling; at 80 % that is 134 W.
        """
        drive = driven.drive
        assert drive is not None
        assert drive.level_v == pytest.approx(7.746, abs=0.001)
        assert drive.power_w == pytest.approx(1.5 * 134.1, rel=0.002)
        assert drive.emitter_resistor_v == pytest.approx(1.5 * (0.4358 * 0.22 + 0.0198), rel=0.002)

    def test_nothing_drives_a_soak_that_idles(self, two: UnitSheet) -> None:
        assert two.drive is None

    def test_the_idle_is_not_watched_meanwhile_and_comes_back_after_it(self, driven: UnitSheet) -> None:
        course = _begun(driven, "left", "right")
        _read(course, REAL_POWER, 31.0, 0.0)
        _go(course, 0.0, 185.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.SOAK
        assert course.is_driven
        _read(course, REAL_POWER, 128.0, 185.0)
        said = _go(course, 185.0, 240.0, left=0.12, right=0.12)
        assert [one for one in said if one.said] == []
        _go(course, 240.0, 250.0, left=0.12, right=0.12)
        assert course.phase is Phase.AFTER_SOAK
        assert course.is_driven  # whoever drives it has not switched off yet
        assert {check.what: check.right for check in course.checks()}["drive in the soak"] is True
        _read(course, REAL_POWER, 33.0, 250.0)
        assert not course.is_driven
        _go(course, 250.0, 320.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.DONE

    def test_a_soak_in_which_nobody_drove_it_is_not_right(self, driven: UnitSheet) -> None:
        course = _begun(driven, "left", "right")
        _go(course, 0.0, 185.0, left=TARGET_V, right=TARGET_V)
        _read(course, REAL_POWER, 31.0, 185.0)
        check = {check.what: check for check in course.checks()}["drive in the soak"]
        assert check.right is False
        assert "was it driven at all" in check.text

    def test_what_draws_more_two_minutes_after_the_drive_was_to_be_off_is_no_drive(self, driven: UnitSheet) -> None:
        course = _begun(driven, "left", "right")
        _read(course, REAL_POWER, 31.0, 0.0)
        _go(course, 0.0, 250.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.AFTER_SOAK
        _read(course, REAL_POWER, 120.0, course.phase_began_s + DRIVE_OFF_S - 1.0)
        assert course.is_driven
        _read(course, REAL_POWER, 120.0, course.phase_began_s + DRIVE_OFF_S + 1.0)
        assert not course.is_driven

    def test_what_is_checked_is_a_unit_that_idles(self, driven: UnitSheet) -> None:
        course = _begun(driven, "left", "right")
        _go(course, 0.0, 200.0, left=TARGET_V, right=TARGET_V)
        assert course.is_driven
        _go(course, 200.0, 210.0, left=0.12, right=0.12)
        idles = {check.what: check.value for check in course.checks()}
        assert idles["idle of left"] == pytest.approx(TARGET_V, abs=1e-4)

    def test_an_idle_that_does_not_come_back_is_not_waited_for_for_ever(self, driven: UnitSheet) -> None:
        course = _begun(driven, "left", "right")
        _go(course, 0.0, 260.0, left=TARGET_V, right=TARGET_V)
        assert course.phase is Phase.AFTER_SOAK
        assert list(course.step(course.phase_began_s + COMES_BACK_S)) == [Turned(begins=Phase.DONE)]

    def test_one_eighth_of_what_must_be_said_and_the_rails_must_carry_it(self, tmp_path: Path) -> None:
        path = sheet(tmp_path)
        whole = path.read_text(encoding="utf-8")
        path.write_text(whole + 'power = "one-eighth"\n', encoding="utf-8")
        with pytest.raises(SheetError, match="one eighth of what"):
            load_sheet(path)
        path.write_text(whole + 'power = "one-eighth"\nrated_output_w = 200.0\nload_ohm = 8.0\n', encoding="utf-8")
        with pytest.raises(SheetError, match=r"needs 56\.6 V peak"):
            load_sheet(path)


def test_a_runaway_is_called_and_names_its_channel(two: UnitSheet) -> None:
    course = _begun(two, "left", "right")
    away = []
    for now_s in np.arange(0.0, 120.0, 0.1):
        grown = TARGET_V * (1.0 + 0.02 * np.exp(now_s / 12.0))
        _read(course, _idle("right"), grown, float(now_s))
        _read(course, _idle("left"), TARGET_V, float(now_s))
        away = [one.runs_away for one in course.step(float(now_s)) if one.runs_away]
        if away:
            break
    assert away
    assert away[0].startswith("right: the idle runs away")
    assert grown < 2.0 * TARGET_V


def test_next_to_no_idle_does_not_run_away_with_the_meters_noise(two: UnitSheet) -> None:
    """A display that goes from 0.1 to 0.2 mV, a trimmer at its least: a doubling that says nothing."""
    course = _begun(two, "left", "right")
    turned = []
    for now_s in np.arange(0.0, 120.0, 0.5):
        _read(course, _idle("left"), 1e-4 if now_s < 40.0 else 2e-4, float(now_s))
        _read(course, _idle("right"), 1e-5 * abs(np.sin(13.0 * now_s)), float(now_s))
        turned += list(course.step(float(now_s)))
    assert [one.runs_away for one in turned if one.runs_away] == []


def test_nothing_goes_on_while_the_line_is_away_from_full_line(two: UnitSheet) -> None:
    course = Course(two, [_idle("left"), _idle("right")], full_line_v=230.0)
    course.begin(0.0)
    _read(course, LINE_VOLTAGE, 180.0, 0.0)
    turned = _go(course, 0.0, 300.0, left=TARGET_V, right=TARGET_V)
    assert any("away from full line" in one.said for one in turned)
    assert course.phase is Phase.WARM_UP
    _read(course, LINE_VOLTAGE, 228.0, 300.0)
    turned = _go(course, 300.0, 310.0, left=TARGET_V, right=TARGET_V)
    assert any("back at full line" in one.said for one in turned)
    assert course.phase is Phase.SOAK


def test_a_channel_is_not_called_as_what_is_behind_another_ones_relay(tmp_path: Path) -> None:
    with pytest.raises(SheetError, match="behind a channel's speaker relay"):
        load_sheet(sheet(tmp_path, ("left", "left-terminals")))


def test_a_channel_without_a_meter_is_not_watched_and_one_run_may_be_about_one_alone(two: UnitSheet) -> None:
    assert Course(two, [_idle("left")]).unwatched == ("right",)
    assert Course(two, [_idle("left")], only="left").unwatched == ()


def test_where_nothing_sets_the_idle_there_is_nothing_to_turn(two: UnitSheet) -> None:
    course = _begun(two.model_copy(update={"trimmers": "none"}), "left", "right")
    _go(course, 0.0, 120.0, left=TARGET_V, right=0.5 * TARGET_V)
    watch = course.watches["right"]
    assert watch.do is Do.FIND_OUT
    assert watch.set_to_v is None
    assert "nothing sets it" in watch.text


class TestChecks:
    """A warm unit against its sheet."""

    def _of(self, two: UnitSheet, **values: float) -> dict[str, Check]:
        newest = {}
        for name, value in values.items():
            quantity, channel = name.split("__")
            newest[Signal(Quantity(quantity), channel.replace("_", "-"))] = Newest(value, 1e-4)
        return {check.what: check for check in checks_of(two, newest, {}, ())}

    def test_rails_are_measured_and_compared(self, two: UnitSheet) -> None:
        checks = self._of(two, rail__plus=50.0, rail__minus=-40.0)
        assert checks["plus rail"].right is True
        assert checks["minus rail"].right is False
        assert self._of(two)["plus rail"].right is None

    def test_offset_ahead_of_the_relay_and_behind_it(self, two: UnitSheet) -> None:
        checks = self._of(two, dc_offset__left=0.030, dc_offset__left_terminals=0.029)
        assert checks["offset of left"].right is True
        assert checks["offset of left at its terminals"].right is True

    def test_too_much_offset_is_not_right(self, two: UnitSheet) -> None:
        checks = self._of(two, dc_offset__left=-0.080, dc_offset__left_terminals=-0.080)
        assert checks["offset of left"].right is False
        assert checks["offset of left at its terminals"].right is False

    def test_a_relay_that_has_not_closed_is_told_by_an_offset_that_does_not_come_through(self, two: UnitSheet) -> None:
        check = self._of(two, dc_offset__left=0.030, dc_offset__left_terminals=0.0)["offset of left at its terminals"]
        assert check.right is False
        assert "has not closed" in check.text

    def test_next_to_no_offset_does_not_tell_whether_it_has(self, two: UnitSheet) -> None:
        check = self._of(two, dc_offset__left=0.002, dc_offset__left_terminals=0.0)["offset of left at its terminals"]
        assert check.right is True
        assert "too little to tell" in check.text

    def test_heat_goes_by_the_rails_as_measured(self, two: UnitSheet) -> None:
        """19.8 mV over 0.22 ohm: 90 mA, on 100 V from rail to rail 9 W."""
        checks = self._of(two, emitter_resistor__left=0.0198, rail__plus=50.0, rail__minus=-50.0)
        assert "90 mA a device" in checks["idle of left"].text
        assert "9 W in the channel" in checks["idle of left"].text

    def test_the_odd_one_of_seven(self, tmp_path: Path) -> None:
        names = ("a", "b", "c", "d", "e", "f", "g")
        seven = load_sheet(sheet(tmp_path, names))
        values = {f"emitter_resistor__{name}": 0.0198 for name in names} | {"emitter_resistor__f": 0.035}
        odd = [check for check in self._of(seven, **values).values() if "odd one out" in check.text]
        assert [check.what for check in odd] == ["idle of f"]


class TestTracking:
    """How idle goes with the heat sink's temperature."""

    def test_it_is_the_slope_of_the_logarithm(self) -> None:
        """By hand: an idle of 20 mV * exp(0.01 * (T - 30)) over 20 K changes by 1 % a kelvin, a fifth in all."""
        time_s = np.arange(0.0, 600.0, 2.0)
        degc = 30.0 + 20.0 * time_s / 600.0
        told = tracking(time_s, 0.020 * np.exp(0.01 * (degc - 30.0)), time_s, degc)
        assert told is not None
        assert told.per_k == pytest.approx(0.01, rel=1e-6)
        assert told.over_span == pytest.approx(0.2, rel=0.01)
        assert "follows too little" in told.said(0.15)
        assert "tracks" in told.said(0.25)

    def test_one_that_falls_is_followed_too_much(self) -> None:
        time_s = np.arange(0.0, 600.0, 2.0)
        degc = 30.0 + 20.0 * time_s / 600.0
        told = tracking(time_s, 0.020 * np.exp(-0.02 * (degc - 30.0)), time_s, degc)
        assert told is not None
        assert "follows too much" in told.said(0.15)

    def test_a_heat_sink_that_stays_as_warm_tells_nothing(self) -> None:
        time_s = np.arange(0.0, 600.0, 2.0)
        assert tracking(time_s, np.full_like(time_s, 0.02), time_s, np.full_like(time_s, 40.0)) is None
