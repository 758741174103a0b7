"""Layer 1, check by check: each limit trips just above it, warns near it, and says when it was not evaluated."""

from __future__ import annotations

from dataclasses import fields, replace

import pytest

from guard_help import (
    EMITTER,
    HEATSINK,
    LIMITS,
    OFFSET,
    RAIL_MINUS,
    RAIL_PLUS,
    last,
    line,
    reading,
    run,
)
from rampguard.guard.decision import POWER_PRESSED, Decision, Layer, Observation, Severity, Trip
from rampguard.guard.judge import GuardState, TimeRanBackwards, judge, trip_from_outside
from rampguard.guard.limits import Limits, LimitsError
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal, Validity


@pytest.mark.parametrize(
    ("signal", "ceiling"),
    [
        (LINE_VOLTAGE, 253.0),
        (LINE_CURRENT, 1.0),
        (EMITTER, 0.1),
        (RAIL_PLUS, 60.0),
        (HEATSINK, 80.0),
    ],
)
def test_a_reading_above_its_ceiling_trips_and_one_at_it_does_not(signal: Signal, ceiling: float) -> None:
    limits = replace(LIMITS, current_rise_a=None, current_rise_a_per_s=None)
    at = last(Observation(0.0, (reading(signal, ceiling),)), limits=limits)
    above = last(Observation(0.0, (reading(signal, ceiling * 1.0001),)), limits=limits)
    assert at.trip is None
    assert above.trip is not None
    assert above.trip.layer is Layer.CEILING
    assert "above its ceiling" in above.trip.reason


@pytest.mark.parametrize("signal", [EMITTER, RAIL_MINUS])
def test_the_size_counts_not_the_sign(signal: Signal) -> None:
    assert last(Observation(0.0, (reading(signal, -1000.0),))).trip is not None


def test_near_the_ceiling_it_warns_but_not_for_line_voltage() -> None:
    assert last(line(0.0, 20.0, 0.96)).severity is Severity.WARN
    assert last(line(0.0, 20.0, 0.79)).severity is not Severity.WARN
    assert last(line(0.0, 250.0, 0.5)).severity is not Severity.WARN


@pytest.mark.parametrize(
    ("signal", "warns_above"), [(LINE_CURRENT, 0.95), (REAL_POWER, 142.5), (RAIL_PLUS, 48.0), (HEATSINK, 64.0)]
)
def test_it_warns_just_above_its_part_of_the_ceiling(signal: Signal, warns_above: float) -> None:
    at = last(Observation(0.0, (reading(signal, warns_above),)))
    above = last(Observation(0.0, (reading(signal, warns_above * 1.0001),)))
    assert Severity.WARN not in {finding.severity for finding in at.findings}
    assert above.severity is Severity.WARN


def test_over_range_counts_as_above_the_ceiling() -> None:
    over = reading(LINE_CURRENT, None, validity=Validity.OVER_RANGE)
    trip = last(Observation(0.0, (reading(LINE_VOLTAGE, 5.0), over))).trip
    assert trip is not None
    assert "beyond the meter's range" in trip.reason
    assert trip.line_voltage_v == 5.0


def test_a_quantity_without_a_ceiling_is_not_evaluated() -> None:
    decision = last(Observation(0.0, (reading(HEATSINK, 500.0),)), limits=replace(LIMITS, temperature_degc=None))
    assert decision.trip is None
    assert [f.reason for f in decision.not_evaluated if "temperature" in f.reason] == [
        "temperature, heat-sink: no ceiling is set"
    ]


