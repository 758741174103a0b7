"""Serves a simulated bench: the servers, the bench file that reaches them, and time."""

from __future__ import annotations

import os
import sys
import threading
import time
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from instruments.simulated.bench_text import bench_file_text, multimeters, scanned
from instruments.simulated.digitiser import digitiser
from instruments.simulated.fleet import (
    ac_source,
    bench_clock,
    energy_module,
    handheld_amperes,
    handheld_volts,
    multimeter,
    power_button,
    power_meter,
    relay,
    scanner,
    thermometer,
    unit_hand,
)
from instruments.simulated.hand import knob
from instruments.simulated.mischief import Mischief, MischiefError, Mischiefs
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.simulated.unit import HEAT_SINK
from instruments.simulated.units import UnknownUnit, make_unit
from instruments.simulated.wires import OVER_WIRES, WIRES, Served
from instruments.simulated.world import WINDOW_S, World

__all__ = ["Mischief", "MischiefError", "SimulationOptions", "UnknownUnit", "serve"]

PACE_S: Final = 0.005
"""Wall time between two moves of a bench that follows wall time."""
BEHIND_S: Final = 0.25
"""Wall time by which the simulation may fall behind before it says so and gives the lost time up."""
METERS: Final = ("power-meter", "handheld", "module", "typed", "digitiser")
"""What can measure the line: a bench power meter, two handhelds, an energy module, a person who types what two
handhelds show (the bench file then names their displays in comments), or a digitiser."""
MISWIRED: Final = ("meter-before-cut-off", "supply-not-at-zero", "current-reversed")
"""What can be wrong with how the bench is wired: the power meter, or the supply."""
SUPPLIES: Final = ("source", "variac", "variac-alone")
"""What brings line voltage up: a programmable source, or a hand-turned variac, with a contactor behind it or alone."""


@dataclass(frozen=True, slots=True, kw_only=True)
class SimulationOptions:
    """What to serve. ``lock_step``: time moves only when a client asks; else it follows wall time times ``speed``."""

    unit: str
    bench_file: Path
    speed: float = 1.0
    lock_step: bool = False
    seed: int = 1
    log: Path | None = None
    mains_v: float = 230.0
    frequency_hz: float = 50.0
    series_lamp_w: float | None = None
    """Put a series lamp of so many watts in front of the unit."""
    fault_at_s: float | None = None
    """Let the unit's fault come so many seconds after line voltage first did."""
    meters: str = "power-meter"
    """One of `METERS`."""
    mischief: tuple[Mischief, ...] = ()
    """What its instruments do that they should not."""
    supply: str = "source"
    """One of `SUPPLIES`."""
    wires: str = "socket"
    """One of `WIRES`: how power meter and contactor are reached."""
    miswired: str = ""
    """One of `MISWIRED`: what is wrong with the bench's wiring; empty: nothing."""
    scanner: bool = False
    """Read every channel of the unit by a scanner, and its heat sink by a thermometer, in place of two multimeters."""
    averaged: bool = False
    """Leave most windows out while nothing changes, and move what is slow on by averages: for long warm-ups."""


def serve(options: SimulationOptions, stop: threading.Event) -> None:
    """Serve until ``stop``. The bench file appears whole, once everything listens.

    Raises UnknownUnit, MischiefError, OSError.
    """
    unit = make_unit(
        options.unit,
        options.seed,
        options.mains_v,
        options.frequency_hz,
        series_lamp_w=options.series_lamp_w,
        fault_at_s=options.fault_at_s,
    )
    with ExitStack() as stack:
        log = stack.enter_context(options.log.open("w", encoding="utf-8")) if options.log is not None else None
        world = World(unit, options.mains_v, options.frequency_hz, log, averaged=options.averaged)
        world.miswired = options.miswired
        fleet = fleet_of(world, options)
        servers: dict[str, Served] = {}
        for mischief in options.mischief:
            if mischief.instrument not in fleet:
                raise MischiefError(f"{mischief}: there is no such instrument; there are {', '.join(fleet)}")
        for name, instrument in fleet.items():
            servers[name] = _served(name, instrument, options)
            stack.callback(servers[name].close)
        resources = {name: server.resource for name, server in servers.items()}
        _write_whole(options.bench_file, bench_file_text(options, world.unit, resources))
        if options.lock_step:
            stop.wait()
        else:
            follow_wall_time(world, options.speed, stop)
        with world.lock:  # the log closes next: no client may be in the middle of a line
            world.stop_logging()


def _served(name: str, instrument: ScpiInstrument, options: SimulationOptions) -> Served:
    mischiefs = Mischiefs.of(name, options.mischief)
    if name not in OVER_WIRES or options.wires == "socket":
        return ScpiServer(instrument, mischiefs=mischiefs)
    if any(mischief.instrument == name for mischief in options.mischief):
        raise MischiefError(f"{name}: over {options.wires} its instruments do as they should; leave the mischief out")
    return WIRES[options.wires](instrument)


def fleet_of(world: World, options: SimulationOptions) -> dict[str, ScpiInstrument]:
    """The instruments of a bench, by name."""
    seed = options.seed
    fleet = {
        "button": power_button(world),
        "clock": bench_clock(world),
    }
    if options.supply == "source":
        fleet["source"] = ac_source(world, seed)
    else:
        fleet["hand"] = knob(world, seed)
        world.set_output(on=True)  # switched on, its knob at zero
    if options.supply == "variac-alone":
        world.set_contactor(closed=True)
    else:
        fleet["contactor"] = relay(world)
    if options.meters in ("handheld", "typed"):
        fleet |= {"handheld-volts": handheld_volts(world, seed), "handheld-amperes": handheld_amperes(world, seed)}
    elif options.meters == "module":
        fleet["module"] = energy_module(world, seed)
    elif options.meters == "digitiser":
        fleet["digitiser"] = digitiser(world, seed)
    else:
        fleet["power-meter"] = power_meter(world, seed)
    clips = world.unit.dc_values()
    for name, signal, _ in multimeters(options):
        if signal in clips:
            fleet[name] = multimeter(world, seed, name, signal)
    if world.unit.channels:
        fleet["unit-hand"] = unit_hand(world)
        if options.scanner:
            fleet |= {
                "scanner": scanner(world, seed, scanned(world.unit)),
                "thermometer": thermometer(world, seed, HEAT_SINK),
            }
    return fleet


def follow_wall_time(world: World, speed: float, stop: threading.Event) -> None:
    """Move bench time on with wall time, so many times as fast, until ``stop``."""
    began_s, lost_s, said = time.monotonic(), 0.0, False
    while not stop.wait(PACE_S):
        due_s = (time.monotonic() - began_s) * speed - lost_s
        behind_s = due_s - world.now_s
        if behind_s > BEHIND_S * speed:
            lost_s += behind_s - BEHIND_S * speed
            behind_s = BEHIND_S * speed
            if not said:
                print("simulated bench: this computer is too slow for this speed; bench time lags", file=sys.stderr)
                said = True
        # In small pieces, so that a command waits for one of them at most.
        end_s = world.now_s + behind_s
        while world.now_s < end_s and not stop.is_set():
            left_s = end_s - world.now_s + world.dt_s
            if not world.leaves_out:
                world.advance(min(PACE_S, left_s, world.to_window_end_s))
            elif left_s >= WINDOW_S:  # a window that is left out goes by as a whole, once it is due
                world.advance(WINDOW_S)
            else:
                break


def _write_whole(path: Path, text: str) -> None:
    partial = path.with_name(path.name + ".part")
    partial.write_text(text, encoding="utf-8")
    os.replace(partial, path)
