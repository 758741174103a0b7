"""A power button that a hand presses: found in what is read, whenever it is said; and what is not taken for one."""

from __future__ import annotations

import json
import queue
import subprocess
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.errors import InstrumentError
from live_help import RAMPGUARD, served_bench
from press_help import run_by_hand
from rampguard.engine.power_press import NOT_SEEN, SAID_FIRST_S, PowerPress, Turned
from rampguard.engine.presser import Presser
from rampguard.engine.relay_rise import SPAN_S, RelayRise
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Reading, Signal
from rampguard.ramp.default import default_plan
from rampguard.ramp.stepper import RampState

PLAN = default_plan("receiver", mains_v=230.0, frequency_hz=50.0, press_power_at_fraction=0.7)
WAITS = next(n for n, stage in enumerate(PLAN.stages) if stage.ends_when == "power-pressed")
PLUS = Signal(Quantity.RAIL, "plus")
PLATE = {"nameplate_v": 230.0, "nameplate_w": 345.0}


class Button:
    """Presses at once, or fails to."""

    def __init__(self, problem: str = "") -> None:
        self.problem = problem
        self.pressed: queue.SimpleQueue[None] = queue.SimpleQueue()

    def press(self) -> None:
        self.pressed.put(None)
        if self.problem:
            raise InstrumentError(self.problem)


class Waiting:
    """A plan that waits, and what is read and said meanwhile."""

    def __init__(self, press: PowerPress | None = None, *, pressed: bool = False) -> None:
        self.press = PowerPress(Presser(None), **PLATE) if press is None else press
        self.on_plan = RampState(stage_index=WAITS, arrived_s=0.0, power_pressed=pressed)
        self.read(-2.0, 0.01)

    def turn(self, time_s: float, *, said: bool = False) -> Turned:
        return self.press.turn(PLAN.stages[WAITS], self.on_plan, said=said, time_s=time_s)

    def read(self, time_s: float, amperes: float, volts: float = 161.0, bound: float = 0.001) -> str:
        values = ((LINE_VOLTAGE, volts, 0.1), (LINE_CURRENT, amperes, bound), (REAL_POWER, 50.0 * amperes, 0.1))
        readings = [Reading(signal, value, time_s, time_s - 0.1, bound=b) for signal, value, b in values]
        return self.press.seen_in(readings, time_s)

    def rail(self, time_s: float, volts: float) -> str:
        return self.press.seen_in([Reading(PLUS, volts, time_s, time_s - 0.1, bound=0.01)], time_s)


def test_a_rise_while_a_hand_is_waited_for_is_a_press_and_is_told_once() -> None:
    one = Waiting()
    assert one.turn(0.0) == Turned()
    assert [one.read(0.1, 0.01), one.read(0.2, 0.01)] == ["", ""]
    assert one.read(0.3, 2.5) == (
        "line current has risen by 2.5 A: taken as the power button; if nobody pressed it, switch off"
    )
    assert one.read(0.4, 5.0) == ""  # another rise is for the guard
    assert one.turn(0.5) == Turned()  # the plan waits for the word
    said = one.turn(9.0, said=True)
    assert (said.pressed, said.why) == (True, "")  # and no other inrush is expected


def test_said_first_it_may_still_be_pressed_and_only_then_the_plan_goes_on() -> None:
    one = Waiting()
    one.turn(0.0)
    one.read(0.1, 0.01)
    assert one.turn(1.0, said=True) == Turned()
    assert one.turn(3.0) == Turned()
    assert one.read(3.1, 1.0) == "line current has risen by 0.99 A: taken as the power button"
    assert one.turn(3.2).pressed


def test_said_and_nothing_rises_it_counts_as_pressed_after_a_while() -> None:
    one = Waiting()
    one.turn(0.0)
    one.read(0.1, 0.01)
    one.turn(1.0, said=True)
    assert one.turn(1.0 + 0.9 * SAID_FIRST_S) == Turned()
    assert one.turn(1.0 + SAID_FIRST_S) == Turned(NOT_SEEN, pressed=True)
    assert one.read(8.0, 2.0) == ""


def test_a_rail_that_rises_tells_it_too_whichever_meter_reads_first() -> None:
    one = Waiting()
    one.turn(0.0)
    assert [one.rail(0.1, 0.002), one.rail(0.2, 1.5)] == ["", ""]
    assert one.rail(0.3, 30.0).startswith("rail voltage, plus has risen by 30 V")
    assert one.read(0.35, 0.01) == ""
    assert one.read(0.45, 2.0) == ""