class TestDcOffset:
    def test_it_means_nothing_before_the_rails_are_up(self) -> None:
        decision = last(*(line(t, 50.0, 0.1, None, reading(OFFSET, 9.0)) for t in (0.0, 1.0, 3.0)))
        assert decision.trip is None
        assert any(f.check == "dc-offset" for f in decision.not_evaluated)

    def test_it_means_nothing_while_line_voltage_moves(self) -> None:
        moving = [line(t / 10, 92.0 + t, 0.1, None, reading(OFFSET, 9.0)) for t in range(50)]
        assert run(moving)[-1].trip is None

    def test_it_trips_once_line_voltage_is_up_and_still(self) -> None:
        still = [line(t / 10, 92.0, 0.1, None, reading(OFFSET, -1.1)) for t in range(30)]
        tripped = [d.trip for d in run(still) if d.trip]
        assert tripped
        assert tripped[0].time_s == pytest.approx(2.0)

    def test_a_measured_rail_decides_where_there_is_one(self) -> None:
        def ramp(rail_v: float) -> list[Observation]:
            return [line(t / 10, 30.0, 0.1, None, reading(RAIL_PLUS, rail_v), reading(OFFSET, 1.1)) for t in range(30)]

        assert run(ramp(15.1))[-1].trip is not None
        assert run(ramp(14.9))[-1].trip is None

    @pytest.mark.parametrize(("minus_v", "trips"), [(-15.0, False), (-15.1, True)])
    def test_the_smaller_of_two_rails_must_be_up(self, minus_v: float, trips: bool) -> None:
        rails = (reading(RAIL_PLUS, 40.0), reading(RAIL_MINUS, minus_v))
        seen = [line(t / 10, 30.0, 0.1, None, *rails, reading(OFFSET, 1.1)) for t in range(21)]
        assert (last(*seen, limits=replace(LIMITS, rail_difference_v=None)).trip is not None) == trips

    def test_without_rails_and_a_line_voltage_to_go_by_it_never_means_anything(self) -> None:
        seen = [line(t / 10, 230.0, 0.1, None, reading(OFFSET, 9.0)) for t in range(30)]
        assert last(*seen, limits=replace(LIMITS, offset_from_line_v=None)).trip is None

    @pytest.mark.parametrize(("moved_v", "trips"), [(94.0, True), (94.1, False)])
    def test_a_line_that_moves_by_two_volts_is_still(self, moved_v: float, trips: bool) -> None:
        seen = [line(t / 10, 92.0, 0.1) for t in range(20)]
        assert (last(*seen, line(2.0, moved_v, 0.1, None, reading(OFFSET, 1.1))).trip is not None) == trips

    def test_it_means_nothing_before_line_voltage_was_ever_read(self) -> None:
        decision = last(Observation(0.0, (reading(OFFSET, 9.0),)))
        assert decision.trip is None
        assert [f.check for f in decision.not_evaluated] == ["dc-offset"]

    def test_over_range_while_it_means_nothing_is_no_trip_at_once(self) -> None:
        over = reading(OFFSET, None, validity=Validity.OVER_RANGE)
        assert last(line(0.0, 50.0, 0.1, None, over)).severity is Severity.WARN


class TestRails:
    @staticmethod
    def _held(line_v: float, minus_v: float, seconds: float = 2.5) -> list[Observation]:
        rails = (reading(RAIL_PLUS, 40.0), reading(RAIL_MINUS, minus_v))
        return [line(t / 10, line_v, 0.1, None, *rails) for t in range(round(seconds * 10))]

    def test_rails_that_differ_while_the_line_is_still_trip(self) -> None:
        assert last(*self._held(100.0, -34.9)).trip is not None
        assert last(*self._held(100.0, -35.1)).trip is None

    @pytest.mark.parametrize(("line_v", "seconds"), [(100.0, 1.9), (12.0, 2.5)], ids=["not still yet", "hardly there"])
    def test_rails_that_the_line_does_not_hold_up_are_not_evaluated(self, line_v: float, seconds: float) -> None:
        decision = last(*self._held(line_v, -20.0, seconds))
        assert decision.trip is None
        assert any(f.check == "rail-difference" for f in decision.not_evaluated)

    def test_once_the_line_is_cut_they_may_empty_each_in_its_own_time(self) -> None:
        """Seen with one leaking reservoir: a cut that was followed by a trip for nothing."""
        emptying = [
            line(3.0 + t / 10, 0.0, 0.0, None, reading(RAIL_PLUS, 40.0 - t), reading(RAIL_MINUS, -40.0), set_v=0.0)
            for t in range(40)
        ]
        still = [replace(o, set_voltage_v=100.0) for o in self._held(100.0, -40.0)]
        assert last(*still, *emptying).trip is None

    def test_rails_that_come_up_after_a_press_are_not_compared(self) -> None:
        """Read at different moments, one is ahead of the other."""
        limits = Limits(line_voltage_v=250.0, rail_difference_v=5.0, watched=())
        plus, minus = Signal(Quantity.RAIL, "plus"), Signal(Quantity.RAIL, "minus")
        state = GuardState()
        severities = {}
        for n in range(80):
            now_s = 0.1 * n
            event = POWER_PRESSED if n == 30 else ""
            readings = [Reading(LINE_VOLTAGE, 160.0, now_s, now_s)]
            if n > 30:
                readings += [Reading(plus, 30.0, now_s, now_s), Reading(minus, -1.0, now_s, now_s)]
            state, decision = judge(state, limits, Observation(now_s, tuple(readings), None, event))
            severities[n] = decision.severity
        assert Severity.TRIP not in {severities[n] for n in range(60)}
        assert severities[61] is Severity.TRIP

    def test_rails_that_differ_by_the_ceiling_do_not_trip(self) -> None:
        assert last(*self._held(100.0, -35.0)).findings == ()

    @pytest.mark.parametrize(("line_v", "trips"), [(12.64, False), (12.65, True)])
    def test_they_are_compared_from_a_twentieth_of_the_line_on(self, line_v: float, trips: bool) -> None:
        assert (last(*self._held(line_v, -20.0)).trip is not None) == trips

    def test_once_off_was_commanded_they_are_not_compared(self) -> None:
        *before, now = self._held(100.0, -34.9)
        assert last(*(replace(o, readings=o.readings[:2]) for o in before), replace(now, is_off=True)).trip is None

    @pytest.mark.parametrize("line_ceiling_v", [253.0, 15.0])
    def test_before_line_voltage_was_ever_read_they_are_not_compared(self, line_ceiling_v: float) -> None:
        rails = (reading(RAIL_PLUS, 40.0), reading(RAIL_MINUS, -20.0))
        decision = last(Observation(2.5, rails), limits=replace(LIMITS, line_voltage_v=line_ceiling_v))
        assert "rail-difference" in {finding.check for finding in decision.not_evaluated}

    def test_without_a_limit_nothing_is_said_of_them(self) -> None:
        decision = last(*self._held(100.0, -20.0), limits=replace(LIMITS, rail_difference_v=None))
        assert decision.findings == ()

    def test_the_least_and_the_most_of_three_are_compared(self) -> None:
        third = reading(replace(RAIL_PLUS, channel="standby"), 35.5)
        held = [replace(o, readings=(*o.readings, third)) for o in self._held(100.0, -40.4)]
        assert last(*held).findings == ()
        assert last(*(replace(o, readings=(*o.readings, reading(RAIL_MINUS, -40.6))) for o in held)).trip is not None

    def test_one_rail_alone_is_not_evaluated(self) -> None:
        decision = last(*(line(t / 10, 100.0, 0.1, None, reading(RAIL_PLUS, 40.0)) for t in range(25)))
        assert any(f.check == "rail-difference" and "only one" in f.reason for f in decision.not_evaluated)


