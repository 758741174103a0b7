"""What the guard remembers: whose time counts, and what an observation changes; one that carries nothing, nothing."""

from __future__ import annotations

from guard_help import LIMITS, line
from rampguard.guard.decision import Observation
from rampguard.guard.memory import Memory, remember
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Validity


def _after(*observations: Observation) -> Memory:
    memory = Memory()
    for observation in observations:
        memory = remember(memory, LIMITS, observation)
    return memory


SEEN = line(1.0, 20.0, 0.1, set_v=20.0)


def test_one_observation_whole() -> None:
    volts, amperes = (Reading(r.signal, r.value, 1.0, 0.0) for r in SEEN.readings)
    assert _after(SEEN) == Memory(
        started_s=1.0,
        latest={LINE_VOLTAGE: volts, LINE_CURRENT: amperes},
        bad_in_a_row={LINE_VOLTAGE: 0, LINE_CURRENT: 0},
        recent={LINE_CURRENT: ((1.0, 0.1),)},
        set_points=((1.0, 20.0),),
        still_at_v=20.0,
        still_since_s=1.0,
        current_seen=True,
    )


def test_before_the_first_observation_nothing_has_an_age_and_no_value() -> None:
    assert Memory().age_s(LINE_VOLTAGE, 5.0) == 0.0
    assert Memory().value(LINE_VOLTAGE) is None


def test_a_signal_ages_from_its_reading_or_else_from_the_first_observation() -> None:
    memory = _after(SEEN, line(2.0, 20.0, None))
    ages = [memory.age_s(signal, 2.5) for signal in (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER)]
    assert ages == [0.5, 1.5, 1.5]


def test_a_reading_has_the_time_of_its_observation_and_is_not_copied_where_it_has_it_already() -> None:
    """A copy costs time, and a bench stamps every reading so."""
    stamped = Reading(LINE_VOLTAGE, 20.0, 1.0, 0.9)
    assert _after(Observation(1.0, (stamped,))).latest[LINE_VOLTAGE] is stamped
    assert _after(Observation(2.0, (stamped,))).latest[LINE_VOLTAGE] == Reading(LINE_VOLTAGE, 20.0, 2.0, 0.9)


def test_time_that_passes_changes_nothing_but_the_start() -> None:
    assert _after(Observation(2.0, (), 50.0)) == Memory(started_s=2.0)
    assert _after(SEEN, Observation(2.0, (), 50.0)) == _after(SEEN)


def test_an_event_is_remembered_for_its_window_with_or_without_a_reading() -> None:
    pressed = Observation(2.0, expected_event="power-pressed")
    assert _after(SEEN).rates_excused_until_s == float("-inf")
    assert _after(SEEN, pressed).rates_excused_until_s == 3.0
    assert _after(SEEN, pressed, line(2.5, 20.0, 0.1)).rates_excused_until_s == 3.0


def test_readings_that_fail_are_counted_until_one_is_good() -> None:
    failed = Observation(2.0, (Reading(LINE_CURRENT, None, 2.0, 2.0, Validity.INVALID),))
    assert _after(SEEN, failed, failed).bad_in_a_row == {LINE_VOLTAGE: 0, LINE_CURRENT: 2}
    assert _after(failed, failed, failed, SEEN).bad_in_a_row[LINE_CURRENT] == 0


def test_a_second_of_current_power_and_set_points_is_kept() -> None:
    memory = _after(SEEN, line(1.5, 20.0, 0.2, 4.0, set_v=21.0), line(2.0, 20.0, None, 5.0), line(2.25, 20.0, 0.3))
    assert memory.recent == {LINE_CURRENT: ((1.5, 0.2), (2.25, 0.3)), REAL_POWER: ((1.5, 4.0), (2.0, 5.0))}
    assert memory.set_points == ()
    assert _after(SEEN, line(2.0, 20.0, 0.1, set_v=21.0)).set_points == ((1.0, 20.0), (2.0, 21.0))
