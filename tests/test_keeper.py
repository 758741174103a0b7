"""What is kept around events: every sample where it belongs, bounded memory, trips and presses always."""

from __future__ import annotations

from dataclasses import replace
from datetime import timedelta

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.waveform import keeper as keeper_module
from rampguard.waveform.comtrade import comtrade_bytes
from rampguard.waveform.keeper import AROUND, LATE_S, LONGEST_S, MOST_NAMED, MOST_WAITING, Keeper, Kept, fit_for_a_field
from rampguard.waveform.ring import MOST_SAMPLES, Ring
from waves_help import BEGAN, LINE_HZ, ABlock, blocks

RATE_HZ = 1000.0


def numbered(first: int, count: int, late_s: float = 0.0) -> ABlock:
    """Every sample's voltage is its own number, its current minus that; at 1000 a second."""
    numbers = np.arange(first, first + count, dtype=float)
    return ABlock(RATE_HZ, first, numbers, -numbers, (first + count - 1) / RATE_HZ + late_s)


def a_keeper() -> Keeper:
    return Keeper("Test amplifier", LINE_HZ, BEGAN)


def begins_s(kept: Kept) -> float:
    return (kept.record.begins - BEGAN).total_seconds()


def ends_s(kept: Kept) -> float:
    return begins_s(kept) + float(kept.record.at_s[-1])


def run(events: dict[float, str], seconds: float = 6.0) -> list[Kept]:
    """Blocks of 50 ms, and each event as soon as bench time has come to it."""
    keeper, kept, waiting = a_keeper(), [], dict(sorted(events.items()))
    for block in blocks(seconds, rate_hz=RATE_HZ, size=50):
        kept += keeper.feed(block)
        for time_s in [t for t in waiting if t <= block.ends_s]:
            kept += keeper.event(waiting.pop(time_s), time_s)
    return kept + keeper.finish()


@pytest.mark.parametrize("kind", AROUND)
def test_a_record_reaches_from_before_the_event_to_after_it(kind: str) -> None:
    [kept] = run({2.0: kind})
    assert begins_s(kept) == pytest.approx(2.0 - AROUND[kind].before_s, abs=0.006)  # blocks come up to 4 ms late
    assert ends_s(kept) == pytest.approx(2.0 + AROUND[kind].after_s, abs=0.006)
    assert kept.record.trigger == BEGAN + timedelta(seconds=2.0)
    assert (kept.named_by.kind, kept.lost, kept.more) == (kind, 0, 0)
    assert [(c.name, c.unit) for c in kept.record.channels] == [("line voltage", "V"), ("line current", "A")]


def test_a_kind_that_is_not_watched_is_not_kept() -> None:
    assert run({2.0: "cut-off"}) == []


def test_it_is_ready_as_soon_as_its_time_is_over_and_not_before() -> None:
    keeper = a_keeper()
    keeper.feed(numbered(0, 1000))
    assert keeper.event("trip", 0.999) == []
    over = round(1000 * (0.999 + AROUND["trip"].after_s + LATE_S))
    assert keeper.feed(numbered(1000, over - 1000)) == []
    assert len(keeper.feed(numbered(over, 1))) == 1
    assert keeper.finish() == []


def test_events_close_together_share_a_record_that_is_named_by_what_matters_most() -> None:
    [kept] = run({2.0: "warn", 2.1: "trip", 2.2: "stop"})
    assert [moment.kind for moment in kept.moments] == ["warn", "trip", "stop"]
    assert (kept.named_by.kind, kept.named_by.time_s) == ("trip", 2.1)
    assert kept.record.trigger == BEGAN + timedelta(seconds=2.1)
    assert (begins_s(kept), ends_s(kept)) == pytest.approx((1.6, 2.6), abs=0.006)


def test_a_record_does_not_grow_for_ever_and_the_next_event_has_one_of_its_own() -> None:
    kept = run({1.0 + 0.1 * number: "power-pressed" for number in range(30)})
    assert len(kept) > 2
    assert all(ends_s(one) - begins_s(one) <= LONGEST_S + 0.01 for one in kept)


def test_a_run_that_ends_early_keeps_what_there_is() -> None:
    [kept] = run({2.0: "trip"}, seconds=2.1)
    assert ends_s(kept) == pytest.approx(2.1, abs=0.006)