class TestExpectedEvent:
    """A main relay closing: for a second, an inrush may draw what it has its own ceiling for, and no more."""

    EVENT = replace(LIMITS, event_current_a=4.0, event_power_w=600.0)

    def _after(self, seconds: float, a: float, w: float, limits: Limits = LIMITS) -> Decision:
        event = line(1.0, 161.0, 0.1, 5.0, event="power-pressed")
        return last(line(0.9, 161.0, 0.1, 5.0), event, line(1.0 + seconds, 161.0, a, w), limits=limits)

    def test_its_ceiling_is_the_events_while_it_lasts(self) -> None:
        assert self._after(1.0, 4.0, 600.0, self.EVENT).trip is None

    @pytest.mark.parametrize(("a", "w"), [(4.001, 10.0), (0.5, 600.1)])
    def test_above_the_events_ceiling_it_trips(self, a: float, w: float) -> None:
        assert self._after(0.1, a, w, self.EVENT).trip is not None

    def test_afterwards_the_ordinary_ceiling_is_back(self) -> None:
        assert self._after(1.01, 1.001, 10.0, self.EVENT).trip is not None

    @pytest.mark.parametrize(
        ("own", "a", "w"),
        [({"event_current_a": 4.0}, 0.5, 150.1), ({"event_power_w": 600.0}, 1.001, 10.0)],
        ids=["power has none", "current has none"],
    )
    def test_a_ceiling_of_its_own_is_for_its_quantity_alone(self, own: dict[str, float], a: float, w: float) -> None:
        assert self._after(0.1, a, w, replace(LIMITS, **own)).trip is not None  # type: ignore[arg-type]

    def test_before_any_event_the_ordinary_ceiling_counts(self) -> None:
        assert last(line(0.9, 161.0, 1.001), limits=self.EVENT).trip is not None
        assert last(line(0.9, 161.0, 1.0, 150.1), limits=self.EVENT).trip is not None

    def test_where_events_have_no_ceiling_of_their_own_the_ordinary_one_stays(self) -> None:
        assert self._after(0.1, 1.001, 10.0).trip is not None


