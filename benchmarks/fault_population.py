"""Faulted units, and each one's twin without its fault, brought up along the same ways and metered.

Kinds of unit and their parts are those of `population`; a fault's parts are the simulator's, with what the promise of
the benchmark asks for in place of some (turns that draw a third of the rating, a leak of 100 mA). Three in four faults
are there at switch-on; the others come at random moments of their ramps.

Beside them, where asked for: the faulted unit behind a series lamp, and another healthy one of its model.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from typing import Final

import numpy as np
from population import POPULATIONS, Population, batch, specimens
from ramps import HOLD_S, RAMP_S, WINDOW_S, mains_by_hertz, pressed_window, ramp, simulate

from instruments.simulated import lamp
from instruments.simulated.amplifier import REFERENCE_V
from instruments.simulated.faults import FAULTS
from instruments.simulated.front import SeriesLamp
from instruments.simulated.tolerances import draw
from instruments.simulated.unit import Unit

Parts = dict[str, np.ndarray]
LATE_EVERY: Final = 4
LATE_FROM_S: Final = 5.0
LAMPS_W: Final = (60.0, 100.0)
LAMP_CONDUCTED: Final = lamp.PARTS["conducted"].nominal
LAMP_THERMAL_S: Final = lamp.PARTS["thermal_s"].nominal
LIKE_IT: Final = (0.95, 1.05)
"""Parts of two units of one model, one to the other; common practice, no source."""


@dataclass(frozen=True)
class FaultKind:
    """One fault of one kind of unit, with the cause that explains it."""

    name: str
    cause: str
    kind: str
    fault: str
    none: Callable[[Parts], Parts]
    """Parts of the fault with which it is none, from the unit's."""
    given: Callable[[Parts, np.ndarray, Parts], None] = lambda parts, watts, drawn: None
    """Changes the unit's and the fault's drawn parts."""
    late: bool = True
    """Whether it may come later, too."""
    short: bool = False
    """Whether a series lamp is tried against it."""
    like_idle: bool = False
    """Whether it looks like more idle, so that a known-good capture of the model is worth trying."""

    def __reduce__(self) -> tuple[Callable[[str], FaultKind], tuple[str]]:
        return kind_named, (self.name,)  # its functions cannot be pickled, and need not be

    @property
    def population(self) -> Population:
        """The kind of unit."""
        return next(p for p in POPULATIONS if p.kind == self.kind)


@dataclass
class Behind:
    """Units behind a series lamp, in each window: shape (windows, units)."""

    unit_w: np.ndarray
    """What is left for the unit."""
    lamp_part: np.ndarray
    """What the lamp takes, of what it is marked with."""


@dataclass
class Lot:
    """Units of one kind on mains of one frequency, with and without their fault: see `simulate` for the shape."""

    kind: FaultKind
    volts: np.ndarray
    """Of each unit's mains."""
    watts: np.ndarray
    onset: np.ndarray
    """The window in which each unit's fault comes; 0: it is there at switch-on."""
    faulted: np.ndarray
    whole: np.ndarray
    known_good: np.ndarray | None
    """Another healthy one of each unit's model, on another way."""
    pressed_at: int | None
    parts: Parts
    behind: Mapping[float, Behind]
    """By the lamp's watts: those of the units whose fault is there at switch-on."""


def _third_of_rating(parts: Parts, watts: np.ndarray, drawn: Parts) -> None:
    # Turns f of a primary of R draw f V^2 / R.
    drawn["turns"] = watts / 3.0 * parts["primary_ohm"] / REFERENCE_V**2


def _hundred_milliamperes(parts: Parts, watts: np.ndarray, drawn: Parts) -> None:
    drawn["leak_a"] = np.full_like(watts, 0.1)


def _real_devices(parts: Parts, watts: np.ndarray, drawn: Parts) -> None:
    # The population's devices are as cool as its class's drift says; a runaway's heat like the simulator's own.
    for n in (1, 2):
        parts[f"device_k_per_w_{n}"] = np.full_like(watts, 1.3)
        parts[f"device_j_per_k_{n}"] = np.full_like(watts, 2.5)


