"""The guard by cycles: whole runs on a bench whose line meter is a digitiser, and what its readings make together."""

from __future__ import annotations

import csv
import json
import math
import subprocess
from dataclasses import replace
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from live_help import RAMPGUARD, plan_toml, run_demo, run_plan, served_bench
from rampguard.engine.ceilings import limits_for, source_limit_a
from rampguard.engine.expecting import Sights
from rampguard.guard.decision import POWER_PRESSED, TOUCHED, Observation, Severity
from rampguard.guard.judge import GuardState, judge
from rampguard.guard.limits import Limits
from rampguard.guard.windows import denser, windows
from rampguard.loads.classes import load_class
from rampguard.quantities import LINE_CURRENT, LINE_CURRENT_UP, LINE_VOLTAGE, REAL_POWER, Reading, Signal

CYCLE_S = 0.02


def events(capture: Path) -> dict[str, float]:
    with (capture / "events.csv").open(encoding="utf-8") as stream:
        return {row["kind"]: float(row["time_s"]) for row in csv.DictReader(stream)}


def test_a_short_behind_a_main_relay_is_cut_within_six_cycles_and_replays_so(tmp_path: Path) -> None:
    code, said, _ = run_demo(tmp_path, "shorted-receiver", 3, "1000", "--meters", "digitiser")
    assert code == 3
    assert said["off"]["proven"]
    happened = events(Path(said["capture"]))
    assert "power-pressed" in happened, said["trip"]
    assert 0.0 < happened["trip"] - happened["power-pressed"] <= 6 * CYCLE_S + 1e-9
    replayed = subprocess.run(
        [*RAMPGUARD, "replay", said["capture"], "--json"], capture_output=True, text=True, timeout=100
    )
    assert json.loads(replayed.stdout)["trip"] == said["trip"]
    assert replayed.returncode == 3


def test_a_receiver_that_is_whole_is_not_tripped_by_its_inrush(tmp_path: Path) -> None:
    code, said, _ = run_demo(tmp_path, "healthy-receiver", 3, "1000", "--meters", "digitiser")
    assert (code, said["outcome"]) == (0, "passed")


def test_a_record_by_cycles_stays_one_whatever_it_is_judged_by(tmp_path: Path) -> None:
    """Judged as if each row were a mean of 0.1 s, the first cycle after power was pressed tripped a whole receiver."""
    _, said, _ = run_demo(tmp_path, "healthy-receiver", 3, "1000", "--meters", "digitiser")
    with (Path(said["capture"]) / "readings.csv").open(encoding="utf-8") as stream:
        assert min(float(row["time_s"]) for row in csv.DictReader(stream)) >= 0.0
    given = ["--load-class", "receiver", "--nameplate-w", "350", "--mains", "230/50"]
    again = subprocess.run(
        [*RAMPGUARD, "replay", said["capture"], *given, "--json"], capture_output=True, text=True, timeout=100
    )
    assert json.loads(again.stdout)["trip"] is None


def test_on_wall_time_every_cycle_is_a_row(tmp_path: Path) -> None:
    with served_bench(tmp_path, "--meters", "digitiser", unit="heater") as bench:
        code, said, story = run_plan(bench.bench_file, tmp_path, plan_toml((18.0, 15.0, 1.5, 10.0)))
    assert (code, said["outcome"]) == (0, "passed"), story
    with (Path(said["capture"]) / "readings.csv").open(encoding="utf-8") as stream:
        rows = [row for row in csv.DictReader(stream) if row["state"] == "live" and row["line_current_up_a"]]
    times = [float(row["time_s"]) for row in rows]
    assert len(rows) >= 0.9 * (times[-1] - times[0]) / CYCLE_S


# -- what cycles make together -----------------------------------------------------------------------------------------