class TestLastingInrush:
    """An inrush passes; what stays above its lasting ceiling, in readings far enough apart, does not."""

    LASTING = replace(
        LIMITS,
        event_current_a=8.0,
        event_power_w=900.0,
        event_lasting_current_a=2.5,
        event_lasting_power_w=300.0,
        inrush_s=0.15,
    )

    def _after(self, *drawn: tuple[float, float, float]) -> list[Decision]:
        event = line(1.0, 161.0, 0.1, 5.0, event="power-pressed")
        return run(
            [line(0.9, 161.0, 0.1, 5.0), event, *(line(1.0 + t, 161.0, a, w) for t, a, w in drawn)], self.LASTING
        )

    @pytest.mark.parametrize(("a", "w", "what"), [(2.6, 100.0, "line current"), (2.0, 301.0, "real power")])
    def test_what_stays_trips(self, a: float, w: float, what: str) -> None:
        one, early, late = self._after((0.1, a, w), (0.2, a, w), (0.26, a, w))[-3:]
        assert one.trip is None
        assert early.trip is None
        assert late.trip is not None
        assert late.trip.check == "inrush"
        assert late.trip.reason.startswith(f"{what} {a if what == 'line current' else w:.4g}")
        assert "for 0.16 s, longer than an inrush" in late.trip.reason

    def test_what_falls_below_between_begins_anew_only_if_it_fell_for_good(self) -> None:
        assert self._after((0.1, 6.0, 800.0), (0.3, 2.5, 300.0), (0.5, 2.0, 200.0))[-1].trip is None

    @pytest.mark.parametrize(("a", "w"), [(2.5, 100.0), (2.0, 300.0)])
    def test_what_stays_at_it_and_not_above_does_not_trip(self, a: float, w: float) -> None:
        assert self._after((0.1, a, w), (0.3, a, w), (0.5, a, w))[-1].trip is None

    def test_a_moment_at_it_and_not_above_does_not_count(self) -> None:
        assert self._after((0.25, 2.5, 100.0), (0.5, 2.6, 100.0))[-1].trip is None

    @pytest.mark.parametrize(("inrush_s", "trips"), [(0.125, True), (0.126, False)])
    def test_what_has_lasted_for_just_that_long_trips(self, inrush_s: float, trips: bool) -> None:
        pressed = line(1.0, 161.0, 0.1, event="power-pressed")
        drawn = (line(1.25, 161.0, 3.0), line(1.375, 161.0, 3.0))
        assert (last(pressed, *drawn, limits=replace(self.LASTING, inrush_s=inrush_s)).trip is not None) == trips

    def test_what_was_drawn_with_the_event_counts_and_what_before_does_not(self) -> None:
        limits = replace(self.LASTING, current_rise_a=None, current_rise_a_per_s=None, line_current_a=8.0, inrush_s=0.5)
        pressed = line(1.0, 161.0, 3.0, event="power-pressed")
        assert last(line(0.75, 161.0, 3.0), pressed, line(1.25, 161.0, 3.0), limits=limits).trip is None
        assert last(line(0.75, 161.0, 3.0), pressed, line(1.5, 161.0, 3.0), limits=limits).trip is not None

    def test_the_reading_of_the_event_itself_lasts_for_no_time(self) -> None:
        """However the sum and the difference of its time and its window are rounded."""
        assert last(line(0.1, 161.0, 3.0, event="power-pressed"), limits=self.LASTING).trip is None

    def test_without_an_event_it_is_not_asked(self) -> None:
        limits = replace(self.LASTING, line_current_a=8.0)
        assert last(*(line(t / 10, 161.0, 3.0) for t in range(10)), limits=limits).trip is None

    def test_after_the_event_it_is_not_asked(self) -> None:
        decisions = self._after((0.1, 0.5, 10.0), (1.2, 0.9, 10.0), (1.5, 0.9, 10.0))
        assert not any(f.check == "inrush" for d in decisions for f in d.findings)


class TestPowerSeen:
    """An X-capacitor draws current with the switch off: only real power tells."""

    LIMITS = replace(LIMITS, power_seen_by_v=207.0)

    @staticmethod
    def _held(line_v: float, w: float) -> list[Observation]:
        power = reading(REAL_POWER, w, bound=0.75)
        return [line(t / 10, line_v, 0.03, None, power) for t in range(15)]

    def test_no_power_by_then_is_a_switch_or_fuse(self) -> None:
        trip = last(*self._held(207.0, 0.75), limits=self.LIMITS).trip
        assert trip is not None
        assert "current, but no power" in trip.reason

    def test_power_told_from_zero_or_a_lower_line_is_no_trip(self) -> None:
        assert last(*self._held(207.0, 0.76), limits=self.LIMITS).trip is None
        assert last(*self._held(206.9, 0.0), limits=self.LIMITS).trip is None

    def test_a_current_that_is_not_told_from_zero_is_no_current(self) -> None:
        seen = [line(t / 10, 92.0, 0.03, bound=0.03) for t in range(15)]
        trip = last(*seen).trip
        assert trip is not None
        assert trip.reason.startswith("no current at 92 V")

    def test_where_it_is_not_asked_for_current_alone_is_enough(self) -> None:
        assert last(*self._held(230.0, 0.0)).trip is None

    def test_without_a_power_reading_it_cannot_be_asked(self) -> None:
        held = [line(t / 10, 230.0, 0.03) for t in range(15)]
        assert last(*held, limits=self.LIMITS).trip is None