def _never(name: str) -> Callable[[Parts], Parts]:
    """A fault whose part of that name is nothing: no short, no turns, no leak."""
    value = np.inf if name == "short_ohm" else 0.0
    return lambda parts: {name: np.full_like(parts["supply_ohm"], value)}


def _no_short(parts: Parts) -> Parts:
    return _never("short_ohm")(parts) | {"driven_a": np.ones_like(parts["supply_ohm"])}


def _own_drift(parts: Parts) -> Parts:
    # Channels are alike in a population.
    return {"drift_a_per_k": parts["drift_a_per_k_1"]}


AMPLIFIER: Final = "amplifier"
KINDS: Final = (
    FaultKind("rail-to-rail short", "output-stage-short", AMPLIFIER, "shorted output pair", _no_short, short=True),
    FaultKind(
        "one device shorted", "output-stage-short", AMPLIFIER, "one output device shorted", _no_short, short=True
    ),
    FaultKind("shorted diode", "rectifier-diode-short", AMPLIFIER, "shorted diode", _never("short_ohm"), short=True),
    FaultKind(
        "shorted converter switch",
        "converter-switch-short",
        "switch-mode unit",
        "shorted converter switch",
        _never("short_ohm"),
        short=True,
    ),
    FaultKind(
        "short behind a relay",
        "output-stage-short",
        "receiver, 2 channels",
        "shorted output pair",
        _no_short,
        late=False,
    ),
    FaultKind(
        "short behind relay and soft start",
        "output-stage-short",
        "receiver, soft start",
        "shorted output pair",
        _no_short,
        late=False,
    ),
    FaultKind("shorted turns", "shorted-winding-turns", AMPLIFIER, "shorted turns", _never("turns"), _third_of_rating),
    FaultKind(
        "shorted turns, transformer",
        "shorted-winding-turns",
        "transformer",
        "shorted turns",
        _never("turns"),
        _third_of_rating,
    ),
    FaultKind(
        "leaking reservoir",
        "leaky-reservoir",
        AMPLIFIER,
        "leaking reservoir",
        _never("leak_a"),
        _hundred_milliamperes,
        like_idle=True,
    ),
    FaultKind(
        "idle runaway",
        "idle-current-runaway",
        AMPLIFIER,
        "idle runaway",
        _own_drift,
        _real_devices,
        late=False,
        like_idle=True,
    ),
)


def kind_named(name: str) -> FaultKind:
    """The kind of that name."""
    return next(kind for kind in KINDS if kind.name == name)


Way = Callable[[np.random.Generator, int], np.ndarray]
"""Draws the way of a batch's n-th unit: line voltage, as a part of mains, in each window."""


def some_by_hand(generator: np.random.Generator, k: int) -> np.ndarray:
    """Every third as a hand turns a knob, the others as a plan goes."""
    return ramp(generator, by_hand=k % 3 == 0).part


def by_plan(generator: np.random.Generator, k: int) -> np.ndarray:
    """All as a plan goes."""
    return ramp(generator, by_hand=False).part


def lot(
    kind: FaultKind,
    hertz: float,
    each: int,
    seed: int,
    *,
    way: Way = some_by_hand,
    lamps: bool = True,
    for_s: float = RAMP_S + HOLD_S,
) -> Lot:
    """So many units of one kind of fault on each mains of that frequency, for so long.

    Of one seed the units, their faults and their onsets are the same whatever their ``way``.
    """
    return lots(kind, hertz, each, seed, ways=(way,), lamps=lamps, for_s=for_s)[0]


