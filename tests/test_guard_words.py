"""What each check of layer 1 says, whole: how it is to be taken, which check it is, and words to act on."""

from __future__ import annotations

from dataclasses import replace

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
)
from rampguard.guard.decision import Finding, Layer, Observation, Severity
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_CURRENT, Reading, Validity

TRIP, WARN, NOT_EVALUATED = Severity.TRIP, Severity.WARN, Severity.NOT_EVALUATED
EVENT = replace(LIMITS, event_current_a=4.0, event_power_w=600.0, event_lasting_current_a=2.5)
PRESSED = line(1.0, 161.0, 0.1, 5.0, event="power-pressed")
INVALID = reading(LINE_CURRENT, None, validity=Validity.INVALID)


def _held(v: float, a: float, w: float | None = None, *others: Reading) -> list[Observation]:
    """The same readings for two and a half seconds."""
    return [line(t / 10, v, a, w, *others) for t in range(25)]


@pytest.mark.parametrize(
    ("severity", "check", "reason", "seen", "limits"),
    [
        (TRIP, "ceiling", "line current 1.5 A is above its ceiling of 1 A", [line(0.0, 20.0, 1.5)], LIMITS),
        (
            TRIP,
            "ceiling",
            "line current is beyond the meter's range (ceiling 1 A)",
            [Observation(0.0, (reading(LINE_CURRENT, None, validity=Validity.OVER_RANGE),))],
            LIMITS,
        ),
        (
            TRIP,
            "ceiling",
            "rail voltage, plus 61 V is above its ceiling of 60 V",
            [Observation(0.0, (reading(RAIL_PLUS, 61.0),))],
            LIMITS,
        ),
        (WARN, "ceiling", "line current 0.96 A nears its ceiling of 1 A", [line(0.0, 20.0, 0.96)], LIMITS),
        (
            TRIP,
            "stage-current",
            "emitter-resistor voltage, left 0.2 V is above its ceiling of 0.1 V",
            [Observation(0.0, (reading(EMITTER, -0.2),))],
            LIMITS,
        ),
        (
            WARN,
            "stage-current",
            "emitter-resistor voltage, left 0.09 V nears its ceiling of 0.1 V",
            [Observation(0.0, (reading(EMITTER, 0.09),))],
            LIMITS,
        ),
        (
            NOT_EVALUATED,
            "ceiling",
            "temperature, heat-sink: no ceiling is set",
            [Observation(0.0, (reading(HEATSINK, 500.0),))],
            replace(LIMITS, temperature_degc=None),
        ),
        (
            NOT_EVALUATED,
            "dc-offset",
            "DC offset, left: rails not up and settled, so it means nothing yet",
            [line(0.0, 100.0, 0.1, None, reading(OFFSET, 9.0))],
            LIMITS,
        ),
        (
            TRIP,
            "inrush",
            "line current 4.1 A is above its ceiling of 4 A",
            [PRESSED, line(1.1, 161.0, 4.1)],
            EVENT,
        ),
        (
            TRIP,
            "inrush",
            "real power 601 W is above its ceiling of 600 W",
            [PRESSED, line(1.1, 161.0, 2.0, 601.0)],
            EVENT,
        ),
        (
            TRIP,
            "ceiling",
            "line voltage 254 V is above its ceiling of 253 V",
            [PRESSED, line(1.1, 254.0, 0.1)],
            EVENT,
        ),
        (
            TRIP,
            "inrush",
            "line current 2.6 A does not fall after power was pressed: above 2.5 A for 0.25 s, longer than an inrush",
            [PRESSED, line(1.25, 161.0, 3.5), line(1.5, 161.0, 2.6)],
            EVENT,
        ),
        (
            TRIP,
            "rail-difference",
            "the rails differ by 5.1 V, more than 5 V: one is pulled down",
            _held(100.0, 0.1, None, reading(RAIL_PLUS, 40.0), reading(RAIL_MINUS, -34.9)),
            LIMITS,
        ),
        (
            NOT_EVALUATED,
            "rail-difference",
            "rail difference: line voltage is low, or not still yet",
            [line(0.0, 100.0, 0.1, None, reading(RAIL_PLUS, 40.0), reading(RAIL_MINUS, -34.9))],
            LIMITS,
        ),
        (
            NOT_EVALUATED,
            "rail-difference",
            "rail difference: only one rail is measured",
            _held(100.0, 0.1, None, reading(RAIL_PLUS, 40.0)),
            LIMITS,
        ),
        (
            TRIP,
            "overshoot",
            "line voltage 35 V is above its set-point of 23 V by more than 11.5 V",
            [line(0.0, 35.0, 0.1, set_v=23.0)],
            LIMITS,
        ),
        (
            TRIP,
            "lag",
            "line voltage 10 V has not followed its set-point of 100 V for 1 s: source in current limit, cut-off"
            " dropped out, or meter misplaced",
            [line(0.0, 10.0, 0.1, set_v=100.0), line(1.0, 10.0, 0.1, set_v=100.0)],
            LIMITS,
        ),
        (
            NOT_EVALUATED,
            "rise",
            "rise of line current: an expected event explains it for the moment",
            [PRESSED],
            LIMITS,
        ),
        (
            TRIP,
            "rise",
            "line current rose by 0.4 A from one reading to the next, more than 0.35 A",
            [line(0.0, 20.0, 0.1), line(0.1, 20.0, 0.5)],
            LIMITS,
        ),
        (
            TRIP,
            "rise",
            "real power rose by 80 W within a second, more than 75 W",
            [line(0.0, 200.0, 0.5, 10.0), line(0.5, 200.0, 0.5, 50.0), line(1.0, 200.0, 0.5, 90.0)],
            LIMITS,
        ),
        (
            NOT_EVALUATED,
            "no-current",
            "too little current: the meter cannot tell it from zero yet",
            [line(0.0, 23.0, 0.002, bound=0.005)],
            LIMITS,
        ),
        (
            TRIP,
            "no-current",
            "no current at 23 V: power switch off, fuse open or lead loose. Bring the line back to zero before touching"
            " the switch",
            _held(23.0, 0.0001),
            LIMITS,
        ),
        (
            TRIP,
            "no-current",
            "current, but no power, at 207 V: power switch off, fuse open or lead loose. Bring the line back to zero"
            " before touching the switch",
            _held(207.0, 0.03, 0.0),
            replace(LIMITS, power_seen_by_v=207.0),
        ),
    ],
)
def test_what_a_ceiling_says(
    severity: Severity, check: str, reason: str, seen: list[Observation], limits: Limits
) -> None:
    decision = last(*seen, limits=limits)
    assert Finding(severity, Layer.CEILING, check, reason) in decision.findings
    assert decision.severity is max(finding.severity for finding in decision.findings)