class TestSetPoint:
    def test_at_its_margin_it_does_not_trip(self) -> None:
        assert last(line(0.0, 34.5, 0.1, set_v=23.0)).trip is None
        assert last(*(line(t / 10, 88.5, 0.1, set_v=100.0) for t in range(30))).trip is None

    def test_without_a_margin_a_set_point_or_a_reading_it_says_nothing(self) -> None:
        far = [line(t / 10, 10.0, 0.1, set_v=100.0) for t in range(30)]
        assert last(*far, line(3.0, 200.0, 0.1, set_v=0.0), limits=replace(LIMITS, overshoot_v=None)).findings == ()
        assert last(*(replace(o, set_voltage_v=None) for o in far)).findings == ()
        assert last(Observation(0.0, (reading(LINE_CURRENT, 0.1),), 100.0)).trip is None

    @pytest.mark.parametrize(("since_s", "trips"), [(1.0, False), (1.01, True)])
    def test_a_set_point_of_the_last_second_still_counts(self, since_s: float, trips: bool) -> None:
        lowered = line(since_s, 100.0, 0.1, set_v=50.0)
        assert (last(line(0.0, 100.0, 0.1, set_v=100.0), lowered).trip is not None) == trips

    def test_a_set_point_of_which_no_reading_has_come_yet_counts(self) -> None:
        trip = last(line(0.0, 40.0, 0.1), Observation(0.1, (), 23.0)).trip
        assert trip is not None
        assert trip.check == "overshoot"

    def test_a_lag_that_ends_between_begins_anew(self) -> None:
        lags, follows = [line(t / 10, 10.0, 0.1, set_v=100.0) for t in range(9)], line(0.9, 95.0, 0.1, set_v=100.0)
        again = [line(1.0 + t / 10, 10.0, 0.1, set_v=100.0) for t in range(10)]
        assert last(*lags, follows, *again).trip is None

    def test_overshoot_trips(self) -> None:
        assert last(line(0.0, 34.6, 0.1, set_v=23.0)).trip is not None
        assert last(line(0.0, 34.4, 0.1, set_v=23.0)).trip is None

    def test_on_the_way_down_the_meter_may_still_show_the_last_second(self) -> None:
        up = [line(t / 10, 100.0, 0.1, set_v=100.0) for t in range(20)]
        down = [line(2.0 + t / 10, 100.0, 0.1, set_v=0.0) for t in range(30)]
        decisions = run([*up, *down])
        first = next(i for i, d in enumerate(decisions) if d.trip)
        assert decisions[first].trip is not None
        assert 2.9 <= decisions[first].trip.time_s <= 3.2

    def test_line_voltage_that_does_not_follow_trips_after_its_time(self) -> None:
        lagging = [line(t / 10, 10.0, 0.1, set_v=100.0) for t in range(12)]
        trips = [d.trip for d in run(lagging) if d.trip]
        assert trips
        assert trips[0].time_s == pytest.approx(1.0)
        assert "has not followed" in trips[0].reason


class TestRise:
    def test_a_jump_from_one_reading_to_the_next_trips(self) -> None:
        assert last(line(0.0, 20.0, 0.1), line(0.1, 20.0, 0.46)).trip is not None
        assert last(line(0.0, 20.0, 0.1), line(0.1, 20.0, 0.44)).trip is None

    def test_a_rise_within_a_second_trips(self) -> None:
        slow = [line(t / 10, 20.0, 0.1 + 0.06 * t, 1.0) for t in range(12)]
        trip = next(d.trip for d in run(slow) if d.trip)
        assert "within a second" in trip.reason

    @pytest.mark.parametrize(("to_a", "trips"), [(0.5, False), (0.51, True)])
    @pytest.mark.parametrize("other", ["current_rise_a", "current_rise_a_per_s"])
    def test_each_rate_counts_alone_and_trips_just_above(self, other: str, to_a: float, trips: bool) -> None:
        limits = replace(LIMITS, current_rise_a=0.25, current_rise_a_per_s=0.25)
        limits = replace(limits, **{other: None})  # type: ignore[arg-type]
        assert (last(line(0.0, 20.0, 0.25), line(0.1, 20.0, to_a), limits=limits).trip is not None) == trips

    def test_without_either_nothing_is_said(self) -> None:
        limits = replace(LIMITS, current_rise_a=None, current_rise_a_per_s=None)
        assert last(line(0.0, 20.0, 0.1), line(0.1, 20.0, 0.9, event="power-pressed"), limits=limits).findings == ()

    def test_small_steps_are_no_jump(self) -> None:
        assert last(*(line(t, 20.0, 0.1 + 0.2 * t) for t in range(4))).trip is None

    @pytest.mark.parametrize(("second_s", "trips"), [(1.0, True), (1.01, False)])
    def test_a_second_back_counts_and_no_more(self, second_s: float, trips: bool) -> None:
        seen = [line(0.0, 20.0, 0.1), line(0.5, 20.0, 0.4), line(second_s, 20.0, 0.7)]
        assert (last(*seen).trip is not None) == trips

    def test_a_fall_between_is_risen_from(self) -> None:
        assert last(line(0.0, 20.0, 0.6), line(0.1, 20.0, 0.1), line(0.2, 20.0, 0.4), line(0.3, 20.0, 0.7)).trip

    def test_a_reading_that_failed_between_is_passed_over(self) -> None:
        assert last(line(0.0, 20.0, 0.1), line(0.1, 20.0, None), line(0.2, 20.0, 0.4)).trip is None
        assert last(line(0.0, 20.0, 0.1), line(0.1, 20.0, None), line(0.2, 20.0, 0.5)).trip is not None

    def test_the_same_rise_over_longer_does_not(self) -> None:
        slower = [line(t / 10, 20.0, 0.1 + 0.02 * t, 1.0) for t in range(30)]
        assert run(slower)[-1].trip is None

    def test_an_expected_event_excuses_the_rate_but_not_the_ceiling(self) -> None:
        jump = [line(0.0, 160.0, 0.1), line(0.1, 160.0, 0.9, event="power-pressed"), line(0.2, 160.0, 0.95)]
        decisions = run(jump)
        assert decisions[-1].trip is None
        assert any(f.check == "rise" for f in decisions[-1].not_evaluated)
        assert run([*jump, line(0.3, 160.0, 1.1)])[-1].trip is not None

    def test_the_excuse_ends(self) -> None:
        excused = [line(0.0, 160.0, 0.1, event="power-pressed"), line(0.5, 160.0, 0.1)]
        after = [line(1.2, 160.0, 0.1), line(1.3, 160.0, 0.6)]
        assert run([*excused, *after])[-1].trip is not None

    def test_what_was_read_while_excused_is_not_risen_from(self) -> None:
        excused = [line(0.0, 160.0, 0.1, event="power-pressed"), line(1.0, 160.0, 0.1)]
        assert last(*excused, line(1.1, 160.0, 0.9)).trip is None
        assert last(*excused, line(1.1, 160.0, 0.1), line(1.2, 160.0, 0.9)).trip is not None

    def test_power_has_its_own_rate(self) -> None:
        assert last(line(0.0, 200.0, 0.5, 10.0), line(0.1, 200.0, 0.5, 61.0)).trip is not None


