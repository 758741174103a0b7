"""`rampguard probe` on the simulated bench, in lock-step: what it says, how far it goes, and that it ends off."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from dataclasses import replace
from pathlib import Path
from tempfile import TemporaryFile
from typing import Any

import numpy as np
import pytest

from instruments.bench import load_bench_file
from instruments.roles import Bench
from live_help import RAMPGUARD, served_bench, wait_until
from rampguard.demo import OnTheBench, SimulatedBench
from rampguard.engine.guarded import CutShort, GuardedBench
from rampguard.probe.commands import ProbeOrder, Refused, plate_of, problems_of
from rampguard.probe.live import ProbeLive, TooMuch, stands_still
from rampguard.probe.plan import MOST_V, plan_for
from rampguard.probe.verdict import Plate
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Quantity, Reading, Validity

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

from probes import one, row_of


def probed(unit: str, *more: str, **bench: Any) -> tuple[int, dict[str, Any], str]:
    """Exit code, message, and what was told beside it."""
    # Into files: a watchdog that goes on cutting would hold a pipe open.
    with (
        SimulatedBench(OnTheBench(unit, 1, **bench)) as bench_file,
        TemporaryFile("w+") as out,
        TemporaryFile("w+") as err,
    ):
        command = [*RAMPGUARD, "probe", "--bench", str(bench_file), "--permissives-confirmed", "--json", *more]
        done = subprocess.run(command, stdout=out, stderr=err, timeout=60)
        for file in (out, err):
            file.seek(0)
        said, story = out.read(), err.read()
    assert said.count("\n") == (1 if said else 0), story
    return done.returncode, json.loads(said) if said else {}, story


def test_a_whole_transformer() -> None:
    code, said, story = probed("transformer")
    assert (code, said["outcome"], said["refuses_ramp"]) == (0, "no-short-seen", False), story
    assert [p["frequency_hz"] for p in said["points"]] == [50.0, 50.0, 50.0, 400.0, 200.0, 100.0, 40.0, 50.0, 50.0]
    assert all(0.5 < p["line_voltage_v"] < MOST_V for p in said["points"])
    assert said["points"][6]["line_current_a"] > 2.0 * said["points"][3]["line_current_a"]
    assert said["off"]["proven"]
    assert said["energy_at_most_j"] < 2.0
    assert "main" not in said["not_seen"]


def test_a_shorted_converter_switch_is_cut_at_once_and_refused() -> None:
    code, said, story = probed("shorted-switch")
    assert (code, said["outcome"], said["refuses_ramp"]) == (3, "short", True), story
    assert said["causes"][0]["cause"] == "converter-switch-short"
    assert "a whole unit draws less" in said["too_much"]
    assert max(p["line_voltage_v"] for p in said["points"]) < 3.0
    assert said["off"]["proven"]


def test_ways_off_that_stay_on_are_not_proven_off() -> None:
    """The bench file's own floor is 5 V: a line left at some volts must not pass for off."""
    code, said, story = probed("transformer", mischief=("contactor:stays-on@1+", "source:stays-on@1+"))
    assert (code, said["outcome"]) == (4, "unproven")
    assert not said["off"]["proven"]
    assert "NOT PROVEN OFF" in story


def test_a_meter_before_the_cut_off_proves_nothing() -> None:
    code, said, _ = probed("transformer", miswired="meter-before-cut-off", mischief=("source:stays-on@1+",))
    assert (code, said["outcome"]) == (4, "unproven")


def test_a_meter_that_the_line_powers_proves_nothing() -> None:
    code, said, story = probed("transformer", meters="module")
    assert (code, said) == (4, {})
    assert "NOT PROVEN OFF" in story
    assert "one that the line itself powers has none at a few volts" in story
    assert "V at 50 Hz" not in story


def test_a_source_that_is_not_at_zero_ends_it() -> None:
    code, said, _ = probed("transformer", miswired="supply-not-at-zero")
    assert (code, said["outcome"]) == (3, "ended-early")
    assert "V, set was 0 V; cut" in said["ended"]
    assert said["points"] == []