def lots(
    kind: FaultKind,
    hertz: float,
    each: int,
    seed: int,
    *,
    ways: Sequence[Way],
    lamps: bool = True,
    for_s: float = RAMP_S + HOLD_S,
) -> list[Lot]:
    """The same units on several ways, side by side in one batch: most of the time is the step's, whatever its width."""
    volts = np.repeat(mains_by_hertz()[hertz], each)
    count = len(volts)
    generator = np.random.default_rng([seed, KINDS.index(kind), round(hertz)])
    population = kind.population
    watts, drawn_parts = specimens(population, count, generator)
    parts: Parts = dict(drawn_parts)
    one = [draw(FAULTS[kind.fault].parts, generator) for _ in range(count)]
    drawn: Parts = {name: np.array([values[name] for values in one]) for name in one[0]}
    kind.given(parts, watts, drawn)
    onset = (generator.uniform(LATE_FROM_S, RAMP_S, count) / WINDOW_S).astype(int)
    onset = np.where(kind.late & (np.arange(count) % LATE_EVERY == LATE_EVERY - 1), onset, 0)

    def ways_of(one_way: Way) -> np.ndarray:
        return (np.array([one_way(generator, k) for k in range(count)]).T * volts)[: round(for_s / WINDOW_S)]

    brought_up = [ways_of(way) for way in ways]
    press = pressed_window(population.press_at, np.concatenate(brought_up, axis=1), np.tile(volts, len(ways)))
    # Of each way the faulted, then the whole; and where it is worth trying, another of the model.
    members, member_ways = [parts] * (2 * len(ways)), [np.tile(way, 2) for way in brought_up]
    if kind.like_idle:
        members.append({name: values * generator.uniform(*LIKE_IT, count) for name, values in parts.items()})
        member_ways.append(ways_of(by_plan))
    all_parts = {name: np.concatenate([member[name] for member in members]) for name in parts}
    seen = simulate(
        batch(population, all_parts, np.tile(volts, len(members)), hertz),
        np.concatenate(member_ways, axis=1),
        hertz,
        press,
        coming(kind, drawn, kind.none(all_parts), onset, len(ways)),
    )
    each_member = np.split(seen, len(members), axis=2)
    known_good = each_member[-1] if kind.like_idle else None
    there = np.flatnonzero(onset == 0)
    chosen, chosen_drawn = ({name: values[there] for name, values in of.items()} for of in (parts, drawn))
    found = []
    for n, way in enumerate(brought_up):
        behind = {}
        if kind.short and lamps:
            behind = _behind_lamps(kind, chosen, chosen_drawn, way[:, there], volts[there], hertz)
        faulted, whole = each_member[2 * n : 2 * n + 2]
        found.append(Lot(kind, volts, watts, onset, faulted, whole, known_good, press, parts, behind))
    return found


def coming(
    kind: FaultKind, drawn: Parts, none: Parts, onset: np.ndarray, ways: int
) -> dict[int, Callable[[Unit], None]]:
    """What happens in which window: the first half of each way's units have their faults from their onsets on."""
    count = len(onset)
    events: dict[int, Callable[[Unit], None]] = {}
    for window in np.unique(np.append(onset, 0)):
        values: Parts = {}
        for name, with_fault in drawn.items():
            values[name] = none[name].copy()
            for first in range(0, 2 * count * ways, 2 * count):
                faulted = slice(first, first + count)
                values[name][faulted] = np.where(onset <= window, with_fault, values[name][faulted])
        events[int(window)] = partial(FAULTS[kind.fault].happens, v=values)
    return events


def _behind_lamps(
    kind: FaultKind, parts: Parts, drawn: Parts, ways: np.ndarray, volts: np.ndarray, hertz: float
) -> dict[float, Behind]:
    """The faulted units, a lamp in series with each, on the same ways; by the lamp's watts."""
    count, lamps = len(volts), len(LAMPS_W)
    all_parts, all_drawn = ({name: np.tile(values, lamps) for name, values in of.items()} for of in (parts, drawn))
    all_volts = np.tile(volts, lamps)
    units = batch(kind.population, all_parts, all_volts, hertz)
    rated_w = np.repeat(LAMPS_W, count)
    series = SeriesLamp(lamp.LampParameters(0.0, rated_w, LAMP_CONDUCTED, LAMP_THERMAL_S, all_volts))
    units.front.add(series)
    ohms: list[np.ndarray] = []
    seen = simulate(
        units,
        np.tile(ways, lamps),
        hertz,
        events={0: partial(FAULTS[kind.fault].happens, v=all_drawn)},
        each_window=lambda window: ohms.append(np.asarray(series.now_ohm())),
    )
    lamp_w = np.array([np.broadcast_to(ohm, lamps * count) for ohm in ohms]) * seen[:, 1]
    behind = {}
    for place, watts in enumerate(LAMPS_W):
        own = slice(place * count, (place + 1) * count)
        behind[watts] = Behind(seen[:, 2, own] - lamp_w[:, own], lamp_w[:, own] / watts)
    return behind