def cycle(at_s: float, volts: float, amperes: float, watts: float, event: str = "") -> Observation:
    values: tuple[tuple[Signal, float], ...] = (
        (LINE_VOLTAGE, volts),
        (LINE_CURRENT, amperes),
        (REAL_POWER, watts),
        (LINE_CURRENT_UP, 2.0 * amperes),
    )
    readings = tuple(Reading(signal, value, at_s, at_s - CYCLE_S, bound=0.01) for signal, value in values)
    return Observation(at_s, readings, None, event)


def test_five_cycles_make_one_sight_of_rms_and_mean_values() -> None:
    sights = Sights(CYCLE_S)
    seen = [sights.of(cycle(0.02 * n, 100.0, float(n), 10.0 * n)) for n in range(1, 6)]
    assert [now is None for now in seen] == [True, True, True, True, False]
    assert seen[-1] is not None
    assert seen[-1].sight.line_current_a == pytest.approx(math.sqrt(55.0 / 5.0))
    assert seen[-1].sight.real_power_w == pytest.approx(30.0)
    assert seen[-1].sight.line_voltage_v == pytest.approx(100.0)


def test_what_was_read_before_power_was_pressed_is_not_mixed_with_what_came_after() -> None:
    sights = Sights(CYCLE_S)
    for n in range(1, 4):
        assert sights.of(cycle(0.02 * n, 100.0, 1.0, 10.0)) is None
    assert sights.of(cycle(0.08, 100.0, 9.0, 90.0, POWER_PRESSED)) is None
    seen = [sights.of(cycle(0.08 + 0.02 * n, 100.0, 9.0, 90.0)) for n in range(1, 5)][-1]
    assert seen is not None
    assert seen.sight.event
    assert seen.sight.line_current_a == pytest.approx(9.0)


def test_what_layer_1_has_tripped_on_is_judged_at_once_and_by_itself() -> None:
    sights = Sights(CYCLE_S)
    assert sights.of(cycle(0.02, 100.0, 1.0, 10.0)) is None
    seen = sights.of(cycle(0.04, 100.0, 7.0, 70.0), tripped=True)
    assert seen is not None
    assert seen.sight.line_current_a == pytest.approx(7.0)


def test_while_somebody_holds_a_trimmer_every_five_cycles_are_still_judged() -> None:
    """The event comes with each observation then: each must not begin the window anew."""
    sights = Sights(CYCLE_S)
    seen = [sights.of(cycle(0.02 * n, 100.0, 1.0, 10.0, TOUCHED if n > 3 else "")) for n in range(1, 14)]
    judged = [now for now in seen if now is not None]
    assert len(judged) == 2
    assert all(now.touched for now in judged)


def test_time_that_passes_without_a_cycle_makes_nothing() -> None:
    sights = Sights(CYCLE_S)
    sights.of(cycle(0.02, 100.0, 1.0, 10.0))
    assert sights.of(Observation(0.03, (), None), tripped=True) is None


def receiver_limits(window_s: float, *, direct: bool = False) -> Limits:
    signals = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER)
    return limits_for(
        load_class("receiver"),
        nameplate_w=350.0,
        nameplate_v=230.0,
        signals=signals,
        driven=False,
        line_window_s=window_s,
        direct=direct,
    )


def test_limits_by_cycles_are_those_of_windows_but_for_what_an_inrush_is() -> None:
    by_window, by_cycle = receiver_limits(0.1), receiver_limits(CYCLE_S)
    assert receiver_limits(0.5) == by_window
    assert by_cycle.inrush_s < 3 * CYCLE_S < by_window.inrush_s
    assert replace(by_cycle, inrush_s=by_window.inrush_s, line_window_s=0.1) == by_window
    assert receiver_limits(CYCLE_S, direct=True).inrush_s == by_window.inrush_s
    assert Limits.from_table(dict(by_cycle.as_table())) == by_cycle


# -- ceilings and rises of a window, by cycles -------------------------------------------------------------------------