@pytest.mark.skipif(sys.platform == "win32", reason="signals")
@pytest.mark.parametrize(("number", "ignores"), [("SIGINT", False), ("SIGINT", True), ("SIGKILL", False)])
def test_stopped_or_killed_it_is_cut(tmp_path: Path, number: str, ignores: bool) -> None:
    """Ctrl-C is obeyed and off proven; of a killed one the watchdog is the one to cut.

    What is started in the background by a shell without job control inherits that Ctrl-C is ignored.
    """
    before = signal.signal(signal.SIGINT, signal.SIG_IGN) if ignores else None
    with served_bench(tmp_path, unit="transformer") as bench, (tmp_path / "said").open("w+") as said:
        probe = [*RAMPGUARD, "probe", "--bench", str(bench.bench_file), "--permissives-confirmed", "--json"]
        with subprocess.Popen(probe, stdout=said, stderr=said) as process:
            if before is not None:
                signal.signal(signal.SIGINT, before)
            wait_until(
                lambda: any(line["set_voltage_v"] > 0.0 for line in bench.log_lines()),
                30.0,
                lambda: process.poll() is not None,
            )
            assert bench.log_lines()[-1]["output"]
            process.send_signal(getattr(signal, number))
            assert bench.off_after_s(time.monotonic()) is not None
            assert process.wait(20.0) == (5 if number == "SIGINT" else -signal.SIGKILL)
        said.seek(0)
        assert ('"outcome": "stopped"' in said.read()) == (number == "SIGINT")


@pytest.fixture(scope="module")
def bench_text() -> str:
    """A bench file of a bench that is gone: what is refused, is refused before anything is spoken to."""
    with SimulatedBench(OnTheBench("transformer", 1)) as bench_file:
        return bench_file.read_text(encoding="utf-8")


def refused(folder: Path, text: str, load_class: str | None = None) -> str:
    (folder / "bench.toml").write_text(text, encoding="utf-8")
    bench_file = load_bench_file(folder / "bench.toml")
    order = ProbeOrder(bench=folder / "bench.toml", load_class=load_class, nameplate_w=None, confirm=str)
    try:
        plate_of(order, bench_file)
    except Refused as error:
        return str(error)
    return "\n".join(problems_of(bench_file, order))


def test_what_cannot_be_probed_is_refused(tmp_path: Path, bench_text: str) -> None:
    assert refused(tmp_path, bench_text) == ""
    assert "say nothing of the load class heater" in refused(tmp_path, bench_text, "heater")
    assert "does not belong on a variac" in refused(tmp_path, bench_text, "phase-controlled")
    assert "no load class 'toaster'" in refused(tmp_path, bench_text, "toaster")
    twice = bench_text.replace('line_meters = ["power-meter"]', 'line_meters = ["power-meter", "source"]')
    assert "source all measure line_current; list one" in refused(tmp_path, twice)
    lamp = bench_text.replace("nameplate_v", "series_lamp_w = 60.0\nnameplate_v")
    assert "take the series lamp out" in refused(tmp_path, lamp)
    unknown = bench_text.replace('load_class = "transformer"\n', "")
    assert "give --load-class and --nameplate-w" in refused(tmp_path, unknown)
    variac = "\n".join(line for line in bench_text.splitlines() if not line.startswith("ac_source"))
    assert "no programmable source" in refused(tmp_path, variac)
    person = re.sub(r"cut_off = \[.*\]", 'cut_off = "person"', variac)
    assert "too slow a cut-off" in refused(tmp_path, person)


def test_a_refusal_ends_with_code_2(tmp_path: Path, bench_text: str) -> None:
    (tmp_path / "bench.toml").write_text(bench_text, encoding="utf-8")
    done = subprocess.run(
        [*RAMPGUARD, "probe", "--bench", str(tmp_path / "bench.toml")],
        capture_output=True,
        text=True,
        timeout=60,
        stdin=subprocess.DEVNULL,
    )
    assert (done.returncode, done.stdout) == (2, "")
    assert "pre-power checks not confirmed" in done.stderr
    assert "nothing was energised" in done.stderr


class Still:
    """A clock of fakes."""

    def now_s(self) -> float:
        return 0.0

    def sleep(self, duration_s: float) -> None:
        """Nothing."""


