"""The guard by cycles: whole runs on a bench whose line meter is a digitiser, and what its readings make together."""

from __future__ import annotations

import csv
import json
import math
import subprocess
from pathlib import Path

import pytest

from live_help import RAMPGUARD, plan_toml, run_demo, run_plan, served_bench
from rampguard.engine.ceilings import limits_for, source_limit_a
from rampguard.engine.expecting import Sights
from rampguard.guard.decision import POWER_PRESSED, TOUCHED, Observation
from rampguard.guard.limits import Limits
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


def test_what_layer_1_has_tripped_on_is_judged_at_once() -> None:
    sights = Sights(CYCLE_S)
    assert sights.of(cycle(0.02, 100.0, 1.0, 10.0)) is None
    seen = sights.of(cycle(0.04, 100.0, 7.0, 70.0), tripped=True)
    assert seen is not None
    assert seen.sight.line_current_a == pytest.approx(5.0)


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
    assert by_cycle.event_current_a == pytest.approx(math.sqrt(5.0) * (by_window.event_current_a or 0.0))
    assert by_cycle.event_power_w == pytest.approx(5.0 * (by_window.event_power_w or 0.0))
    assert by_cycle.line_current_a == by_window.line_current_a
    assert receiver_limits(CYCLE_S, direct=True).inrush_s == by_window.inrush_s
    assert Limits.from_table(dict(by_cycle.as_table())) == by_cycle


@pytest.mark.parametrize("direct", [False, True])
def test_a_source_s_own_current_limit_does_not_rise_for_the_meter_that_reads_the_line(direct: bool) -> None:
    by_window, by_cycle = receiver_limits(0.1, direct=direct), receiver_limits(CYCLE_S, direct=direct)
    assert by_window.event_current_a is not None
    assert source_limit_a(by_window) == pytest.approx(1.5 * by_window.event_current_a)
    assert source_limit_a(by_cycle) == pytest.approx(source_limit_a(by_window))