class TestTooLittleCurrent:
    def test_no_current_at_a_tenth_of_line_trips_after_its_time(self) -> None:
        nothing = [line(t / 10, 23.0, 0.0001) for t in range(15)]
        trip = next(d.trip for d in run(nothing) if d.trip)
        assert trip.time_s == pytest.approx(1.0)
        assert "power switch off, fuse open or lead loose" in trip.reason

    @pytest.mark.parametrize(("bound", "trips"), [(0.125, False), (0.12, True)])
    def test_the_meters_accuracy_is_granted(self, bound: float, trips: bool) -> None:
        nothing = [line(t / 10, 23.0, 0.125, bound=bound) for t in range(15)]
        assert (last(*nothing, limits=replace(LIMITS, no_current_a=0.25)).trip is not None) == trips

    @pytest.mark.parametrize(
        ("not_set", "below_v", "at_v"), [("current_seen_by_v", 22.9, 23.0), ("no_current_from_v", 91.9, 92.0)]
    )
    def test_each_line_voltage_that_is_set_counts_alone(self, not_set: str, below_v: float, at_v: float) -> None:
        limits = replace(LIMITS, **{not_set: None})  # type: ignore[arg-type]
        below, at = ([line(t / 10, v, 0.0) for t in range(15)] for v in (below_v, at_v))
        assert last(*below, limits=limits).trip is None
        assert last(*at, limits=limits).trip is not None

    def test_once_current_was_seen_nothing_is_said(self) -> None:
        assert last(line(0.0, 23.0, 0.01, bound=0.005), line(0.1, 23.0, 0.004, bound=0.005)).findings == ()
        assert last(line(0.0, 23.0, 0.005, bound=0.005)).not_evaluated != ()

    def test_a_current_that_comes_and_goes_begins_anew(self) -> None:
        nothing = [line(t / 10, 23.0, 0.0) for t in range(9)]
        again = [line(1.0 + t / 10, 23.0, 0.0) for t in range(10)]
        assert last(*nothing, line(0.9, 23.0, 0.1), *again).trip is None

    def test_where_no_meter_tells_current_its_lack_is_not_found(self) -> None:
        limits = replace(LIMITS, watched=(LINE_VOLTAGE,))
        volts = [Observation(t / 10, (reading(LINE_VOLTAGE, 230.0),)) for t in range(30)]
        assert last(*volts, limits=limits).findings == ()

    def test_where_nothing_is_set_nothing_is_said(self) -> None:
        limits = replace(LIMITS, no_current_from_v=None, current_seen_by_v=None)
        assert last(*(line(t / 10, 230.0, 0.0) for t in range(30)), limits=limits).findings == ()

    def test_below_a_tenth_nothing_is_said(self) -> None:
        assert run([line(t / 10, 22.0, 0.0) for t in range(30)])[-1].trip is None

    def test_a_meter_too_coarse_to_tell_is_not_evaluated_and_then_trips_where_it_must_be_told(self) -> None:
        def at(v: float) -> list[Observation]:
            return [line(t / 10, v, 0.002, bound=0.005) for t in range(15)]

        low = run(at(23.0))[-1]
        assert low.trip is None
        assert any(f.check == "no-current" for f in low.not_evaluated)
        assert run(at(92.0))[-1].trip is not None