def test_samples_that_begin_after_the_event_leave_it_inside_the_record() -> None:
    keeper = a_keeper()
    keeper.event("energise", 0.5)
    for block in blocks(3.0, rate_hz=RATE_HZ, begins_s=0.8):
        keeper_says = keeper.feed(block)
        if keeper_says:
            [kept] = keeper_says
    assert begins_s(kept) == pytest.approx(0.5, abs=0.006)
    volts = kept.record.channels[0].values
    assert np.isnan(volts[:290]).all()
    assert np.isfinite(volts[310:]).all()
    assert kept.lost == pytest.approx(300, abs=5)


def test_samples_that_no_longer_come_do_not_hold_a_record_back() -> None:
    keeper = a_keeper()
    keeper.feed(numbered(0, 1000))
    keeper.event("trip", 0.95)
    assert keeper.event("note", 11.0) == []
    [kept] = keeper.event("note", 12.0)
    assert ends_s(kept) == pytest.approx(0.999)


def test_samples_that_end_before_the_event_leave_it_inside_the_record() -> None:
    keeper = a_keeper()
    keeper.feed(numbered(0, 1000))
    keeper.event("trip", 1.2)
    [kept] = keeper.finish()
    assert (begins_s(kept), ends_s(kept)) == (pytest.approx(0.7), pytest.approx(1.2))
    assert kept.lost == 201


def test_a_trip_after_many_warnings_is_named_and_names_the_record() -> None:
    [kept] = run({2.0 + 0.01 * number: "warn" for number in range(40)} | {2.5: "trip"})
    assert (kept.named_by.kind, len(kept.moments), kept.more) == ("trip", MOST_NAMED, 41 - MOST_NAMED)
    assert kept.moments[-1] == kept.named_by


def test_no_more_than_a_few_records_wait_for_samples_that_do_not_come() -> None:
    keeper, made = a_keeper(), []
    keeper.feed(numbered(0, 1000))
    for second in range(1, 40):
        made += keeper.event("power-pressed", float(second))
        assert len(keeper._open) <= MOST_WAITING
    assert (len(made), keeper.unseen) == (1, 39 - 1 - MOST_WAITING)  # the first one has samples before the press


def test_an_event_without_any_sample_is_counted() -> None:
    keeper = a_keeper()
    keeper.event("trip", 5.0)
    assert (keeper.finish(), keeper.unseen) == ([], 1)
    keeper.feed(numbered(0, 100))
    keeper.event("trip", 50.0)
    assert (keeper.finish(), keeper.unseen) == ([], 2)


def test_a_digitiser_that_was_started_anew_begins_a_new_stream() -> None:
    """A record holds nothing of both: sample numbers begin at 0 again."""
    keeper = a_keeper()
    keeper.feed(numbered(0, 1000))
    keeper.event("warn", 0.9)
    anew = replace(numbered(0, 700), ends_s=2.0)
    [kept] = keeper.feed(anew)
    assert kept.record.channels[0].values[-1] == 999.0
    keeper.event("trip", 1.9)
    [kept] = keeper.finish()
    assert (begins_s(kept), kept.lost) == (pytest.approx(1.4), 0)
    assert kept.record.channels[0].values[0] == pytest.approx(699 - 600)


def test_what_the_soonest_reply_says_of_the_time_holds() -> None:
    """One reply that came 80 ms late moves nothing."""
    keeper = a_keeper()
    for first in range(0, 3000, 50):
        keeper.feed(numbered(first, 50, late_s=0.08 if first % 200 else 0.002))
    keeper.event("warn", 2.0)
    [kept] = keeper.finish()
    at_event = (kept.record.trigger - kept.record.begins).total_seconds()
    assert kept.record.channels[0].values[round(at_event * RATE_HZ)] == pytest.approx(1998.0)


def test_unlike_signals_are_refused_and_the_stream_goes_on() -> None:
    keeper = a_keeper()
    bad = ABlock(RATE_HZ, 0, np.zeros(3), np.zeros(4), 0.0)
    with pytest.raises(ValueError, match="taken together"):
        keeper.feed(bad)
    keeper.feed(numbered(0, 100))
    with pytest.raises(ValueError, match="taken together"):
        keeper.feed(replace(bad, first=100))
    keeper.feed(numbered(100, 100))
    keeper.event("trip", 0.1)
    [kept] = keeper.finish()
    assert kept.lost == 0


def test_what_is_not_finite_is_missing() -> None:
    keeper = a_keeper()
    volts = np.ones(1000)
    volts[500:503] = [np.inf, np.nan, -np.inf]
    keeper.feed(ABlock(RATE_HZ, 0, volts, np.ones(1000), 0.999))
    keeper.event("trip", 0.5)
    [kept] = keeper.finish()
    assert kept.lost == 3
    comtrade_bytes(kept.record)


