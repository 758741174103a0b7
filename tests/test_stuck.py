"""Benches that do not do as they are told: what cannot be proven off is never called off."""

from __future__ import annotations

import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from instruments.simulated.bench_text import bench_file_text
from instruments.simulated.scpi_server import ScpiServer
from instruments.simulated.serve import SimulationOptions, fleet_of, follow_wall_time
from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from live_help import plan_toml, run_plan
from rampguard.cautions import NOT_PROVEN_OFF


class StubbornWorld(World):
    """A bench whose contactor welds, or whose source ignores OFF, from a set-point on."""

    welds_at_v = float("inf")
    ignores_off_at_v = float("inf")
    highest_v = 0.0

    def set_contactor(self, *, closed: bool) -> None:
        if closed or self.highest_v < self.welds_at_v:
            super().set_contactor(closed=closed)

    def set_output(self, *, on: bool) -> None:
        if on or self.highest_v < self.ignores_off_at_v:
            super().set_output(on=on)

    def set_voltage(self, volts: float) -> None:
        if volts > 0.0 or self.highest_v < self.ignores_off_at_v:
            super().set_voltage(volts)
        self.highest_v = max(self.highest_v, volts)


@contextmanager
def stubborn_bench(folder: Path, **stubbornness: float) -> Iterator[tuple[StubbornWorld, Path]]:
    options = SimulationOptions(unit="healthy-amplifier", bench_file=folder / "bench.toml")
    world = StubbornWorld(make_unit("healthy-amplifier", 1, 230.0, 50.0), 230.0, 50.0)
    for name, volts in stubbornness.items():
        setattr(world, name, volts)
    servers = {name: ScpiServer(instrument) for name, instrument in fleet_of(world, options).items()}
    text = bench_file_text(options, world.unit, {name: server.resource for name, server in servers.items()})
    options.bench_file.write_text(text, encoding="utf-8")
    stop = threading.Event()
    time_thread = threading.Thread(target=follow_wall_time, args=(world, 1.0, stop))
    time_thread.start()
    try:
        yield world, options.bench_file
    finally:
        stop.set()
        time_thread.join()
        for server in servers.values():
            server.close()


PLAN = plan_toml((12.0, 20.0, 0.5, 20.0))


def test_a_bench_that_obeys_passes(tmp_path: Path) -> None:
    with stubborn_bench(tmp_path) as (world, bench_file):
        code, summary, story = run_plan(bench_file, tmp_path, PLAN)
        assert (code, summary["outcome"]) == (0, "passed"), story
        assert not world.output_on


def test_a_welded_contactor_is_a_trip_and_the_source_proves_it_off(tmp_path: Path) -> None:
    with stubborn_bench(tmp_path, welds_at_v=5.0) as (world, bench_file):
        code, summary, story = run_plan(bench_file, tmp_path, PLAN)
        assert code == 3, story
        assert "contactor was commanded off and does not read back off" in story
        off = summary["off"]
        assert isinstance(off, dict)
        assert off["proven"]
        assert "contactor reads back on" in off["problems"]
        assert not world.output_on


@pytest.mark.parametrize("welds_at_v", [5.0, float("inf")])
def test_an_output_that_stays_on_is_never_called_off(tmp_path: Path, welds_at_v: float) -> None:
    """With the contactor welded too, nothing is off: exit 4. With the contactor open, the line behind it is."""
    with stubborn_bench(tmp_path, ignores_off_at_v=5.0, welds_at_v=welds_at_v) as (world, bench_file):
        code, summary, story = run_plan(bench_file, tmp_path, PLAN)
        live = world.output_on and world.contactor_closed
        assert live == (welds_at_v == 5.0)
        assert code == (4 if live else 3), story
        assert summary["outcome"] == ("unproven" if live else "tripped")
        assert (NOT_PROVEN_OFF in story) == live


def test_a_bench_that_cannot_be_switched_off_at_the_start_is_never_energised(tmp_path: Path) -> None:
    with stubborn_bench(tmp_path) as (world, bench_file):
        world.set_contactor(closed=True)
        world.set_output(on=True)
        world.set_voltage(10.0)
        world.welds_at_v = world.ignores_off_at_v = 5.0
        code, summary, story = run_plan(bench_file, tmp_path, PLAN)
        assert (code, summary["outcome"]) == (4, "unproven"), story
        assert summary["capture"] is None
        assert NOT_PROVEN_OFF in story
