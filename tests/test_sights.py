"""Which readings are judged together by the expected band: current and power, and the line voltage around them."""

from __future__ import annotations

from rampguard.engine.expecting import Seen, Sights
from rampguard.guard.decision import Observation
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Signal, Validity


def _seen(sights: Sights, time_s: float, event: str = "", /, **values: float | None) -> Seen | None:
    signals: dict[str, Signal] = {"volts": LINE_VOLTAGE, "amperes": LINE_CURRENT, "watts": REAL_POWER}
    readings = tuple(
        Reading(
            signals[name], value, time_s, time_s, Validity.VALID if value is not None else Validity.INVALID, bound=0.1
        )
        for name, value in values.items()
    )
    return sights.of(Observation(time_s, readings, None, event))


def test_what_is_read_together_is_judged_at_once() -> None:
    seen = _seen(Sights(), 1.0, volts=23.0, amperes=0.1, watts=2.0)
    assert seen is not None
    assert (seen.sight.line_voltage_v, seen.sight.line_current_a, seen.sight.real_power_w) == (23.0, 0.1, 2.0)
    assert (seen.sight.time_s, seen.sight.current_bound_a) == (1.0, 0.1)


def test_current_waits_for_the_line_voltage_and_the_newest_goes_with_it() -> None:
    sights = Sights()
    assert _seen(sights, 1.0, volts=5.0) is None
    assert _seen(sights, 1.5, volts=None, amperes=0.1) is None
    assert _seen(sights, 2.0, volts=None, amperes=0.2) is None
    seen = _seen(sights, 2.5, volts=20.0)
    assert seen is not None
    assert (seen.sight.time_s, seen.sight.line_voltage_v, seen.sight.line_current_a) == (2.5, 20.0, 0.2)
    assert [reading.signal for reading in seen.observation.readings] == [LINE_VOLTAGE, LINE_CURRENT]
    assert seen.observation.time_s == 2.5
    assert _seen(sights, 3.0, volts=20.0) is None  # judged once


def test_an_event_goes_with_what_is_judged_next() -> None:
    sights = Sights()
    assert _seen(sights, 1.0, "power-pressed") is None
    assert _seen(sights, 1.1, amperes=0.1) is None
    seen = _seen(sights, 1.2, volts=180.0)
    assert seen is not None
    assert seen.sight.event
    seen = _seen(sights, 1.3, volts=180.0, watts=3.0)
    assert seen is not None
    assert not seen.sight.event
    assert seen.sight.line_current_a is None


def test_what_is_read_of_a_driven_unit_is_not_held_against_one_that_idles() -> None:
    sights = Sights()
    assert _seen(sights, 1.0, "driven", volts=230.0, amperes=0.9) is None
    assert _seen(sights, 1.1, "driven", amperes=0.9) is None
    seen = _seen(sights, 1.2, volts=230.0, amperes=0.3)
    assert seen is not None
    assert (seen.touched, seen.sight.line_current_a) == (True, 0.3)
    again = _seen(sights, 1.3, volts=230.0, amperes=0.3)
    assert again is not None
    assert not again.touched


def test_a_touch_goes_with_what_is_judged_next_and_is_no_inrush() -> None:
    sights = Sights()
    assert _seen(sights, 1.0, "touched", amperes=0.2) is None
    seen = _seen(sights, 1.1, volts=230.0)
    assert seen is not None
    assert (seen.touched, seen.sight.event) == (True, False)