@settings(max_examples=60, deadline=None)
@given(
    sizes=st.lists(
        st.tuples(st.integers(0, 400), st.sampled_from([0, 0, 0, 1, 37, 900, 5000])), min_size=1, max_size=40
    ),
    at=st.floats(0.0, 1.0),
)
def test_every_sample_is_where_it_was_taken_and_every_lost_one_is_missing(
    sizes: list[tuple[int, int]], at: float
) -> None:
    keeper, first, there, ends = a_keeper(), 0, set(), []
    for size, lost in sizes:
        first += lost
        assert keeper.feed(numbered(first, size)) == []
        there |= set(range(first, first + size))
        first += size
        ends.append(first)
    time_s = at * first / RATE_HZ
    assert keeper.event("trip", time_s) == []
    kept = keeper.finish()
    oldest = first - 2500
    numbers = np.arange(round(1000 * (time_s - 0.5)), round(1000 * (time_s + 0.3)) + 1)
    seen = {int(n) for n in numbers if n in there and n >= oldest}
    if not seen:
        assert (kept, keeper.unseen) == ([], 1)
        return
    volts, amperes = (channel.values for channel in kept[0].record.channels)
    begin = round(1000 * begins_s(kept[0]))
    held = {begin + int(k): volts[k] for k in np.flatnonzero(~np.isnan(volts))}
    assert set(held) == seen
    assert all(number == value for number, value in held.items())
    assert np.array_equal(volts, -amperes, equal_nan=True)
    assert begin <= time_s * RATE_HZ + 1
    assert begin + len(volts) >= time_s * RATE_HZ
    assert kept[0].lost == len(volts) - len(held)


KINDS = st.sampled_from([*AROUND, "cut-off"])


@settings(max_examples=60, deadline=None)
@given(events=st.lists(st.tuples(st.floats(0.0, 5.0), KINDS), max_size=150))
def test_trips_and_presses_are_always_kept_and_warnings_no_more_than_a_few(events: list[tuple[float, str]]) -> None:
    """As a run tells them: in order, as they come."""
    kept = run(dict(events), seconds=5.2)
    for time_s, kind in dict(events).items():
        if AROUND.get(kind) and AROUND[kind].most is None:
            assert any(begins_s(one) - 0.01 <= time_s <= ends_s(one) + 0.01 for one in kept), (time_s, kind)
    for kind, around in AROUND.items():
        if around.most is not None:
            assert sum(one.moments[0].kind == kind for one in kept) <= around.most
    assert all(len(one.moments) <= MOST_NAMED for one in kept)
    assert all(one.record.begins <= one.record.trigger for one in kept)


@settings(max_examples=40, deadline=None)
@given(
    steps=st.lists(
        st.tuples(st.floats(-1e6, 1e6), KINDS) | st.tuples(st.integers(0, 10**9), st.integers(0, 5000)), max_size=120
    )
)
def test_whatever_comes_memory_stays_as_it_is(steps: list[tuple[float, object]]) -> None:
    """Events at any time, in any order; blocks of any number and size."""
    keeper = a_keeper()
    for one, other in steps:
        if isinstance(other, str):
            keeper.event(other, one)
        else:
            assert isinstance(other, int)
            keeper.feed(numbered(int(one), other))
        assert len(keeper._open) <= MOST_WAITING
        assert sum(len(window.moments) for window in keeper._open) <= MOST_WAITING * MOST_NAMED
        assert keeper._ring is None or keeper._ring._kept.shape == (2, 2500)


def test_a_hundred_thousand_warnings_leave_eight_records_and_count_the_others() -> None:
    keeper = a_keeper()
    kept = []
    for second in range(100):
        kept += keeper.feed(numbered(1000 * second, 1000))
        for number in range(1000):
            kept += keeper.event("warn", second + number / 1000)
    kept += keeper.finish()
    assert len(kept) == AROUND["warn"].most
    assert sum(one.more + len(one.moments) for one in kept) + keeper.passed_over >= 100_000


def test_however_fast_samples_come_a_ring_holds_no_more() -> None:
    assert Ring(1e9, 0, 2.5).size == MOST_SAMPLES


def test_the_longest_record_is_held_until_it_is_made() -> None:
    assert keeper_module.KEPT_S > LONGEST_S + LATE_S
    assert all(around.before_s + around.after_s < LONGEST_S for around in AROUND.values())


@given(st.text())
def test_any_unit_has_a_name_that_a_record_can_hold(unit: str) -> None:
    name = fit_for_a_field(unit)
    assert 0 < len(name) <= 64
    assert len(name.splitlines()) == 1
    assert "," not in name
    assert name == name.strip()