def judged(currents: list[float], **limits: float) -> list[tuple[int, str]]:
    """At which cycle what tripped or warned."""
    of = Limits(line_voltage_v=250.0, stale_line_s=60.0, line_window_s=CYCLE_S, watched=(LINE_CURRENT,), **limits)  # type: ignore[arg-type]
    state, found = GuardState(), []
    for n, amperes in enumerate(currents):
        reading = Reading(LINE_CURRENT, amperes, CYCLE_S * n, CYCLE_S * (n - 1))
        state, decision = judge(state, of, Observation(CYCLE_S * n, (reading,), None))
        found += [(n, f.reason) for f in decision.findings if f.severity >= Severity.WARN]
    return found


def test_one_cycle_may_hold_what_a_window_may_and_no_more() -> None:
    """2 A in one cycle of five are 0.89 A in their window; 2.3 A are 1.03."""
    assert judged([0.1] * 9 + [2.0] + [0.1] * 9, line_current_a=1.0, line_warn_fraction=1.0) == []
    [(at, said), *_] = judged([0.1] * 9 + [2.3] + [0.1] * 9, line_current_a=1.0, line_warn_fraction=1.0)
    assert (at, "above its ceiling of 2.236 A" in said) == (9, True)


def test_what_lasts_for_a_window_is_held_against_the_ceiling_itself() -> None:
    [(at, said), *_] = judged([0.1] * 9 + [1.1] * 9, line_current_a=1.0, line_warn_fraction=1.0)
    assert (at, "1.1 A is above its ceiling of 1 A" in said) == (13, True)


def test_a_rise_is_of_one_window_over_the_one_before_it() -> None:
    assert judged([0.1] * 9 + [1.0] + [0.1] * 9, current_rise_a=0.5) == []
    [(at, said), *_] = judged([0.1] * 9 + [1.0] * 9, current_rise_a=0.5)
    assert (at, "from one reading to the next" in said) == (10, True)


@given(st.lists(st.floats(0.0, 10.0), min_size=5, max_size=40))
def test_windows_are_root_mean_squares_of_their_cycles(values: list[float]) -> None:
    recent = [(CYCLE_S * n, value) for n, value in enumerate(values)]
    found = windows(recent, LINE_CURRENT, 5)
    assert len(found) == len(values) - 4
    assert [value for _, value in found] == pytest.approx(
        [math.sqrt(sum(v * v for v in values[n : n + 5]) / 5.0) for n in range(len(values) - 4)]
    )
    assert max(values) <= max(value for _, value in found) * denser(LINE_CURRENT, 5) + 1e-9
    assert [value for _, value in windows(recent, REAL_POWER, 5)] == pytest.approx(
        [sum(values[n : n + 5]) / 5.0 for n in range(len(values) - 4)]
    )
    assert windows(recent, LINE_CURRENT, 1) == recent


@pytest.mark.parametrize("direct", [False, True])
def test_a_source_s_own_current_limit_does_not_rise_for_the_meter_that_reads_the_line(direct: bool) -> None:
    by_window, by_cycle = receiver_limits(0.1, direct=direct), receiver_limits(CYCLE_S, direct=direct)
    assert by_window.event_current_a is not None
    assert source_limit_a(by_window) == pytest.approx(1.5 * by_window.event_current_a)
    assert source_limit_a(by_cycle) == pytest.approx(source_limit_a(by_window))


# -- on wall time, where a press takes its time and meters do not read at the same moment ------------------------------


@pytest.mark.parametrize("meters", ["power-meter", "digitiser"])
def test_a_receiver_that_is_whole_passes_on_wall_time(tmp_path: Path, meters: str) -> None:
    """Its relay closes as the button goes down, 0.3 s before it is let go; its rails come up between two readings."""
    with served_bench(tmp_path, "--meters", meters, unit="healthy-receiver", speed=3.0) as bench:
        done = subprocess.run(
            [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--into", str(tmp_path / "captures")]
            + ["--permissives-confirmed", "--no-screen", "--json"],
            capture_output=True,
            text=True,
            timeout=100,
        )
    said = json.loads(done.stdout)
    assert (done.returncode, said["outcome"]) == (0, "passed"), said["trip"]
