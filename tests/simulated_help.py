"""Simulated units brought to a line voltage and held there, without instruments."""

from __future__ import annotations

import math
from collections.abc import Iterator

from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from rampguard.loads.following import Sight


def settled(
    name: str,
    volts: float,
    seconds: float = 4.0,
    *,
    seed: int = 1,
    mains: tuple[float, float] = (230.0, 50.0),
    press: bool = False,
    series_lamp_w: float | None = None,
    from_v: float | None = None,
) -> World:
    """A bench on which a unit has been at a line voltage for so long; perhaps at another one before, or pressed."""
    unit = make_unit(name, seed, *mains, series_lamp_w=series_lamp_w)
    world = World(unit, *mains)
    world.set_contactor(closed=True)
    world.set_output(on=True)
    if from_v is not None:
        world.set_voltage(from_v)
        world.advance(3.0)
    world.set_voltage(volts)
    if press:
        world.advance(1.0)
        world.press_power()
    world.advance(seconds)
    return world


def brought_up(world: World, steps: int, full_line_at: float, *, press_at: float | None = None) -> Iterator[Sight]:
    """A reading every 0.2 s while line voltage rises in even steps; power pressed beyond a part of the way."""
    world.set_contactor(closed=True)
    world.set_output(on=True)
    for k in range(1, steps):
        part = min(1.0, k / full_line_at)
        press = press_at is not None and part > press_at
        world.set_voltage(part * world.mains_v)
        if press:
            world.press_power()
            press_at = None
        world.advance(0.2)
        line = world.window.line
        yield Sight(
            time_s=0.2 * k,
            line_voltage_v=line.voltage_v,
            line_current_a=line.current_a,
            real_power_w=line.real_power_w,
            event=press,
        )


def exponent(name: str, low_v: float, high_v: float, *, mains: tuple[float, float], seconds: float = 4.0) -> float:
    """n in P ~ V^n between two line voltages, coming down from the higher one."""
    low = settled(name, low_v, seconds, mains=mains, from_v=high_v).window.line
    high = settled(name, high_v, seconds, mains=mains).window.line
    return math.log(high.real_power_w / low.real_power_w) / math.log(high.voltage_v / low.voltage_v)


def current_ratio(name: str, low_v: float, high_v: float, *, mains: tuple[float, float]) -> float:
    """Line current at a lower over that at a higher line voltage, coming down from the higher one."""
    low = settled(name, low_v, mains=mains, from_v=high_v).window.line
    high = settled(name, high_v, mains=mains).window.line
    return low.current_a / high.current_a
