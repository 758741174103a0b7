"""Healthy simulated units along random ramps, what meters read of each, and what each truly is.

Shared by `estimates` and `estimates_learn`. The units are those of `population`, the ramps those of `ramps`; what is
true is read from the simulator's parts and from its state at the ramp's end, by no formula of the load classes.
Volts rms, hertz, watts, joules, ohm at the line.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import Any, Final

import numpy as np
from population import HERTZ, PEAK_V, POPULATIONS, Population, batch, specimens
from ramps import Ramp, ramp, simulate

from instruments.simulated.amplifier import REFERENCE_V

LAST_WINDOWS: Final = 10
"""Rails and what is taken from them are averaged over so many windows at the end."""
MAINS_V: Final = (100.0, 230.0)
"""All of 50 Hz: units of two frequencies cannot be simulated together."""
KINDS: Final = ("amplifier, soft start by resistor", "receiver, soft start")
"""Half of each have a resistor of no ohm: no soft start."""


@dataclass(frozen=True)
class Case:
    """One unit's ramp: ``seen`` as `ramps.simulate` gives it, shape (windows, 3); ``true`` by the quantity's name."""

    kind: str
    load_class: str
    mains_v: float
    watts: float
    way: Ramp
    seen: np.ndarray
    press: int | None
    rails_v: tuple[float, float]
    true: Mapping[str, float]


@dataclass(frozen=True)
class Drawn:
    """So many units of one kind: on each mains so many with a soft start, and so many without; and their ramps."""

    population: Population
    volts: np.ndarray
    watts: np.ndarray
    parts: Mapping[str, np.ndarray]
    ways: list[Ramp]


def drawn(kind: str, each: int, seed: int) -> Drawn:
    """What the seed draws; nothing is simulated yet."""
    population = next(population for population in POPULATIONS if population.kind == kind)
    volts = np.tile(np.repeat(MAINS_V, each), 2)
    generator = np.random.default_rng([seed, POPULATIONS.index(population)])
    watts, parts = specimens(population, len(volts), generator)
    soft = np.arange(len(volts)) < len(volts) // 2
    parts = {**parts, "soft_ohm": np.where(soft, parts["soft_ohm"], 0.0)}
    ways = [ramp(generator, by_hand=k % 3 == 0) for k in range(len(volts))]
    return Drawn(population, volts, watts, parts, ways)


def made(kind: str, each: int, seed: int) -> list[Case]:
    """The units that the seed draws, simulated together along their ramps."""
    all_of = drawn(kind, each, seed)
    population, volts, watts, parts, ways = all_of.population, all_of.volts, all_of.watts, all_of.parts, all_of.ways
    lines = np.array([way.part for way in ways]).T * volts
    presses = np.array(
        [-1 if population.press_at is None else np.argmax(way.part >= population.press_at) for way in ways]
    )
    unit = batch(population, parts, volts, HERTZ)
    last = len(lines) - LAST_WINDOWS
    ends: list[np.ndarray] = []

    def note(window: int) -> None:
        if window >= last:
            rails = [output.volts for output in unit.outputs]
            taken = sum(output.volts * output.take_a for output in unit.outputs)
            stages = sum(channel.now_a for channel in unit.stages.channels) * unit.stages.across_v
            ends.append(np.array([*rails, taken, stages]))

    pressed = {int(w): partial(_press, mask=presses == w) for w in np.unique(presses) if w >= 0}
    seen = simulate(unit, lines, HERTZ, events=pressed, each_window=note)
    plus, minus, idle_w, output_w = np.mean(ends, axis=0)
    true = _true(parts, volts) | {"idle_w": idle_w, "output_stages_w": output_w}
    true["energy_j"] = 0.5 * (parts["reservoir_plus_f"] * plus**2 + parts["reservoir_minus_f"] * minus**2)
    true["rail_v"] = 0.5 * (plus + minus)
    true["reservoir_uf"] = 0.5e6 * (parts["reservoir_plus_f"] + parts["reservoir_minus_f"])
    return [
        Case(
            population.kind,
            population.load_class,
            float(volts[k]),
            float(watts[k]),
            way,
            seen[:, :, k],
            int(presses[k]) if presses[k] >= 0 else None,
            (float(plus[k]), float(minus[k])),
            {name: float(values[k]) for name, values in true.items()},
        )
        for k, way in enumerate(ways)
    ]


def _press(unit: Any, mask: np.ndarray) -> None:
    """Press some of a batch's power buttons: as `press_power`, but not all of them."""
    unit.wanted = np.maximum(unit.wanted, mask * unit.ready)


def _true(parts: Mapping[str, np.ndarray], volts: np.ndarray) -> dict[str, np.ndarray]:
    """What the parts say: they are of the 230 V version, and wound for these mains."""
    square = (volts / REFERENCE_V) ** 2
    ahead = parts["supply_ohm"] + parts["primary_ohm"] + parts["secondary_ohm"] / (2.0 * parts["turns_ratio"] ** 2)
    return {
        "source_ohm": ahead * square,
        "core_loss_w": REFERENCE_V**2 / parts["core_loss_ohm"],
        "magnetising_a": _magnetising_a(parts) * REFERENCE_V / volts,
        "soft_start_ohm": parts["soft_ohm"] * square,
    }


def _magnetising_a(parts: Mapping[str, np.ndarray]) -> np.ndarray:
    """What the core takes at 230 V with no load: the current of a sine of flux, by its samples."""
    angle = 2.0 * np.pi * np.arange(256)[:, None] / 256.0
    flux = PEAK_V / (2.0 * np.pi * HERTZ) * np.cos(angle)
    current = flux / parts["magnetising_h"] + parts["knee_a"] * (flux / parts["knee_wb"]) ** 7
    return np.asarray(np.sqrt(np.mean(current**2, axis=0)))


def cases(count: int, seed: int, store: Path | None = None, kinds: str = "") -> Iterator[list[Case]]:
    """About so many units, as many of each kind; kept in ``store``, since the simulation takes minutes.

    Only the kinds with ``kinds`` in their name.
    """
    each = -(-count // (2 * len(KINDS) * len(MAINS_V)))
    for kind in (kind for kind in KINDS if kinds in kind):
        yield _kept(kind, each, seed, store)


def _kept(kind: str, each: int, seed: int, store: Path | None) -> list[Case]:
    if store is None:
        return made(kind, each, seed)
    store.mkdir(parents=True, exist_ok=True)
    file = store / f"{kind.replace(' ', '-').replace(',', '')}-{each}-{seed}.pickle"
    if not file.exists():
        partly = file.with_suffix(".part")
        partly.write_bytes(pickle.dumps(made(kind, each, seed)))
        partly.rename(file)
    found: list[Case] = pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself
    return found
