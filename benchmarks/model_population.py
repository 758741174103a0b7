"""Units of one model: one design, whose units differ by the tolerances of their parts; whole, and with a fault.

The designs are the simulator's own kinds, and so are the tolerances: `instruments.simulated` has each part's with its
reason (for the amplifier: reservoirs +/-20 %, idle as set by hand +/-25 %, windings +/-15 %, magnetising inductance
+/-40 %, core loss +/-30 %, emitter resistors +/-5 %; common practice, no source), drawn evenly. Nothing of the load
classes is in them. Faults and their sizes are those of `fault_population`.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

import numpy as np
from fault_population import KINDS, LATE_EVERY, LATE_FROM_S, FaultKind, Parts
from ramps import RAMP_S, WINDOW_S, pressed_window, ramp, simulate

from instruments.simulated import kinds
from instruments.simulated.faults import FAULTS
from instruments.simulated.ops import ARRAY
from instruments.simulated.tolerances import draw, stack
from instruments.simulated.unit import Unit

VOLTS: Final = 230.0
HERTZ: Final = 50.0
MODELS: Final = tuple(dict.fromkeys(kind.kind for kind in KINDS))
"""The kinds of unit that `fault_population` has faults of: one design each."""
ALONE: Final = "rail-to-rail short"
"""Simulated in a batch of its own: what it sets, a short of one device sets otherwise."""


@dataclass
class Brought:
    """Units of one model brought up to full line; see `ramps.simulate` for the shape of ``seen``."""

    watts: float
    load_class: str
    seen: np.ndarray
    faults: list[str]
    """The fault of each unit; empty for a whole one."""
    onset: np.ndarray
    """The window in which it comes; 0: it is there at switch-on."""
    pressed_at: int | None


def faults_of(model: str) -> tuple[tuple[FaultKind, ...], ...]:
    """The faults of a model, those together that one batch can have."""
    own = [kind for kind in KINDS if kind.kind == model]
    apart = tuple((kind,) for kind in own if kind.name == ALONE)
    rest = tuple(kind for kind in own if kind.name != ALONE)
    return (*apart, rest) if rest else apart


def parts_of(model: str, count: int, generator: np.random.Generator) -> Parts:
    """Parts of so many units of a model."""
    return stack([draw(kinds.KINDS[model].parts, generator) for _ in range(count)])


def whole_units(model: str, good: int, fresh: int, seed: int, for_s: float | None = None) -> Brought:
    """Units with nothing wrong: ``good`` ones as a plan goes, then ``fresh`` ones, a third as a hand turns a knob."""
    generator = np.random.default_rng([seed, MODELS.index(model), 0])
    by_hand = [False] * good + [k % 3 == 0 for k in range(fresh)]
    none = np.zeros(len(by_hand), dtype=int)
    parts = parts_of(model, len(by_hand), generator)
    return _brought(model, parts, by_hand, [""] * len(by_hand), none, generator, for_s=for_s)


def faulted_units(model: str, group: int, each: int, seed: int, for_s: float | None = None) -> Brought:
    """So many units of each fault of a group; one in four gets its fault on the way, where the fault may come late."""
    faults = faults_of(model)[group]
    generator = np.random.default_rng([seed, MODELS.index(model), 1 + group])
    count = each * len(faults)
    parts = parts_of(model, count, generator)
    late = np.array([kind.late and k % LATE_EVERY == LATE_EVERY - 1 for kind in faults for k in range(each)])
    onset = np.where(late, (generator.uniform(LATE_FROM_S, RAMP_S, count) / WINDOW_S).astype(int), 0)
    names = [kind.name for kind in faults for _ in range(each)]
    by_hand = [k % 3 == 0 for k in range(count)]
    events = _events(model, faults, each, parts, onset, generator)
    return _brought(model, parts, by_hand, names, onset, generator, events, for_s)


def _brought(
    model: str,
    parts: Parts,
    by_hand: Sequence[bool],
    names: list[str],
    onset: np.ndarray,
    generator: np.random.Generator,
    events: Mapping[int, Callable[[Unit], None]] | None = None,
    for_s: float | None = None,
) -> Brought:
    volts = np.full(len(by_hand), VOLTS)
    ways = np.array([ramp(generator, by_hand=hand).part for hand in by_hand]).T * volts
    press_at = next(kind.population.press_at for kind in KINDS if kind.kind == model)
    press = pressed_window(press_at, ways, volts)
    unit = kinds.KINDS[model].make(parts, ARRAY, volts, HERTZ)
    plate = unit.nameplate
    short = ways if for_s is None else ways[: round(for_s / WINDOW_S)]
    return Brought(
        plate.nameplate_w, plate.load_class, simulate(unit, short, HERTZ, press, events), names, onset, press
    )


def _events(
    model: str,
    faults: Sequence[FaultKind],
    each: int,
    parts: Parts,
    onset: np.ndarray,
    generator: np.random.Generator,
) -> dict[int, Callable[[Unit], None]]:
    """What happens in which window: every fault to the units that have it, and to the others as if it were none."""
    count = each * len(faults)
    plate_w = np.full(count, kinds.KINDS[model].make(parts, ARRAY, np.full(count, VOLTS), HERTZ).nameplate.nameplate_w)
    drawn = []
    for kind in faults:
        values = stack([draw(FAULTS[kind.fault].parts, generator) for _ in range(count)])
        kind.given(parts, plate_w, values)
        drawn.append(values)

    def happen(unit: Unit, window: int) -> None:
        for place, (kind, values) in enumerate(zip(faults, drawn, strict=True)):
            own = (np.arange(count) // each == place) & (onset <= window)
            none = kind.none(parts)
            FAULTS[kind.fault].happens(unit, {name: np.where(own, values[name], none[name]) for name in values})

    def at(window: int) -> Callable[[Unit], None]:
        return lambda unit: happen(unit, window)

    return {int(window): at(int(window)) for window in np.unique(np.append(onset, 0))}