class TestReadings:
    def test_one_invalid_reading_warns_and_two_in_a_row_trip(self) -> None:
        bad = reading(LINE_CURRENT, None, validity=Validity.INVALID)
        once = [line(0.0, 20.0, 0.1), Observation(0.1, (bad,))]
        assert run(once)[-1].severity is Severity.WARN
        twice = run([*once, Observation(0.2, (bad,))])[-1]
        assert twice.trip is not None
        assert twice.trip.layer is Layer.READING

    def test_a_bad_reading_beside_a_good_one_is_found(self) -> None:
        assert last(line(0.0, 20.0, None)).severity is Severity.WARN

    def test_a_good_reading_between_clears_the_count(self) -> None:
        bad = reading(LINE_CURRENT, None, validity=Validity.INVALID)
        seen = [
            line(0.0, 20.0, 0.1),
            Observation(0.1, (bad,)),
            line(0.2, 20.0, 0.1),
            Observation(0.3, (bad,)),
            line(0.4, 20.0, 0.1),
        ]
        assert run(seen)[-1].trip is None

    def test_a_signal_that_is_not_watched_only_warns(self) -> None:
        bad = reading(EMITTER, None, validity=Validity.INVALID)
        assert run([line(t / 10, 20.0, 0.1, None, bad) for t in range(5)])[-1].severity is Severity.WARN

    @pytest.mark.parametrize("silence_s", [0.51, 10.0])
    def test_silence_trips_by_time_passing_alone(self, silence_s: float) -> None:
        trip = last(line(0.0, 20.0, 0.1), Observation(silence_s)).trip
        assert trip is not None
        assert trip.layer is Layer.READING
        assert "no valid reading" in trip.reason

    def test_short_silence_does_not(self) -> None:
        assert last(line(0.0, 20.0, 0.1), Observation(0.5)).trip is None

    def test_a_meter_that_never_spoke_is_stale_from_the_start(self) -> None:
        only_volts = [Observation(t / 10, (reading(LINE_VOLTAGE, 20.0),)) for t in range(8)]
        trip = next(d.trip for d in run(only_volts) if d.trip)
        assert "line current" in trip.reason

    def test_channels_may_be_older(self) -> None:
        limits = replace(LIMITS, watched=(LINE_VOLTAGE, LINE_CURRENT, EMITTER))
        start = line(0.0, 20.0, 0.1, None, reading(EMITTER, 0.01))
        rest = [line(t / 10, 20.0, 0.1) for t in range(1, 25)]
        trip = next(d.trip for d in run([start, *rest], limits) if d.trip)
        assert trip.time_s == pytest.approx(2.1)

    def test_more_watts_than_volt_amperes_disagree(self) -> None:
        assert last(line(0.0, 100.0, 0.5, 54.0)).trip is not None
        assert last(line(0.0, 100.0, 0.5, 52.0)).trip is None

    @pytest.mark.parametrize(("w", "trips"), [(52.5, False), (52.6, True)])
    def test_a_twentieth_above_is_granted(self, w: float, trips: bool) -> None:
        assert (last(line(0.0, 100.0, 0.5, w)).trip is not None) == trips

    @pytest.mark.parametrize(
        ("v", "a", "w", "trips"),
        [(0.0, 0.5, 0.3, True), (1.0, 0.0, 0.3, True), (1.0, 0.5, 0.0, False)],
        ids=["no volts", "no amperes", "no watts"],
    )
    def test_zero_is_a_reading_like_any_other(self, v: float, a: float, w: float, trips: bool) -> None:
        assert (last(line(0.0, v, a, w)).trip is not None) == trips

    @pytest.mark.parametrize(
        ("v_bound", "a_bound", "w_bound"), [(8.0, 0.0, 0.0), (0.0, 0.04, 0.0), (0.0, 0.0, 4.0), (2.0, 0.01, 1.0)]
    )
    def test_each_meters_bound_is_granted(self, v_bound: float, a_bound: float, w_bound: float) -> None:
        def seen(w: float) -> Observation:
            volts, amperes = reading(LINE_VOLTAGE, 100.0, bound=v_bound), reading(LINE_CURRENT, 0.5, bound=a_bound)
            return Observation(0.0, (volts, amperes, reading(REAL_POWER, w, bound=w_bound)))

        most = (100.0 + v_bound) * (0.5 + a_bound) * 1.05 + w_bound
        assert last(seen(most - 0.01)).trip is None
        assert last(seen(most + 0.01)).trip is not None

    def test_the_meters_bounds_are_granted(self) -> None:
        assert last(line(0.0, 100.0, 0.5, 54.0, bound=0.05)).trip is None