def watched(*readings: Reading) -> ProbeLive:
    """A probe under way at 4 V, to whose check some readings come."""
    plan = plan_for(Plate("linear-amplifier", 230.0, 300.0, 50.0), (40.0, 500.0))
    bench = Bench(Still(), None, (), (), 5.0)
    source: Any = None
    held = GuardedBench(Path("none"), bench, lambda text: None)
    live = ProbeLive(plan, bench, source, held, 1.0, 50.0, lambda text: None)
    live._set_v = 4.0
    live._check(list(readings))
    return live


VOLTS = Reading(LINE_VOLTAGE, 3.96, 0.0, 0.0, bound=0.08)


def current(amperes: float | None, validity: Validity = Validity.VALID) -> Reading:
    return Reading(LINE_CURRENT, amperes, 0.0, 0.0, validity, bound=1e-4)


def test_what_ends_a_probe() -> None:
    assert watched(VOLTS, current(0.130)).points == []  # at the ceiling, a tenth of 1.304 A
    with pytest.raises(TooMuch, match=r"less than 0\.13 A"):
        watched(VOLTS, current(0.131))
    with pytest.raises(TooMuch, match="beyond its meter's range of 1 A"):
        watched(VOLTS, current(None, Validity.OVER_RANGE))
    assert watched(replace(VOLTS, value=5.6)).points == []  # 1.15 times 4 V, and 1 V
    with pytest.raises(CutShort, match=r"5\.61 V, set was 4 V"):
        watched(replace(VOLTS, value=5.61))


def test_what_was_drawn_beyond_the_ceiling_is_judged_too() -> None:
    live = watched(VOLTS)
    with pytest.raises(TooMuch):
        live._check([current(0.5)])
    [point] = live.points
    assert (point.volts, point.amperes, point.watts, point.frequency_hz) == (3.96, 0.5, None, 50.0)


def test_a_silent_line_is_cut(monkeypatch: pytest.MonkeyPatch) -> None:
    wall = [100.0]
    monkeypatch.setattr("rampguard.engine.guarded.time.monotonic", lambda: wall[0])
    held = GuardedBench(Path("none"), Bench(Still(), None, (), (), 5.0), lambda text: None)
    held.switch_on()
    wall[0] += 0.4
    held.check([VOLTS])
    wall[0] += 0.2
    with pytest.raises(CutShort, match=r"no reading of line_current for 0\.6 s"):
        held.check([VOLTS])


def test_current_stands_still() -> None:
    assert stands_still([current(0.0500)], [current(0.0510)])
    assert not stands_still([current(0.0500)], [current(0.0512)])
    assert stands_still([current(1.00e-5)], [current(3.49e-5)])  # a quarter of the bound
    assert not stands_still([current(1.00e-5)], [current(3.51e-5)])


def test_the_smallest_range_that_holds(tmp_path: Path, bench_text: str) -> None:
    (tmp_path / "bench.toml").write_text(bench_text, encoding="utf-8")
    bench = load_bench_file(tmp_path / "bench.toml")
    assert bench.full_range("power-meter", Quantity.LINE_VOLTAGE) == 300.0
    small = bench.on_smallest_ranges({Quantity.LINE_CURRENT: 1.2, Quantity.LINE_VOLTAGE: 10.0})
    assert small.full_range("power-meter", Quantity.LINE_CURRENT) == 5.0
    assert small.full_range("power-meter", Quantity.LINE_VOLTAGE) == 150.0
    widest = bench.on_smallest_ranges({Quantity.LINE_CURRENT: 50.0})
    assert widest.full_range("power-meter", Quantity.LINE_CURRENT) == 20.0
    assert bench.full_range("power-meter", Quantity.TEMPERATURE) is None


def test_units_of_the_benchmark() -> None:
    """The small version: one whole transformer, and one shorted switch; 300 are in docs/figures.md."""
    generator = np.random.default_rng(7)
    whole = one("transformer", "", 1, generator)
    switch = one("shorted-switch", "shorted switch", 2, generator)
    assert (whole.verdict.outcome, switch.verdict.outcome) == ("no-short-seen", "short")
    rows = [row_of("x", "units", fault, [o]) for fault, o in (("", whole), ("shorted switch", switch))]
    assert (rows[0]["called shorted"], rows[1]["cause named"]) == (0, 1)