@pytest.mark.parametrize(
    ("severity", "check", "reason", "seen"),
    [
        (WARN, "bad-reading", "line current: reading is invalid", [line(0.0, 20.0, 0.1), Observation(0.1, (INVALID,))]),
        (
            TRIP,
            "bad-reading",
            "line current: reading is missing, 2 in a row",
            [line(0.0, 20.0, 0.1), Observation(0.1, (INVALID,)), line(0.2, 20.0, None)],
        ),
        (
            TRIP,
            "stale",
            "line voltage: no valid reading for 0.6 s (limit 0.5 s)",
            [line(0.0, 20.0, 0.1), Observation(0.6)],
        ),
        (
            TRIP,
            "disagreement",
            "readings disagree: 54 W is more than 100 V times 0.5 A can be",
            [line(0.0, 100.0, 0.5, 54.0)],
        ),
    ],
)
def test_what_a_reading_that_cannot_be_trusted_says(
    severity: Severity, check: str, reason: str, seen: list[Observation]
) -> None:
    assert Finding(severity, Layer.READING, check, reason) in last(*seen).findings


def test_reasons_are_joined_in_the_order_of_the_checks() -> None:
    decision = last(line(0.0, 20.0, 0.96), Observation(0.1, (reading(LINE_CURRENT, 0.97), INVALID)))
    assert decision.reason == "line current 0.97 A nears its ceiling of 1 A; line current: reading is invalid"


def test_where_all_is_well_nothing_is_said() -> None:
    seen = [line(t / 10, 100.0, 0.5, 20.0, set_v=100.0) for t in range(30)]
    assert last(*seen).findings == ()


def test_a_moment_of_which_nothing_is_said_is_safe() -> None:
    decision = last(line(0.0, 100.0, 0.5, 20.0, set_v=100.0))
    assert (decision.severity, decision.reason, decision.not_evaluated) == (Severity.SAFE, "", ())