class TestLatch:
    def test_a_moment_is_as_its_worst_finding_says(self) -> None:
        words = [last(line(0.0, 20.0, a, None)).word for a in (0.1, 0.99, 1.1)]
        assert words == ["safe", "warn", "trip"]
        assert last(line(0.0, 20.0, 0.99, None)).reason == "line current 0.99 A nears its ceiling of 1 A"

    def test_a_trip_keeps_when_at_what_line_voltage_and_by_what_check(self) -> None:
        assert last(line(0.5, 20.0, 0.1), line(0.75, 21.0, 1.5)).trip == Trip(
            0.75, 21.0, Layer.CEILING, "line current 1.5 A is above its ceiling of 1 A", "ceiling"
        )
        assert last(Observation(0.25, (reading(EMITTER, 0.2),))).trip == Trip(
            0.25,
            None,
            Layer.CEILING,
            "emitter-resistor voltage, left 0.2 V is above its ceiling of 0.1 V",
            "stage-current",
        )

    def test_the_first_cause_is_kept_and_the_trip_stays(self) -> None:
        decisions = run([line(0.0, 20.0, 1.5), line(0.1, 20.0, 0.1), line(0.2, 300.0, 0.1)])
        assert [d.word for d in decisions] == ["trip"] * 3
        assert {d.trip for d in decisions} == {decisions[0].trip}

    def test_a_trip_from_outside_is_kept_too(self) -> None:
        state, _ = judge(GuardState(), LIMITS, line(0.5, 20.0, 0.1))
        state = trip_from_outside(state, Layer.READING, "the screen is gone")
        state = trip_from_outside(state, Layer.READING, "something later")
        assert state.trip == Trip(0.5, 20.0, Layer.READING, "the screen is gone")
        _, decision = judge(state, LIMITS, line(0.6, 20.0, 5.0))
        assert decision.trip == state.trip

    def test_time_running_backwards_is_an_error(self) -> None:
        with pytest.raises(TimeRanBackwards) as told:
            run([line(1.0, 20.0, 0.1), line(0.9, 20.0, 0.1)])
        assert str(told.value) == "time ran backwards: 0.9 s after 1.0 s; nothing can be concluded from that"

    def test_two_observations_of_one_moment_are_none(self) -> None:
        assert last(line(1.0, 20.0, 0.1), line(1.0, 20.0, 0.1)).trip is None


class TestLimits:
    def test_round_trip_through_a_table(self) -> None:
        assert Limits.from_table(dict(LIMITS.as_table())) == LIMITS

    def test_a_table_holds_what_is_set_and_signals_as_columns(self) -> None:
        table = Limits(line_voltage_v=253.0, real_power_w=0.0).as_table()
        assert (table["line_voltage_v"], table["real_power_w"], table["bad_in_a_row"]) == (253.0, 0.0, 2)
        assert table["watched"] == ["line_voltage_v", "line_current_a"]
        assert "line_current_a" not in table

    def test_one_signal_may_be_written_alone(self) -> None:
        assert Limits.from_table({"line_voltage_v": 253.0, "watched": "line_current_a"}).watched == (LINE_CURRENT,)

    @pytest.mark.parametrize(("signal", "stale_s"), [(LINE_VOLTAGE, 0.5), (LINE_CURRENT, 0.5), (REAL_POWER, 2.0)])
    def test_voltage_and_current_grow_old_sooner(self, signal: Signal, stale_s: float) -> None:
        assert LIMITS.stale_s(signal) == stale_s

    @pytest.mark.parametrize("value", [-1.0, float("nan"), float("inf")])
    def test_impossible_numbers_are_refused(self, value: float) -> None:
        with pytest.raises(LimitsError) as told:
            replace(LIMITS, line_current_a=value)
        assert str(told.value) == f"line_current_a = {value}: a limit is a finite number, zero or more"

    def test_zero_and_whole_numbers_are_possible(self) -> None:
        assert replace(LIMITS, line_current_a=0.0, bad_in_a_row=0).line_current_a == 0.0
        with pytest.raises(LimitsError, match="bad_in_a_row = -1"):
            replace(LIMITS, bad_in_a_row=-1)

    @pytest.mark.parametrize(
        ("table", "says"),
        [
            (
                {"line_voltage_v": 250.0, "line_curent_a": 1.0},
                f"line_curent_a: no such limit; known are {', '.join(sorted(item.name for item in fields(Limits)))}",
            ),
            ({"line_voltage_v": "250 V"}, "line_voltage_v = '250 V': a limit is a number"),
            ({"line_voltage_v": True}, "line_voltage_v = True: a limit is a number"),
            ({"line_current_a": 1.0}, "line_voltage_v is missing: the highest line voltage must be stated"),
            (
                {"line_voltage_v": 250.0, "watched": ["line_current_ma"]},
                "watched: 'line_current_ma' is no signal; write one as its column, such as line_current_a",
            ),
        ],
    )
    def test_bad_tables_are_refused(self, table: dict[str, object], says: str) -> None:
        with pytest.raises(LimitsError) as told:
            Limits.from_table(table)
        assert str(told.value) == says


def test_a_reading_has_a_value_exactly_when_valid() -> None:
    with pytest.raises(ValueError, match="exactly when"):
        Reading(LINE_CURRENT, None, 0.0, 0.0)
    with pytest.raises(ValueError, match="exactly when"):
        Reading(LINE_CURRENT, 1.0, 0.0, 0.0, Validity.INVALID)