def test_where_nothing_waits_for_a_hand_nothing_is_taken_for_one() -> None:
    bench = Waiting(PowerPress(Presser(Button()), **PLATE))
    assert bench.turn(0.0).why == "power was pressed"
    for one in (bench, Waiting(pressed=True), Waiting()):
        if one.on_plan.power_pressed:
            one.turn(0.0)
        assert [one.read(0.1, 0.01), one.read(0.2, 2.0)] == ["", ""]
    assert Waiting(pressed=True).turn(0.0, said=True) == Turned("power was pressed", pressed=True)


def test_a_bench_that_failed_to_press_leaves_it_to_a_hand() -> None:
    one = Waiting(PowerPress(Presser(Button("button: no answer.")), **PLATE))
    turned = [one.turn(0.0)]
    while not turned[-1].problem:
        time.sleep(0.002)
        turned.append(one.turn(0.1))
    assert turned[0].why == "power was pressed"
    assert turned[-1].problem == "button: no answer. Press the unit's power button by hand."
    assert not any(now.pressed for now in turned)
    one.turn(0.2)
    assert [one.read(1.0, 0.01), one.read(1.1, 2.0)][1].startswith("line current has risen by 2 A")


def test_what_a_standby_supply_draws_as_the_line_comes_on_is_no_press() -> None:
    """Switched on at full mains: the first window has only part of it."""
    one = Waiting()
    one.turn(0.0)
    assert [one.read(0.1 * n, amperes, volts) for n, (amperes, volts) in enumerate([(0.0, 0.1), (0.02, 80.0)])] == [
        "",
        "",
    ]
    assert [one.read(0.2 + 0.1 * n, 0.3 / (1 + n), 230.0) for n in range(30)] == [""] * 30
    assert one.read(3.3, 3.0, 230.0).startswith("line current has risen by 3 A")


@given(
    amperes=st.floats(0.003, 0.1),
    noise=st.lists(st.floats(-1.0, 1.0), min_size=3, max_size=40),
    turns_v=st.floats(0.0, 20.0),
    every_s=st.sampled_from([0.02, 0.1, 0.5]),
)
def test_noise_within_the_meter_s_bound_and_a_knob_that_moves_are_no_press(
    amperes: float, noise: list[float], turns_v: float, every_s: float
) -> None:
    """A standby supply's current, that goes with the square of the line at most."""
    one, bound = Waiting(), 0.01 * amperes + 0.001
    one.turn(0.0)
    for n, off in enumerate(noise):
        volts = 150.0 + turns_v * n / len(noise)
        value = amperes * (volts / 150.0) ** 2 + off * bound
        assert one.read(every_s * n, max(0.0, value), volts, bound) == ""


def test_what_draws_more_cycle_by_cycle_has_risen_within_half_a_second() -> None:
    rise = RelayRise(0.03)
    told = [rise.by(0.02 * n, 161.0, 0.01 + (0.0 if n < 10 else 0.004 * (n - 10))) for n in range(40)]
    first = next(n for n, by in enumerate(told) if by)
    assert 0.0 < 0.02 * (first - 10) < SPAN_S
    slow = RelayRise(0.03)
    assert not any(slow.by(0.02 * n, 161.0, 0.01 + 0.0005 * n) for n in range(400))


# -- whole runs on wall time ----------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("meters", "press_after_s", "say_after_s"),
    [("power-meter", 2.0, 1.2), ("digitiser", 1.5, 2.0)],
)
def test_a_receiver_that_is_whole_passes_when_a_hand_presses_it(
    tmp_path: Path, meters: str, press_after_s: float, say_after_s: float
) -> None:
    """Before: the inrush came first and tripped it, or it came when nothing was expected any more."""
    with served_bench(tmp_path, "--meters", meters, unit="healthy-receiver", speed=3.0) as bench:
        code, said, story = run_by_hand(bench, tmp_path, press_after_s=press_after_s, say_after_s=say_after_s)
    assert (code, said["outcome"]) == (0, "passed"), said["trip"]
    assert story.count("taken as the power button") == 1


def test_a_short_behind_the_button_is_cut_although_nobody_has_said_a_word(tmp_path: Path) -> None:
    with served_bench(tmp_path, "--meters", "digitiser", unit="shorted-receiver", speed=3.0) as bench:
        code, said, story = run_by_hand(bench, tmp_path, press_after_s=1.5, say_after_s=None)
    assert (code, said["outcome"], said["off"]["proven"]) == (3, "tripped", True)
    assert "waited" not in said["trip"]["reason"], story
    replayed = subprocess.run(
        [*RAMPGUARD, "replay", said["capture"], "--json"], capture_output=True, text=True, timeout=100
    )
    assert json.loads(replayed.stdout)["trip"] == said["trip"]
