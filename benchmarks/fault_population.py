"""Faulted units, and each one's twin without its fault, brought up along the same ways and metered.

Kinds of unit and their parts are those of `population`; a fault's parts are the simulator's, with what the promise of
the benchmark asks for in place of some (turns that draw a third of the rating, a leak of 100 mA). Three in four faults
are there at switch-on; the others come at a random moment of the ramp.

Beside them, where asked for: the faulted unit behind a series lamp, and another healthy one of its model.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

import numpy as np
from population import POPULATIONS, Population, batch, specimens
from ramps import HOLD_S, MAINS, RAMP_S, WINDOW_S, pressed_window, ramp, simulate

from instruments.simulated import lamp
from instruments.simulated.amplifier import REFERENCE_V
from instruments.simulated.faults import FAULTS
from instruments.simulated.front import SeriesLamp
from instruments.simulated.tolerances import draw

Parts = dict[str, np.ndarray]
LATE_SHARE: Final = 0.25
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
    given: Callable[[Parts, np.ndarray, Parts], None] = lambda parts, watts, drawn: None
    """Changes the unit's and the fault's drawn parts."""
    late: bool = True
    """Whether it may come later, too."""
    short: bool = False
    """Whether a series lamp is tried against it."""
    none: Callable[[Parts], Parts] | None = None
    """Parts of the fault with which it is none, from the unit's; None: there are none, since it is a flag."""
    like_idle: bool = False
    """Whether it looks like more idle, so that a known-good capture of the model is worth trying."""

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
    """Units of one kind on one mains, simulated with and without their fault: see `simulate` for the shape."""

    kind: FaultKind
    volts: float
    watts: np.ndarray
    faulted: np.ndarray
    whole: np.ndarray
    pressed_at: int | None
    parts: Mapping[str, np.ndarray]
    late: bool
    behind: Mapping[float, Behind]
    """By the lamp's watts."""
    known_good: np.ndarray | None
    """Another healthy one of each unit's model, on another way."""


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


OPEN_OHM: Final = 1e12


def _open_short(parts: Parts) -> Parts:
    nothing = np.full_like(parts["primary_ohm"], OPEN_OHM)
    return {"short_ohm": nothing, "driven_a": np.ones_like(nothing)}


def _no_turns(parts: Parts) -> Parts:
    return {"turns": np.zeros_like(parts["primary_ohm"])}


def _no_leak(parts: Parts) -> Parts:
    return {"leak_a": np.zeros_like(parts["primary_ohm"])}


def _own_drift(parts: Parts) -> Parts:
    # Channels are alike in a population.
    return {"drift_a_per_k": parts["drift_a_per_k_1"]}


AMPLIFIER: Final = "amplifier"
KINDS: Final = (
    FaultKind(
        "rail-to-rail short", "output-stage-short", AMPLIFIER, "shorted output pair", short=True, none=_open_short
    ),
    FaultKind(
        "one device shorted", "output-stage-short", AMPLIFIER, "one output device shorted", short=True, none=_open_short
    ),
    FaultKind("shorted diode", "rectifier-diode-short", AMPLIFIER, "shorted diode", short=True),
    FaultKind(
        "shorted converter switch",
        "converter-switch-short",
        "switch-mode unit",
        "shorted converter switch",
        short=True,
    ),
    FaultKind(
        "short behind a relay",
        "output-stage-short",
        "receiver, 2 channels",
        "shorted output pair",
        late=False,
        none=_open_short,
    ),
    FaultKind(
        "short behind relay and soft start",
        "output-stage-short",
        "receiver, soft start",
        "shorted output pair",
        late=False,
        none=_open_short,
    ),
    FaultKind("shorted turns", "shorted-winding-turns", AMPLIFIER, "shorted turns", _third_of_rating, none=_no_turns),
    FaultKind(
        "shorted turns, transformer",
        "shorted-winding-turns",
        "transformer",
        "shorted turns",
        _third_of_rating,
        none=_no_turns,
    ),
    FaultKind(
        "leaking reservoir",
        "leaky-reservoir",
        AMPLIFIER,
        "leaking reservoir",
        _hundred_milliamperes,
        none=_no_leak,
        like_idle=True,
    ),
    FaultKind(
        "idle runaway",
        "idle-current-runaway",
        AMPLIFIER,
        "idle runaway",
        _real_devices,
        late=False,
        none=_own_drift,
        like_idle=True,
    ),
)


def lot(
    kind: FaultKind,
    mains: tuple[float, float],
    count: int,
    seed: int,
    *,
    late: bool,
    for_s: float = RAMP_S + HOLD_S,
) -> Lot:
    """So many units of one kind of fault on one mains, for so long."""
    volts, hertz = mains
    generator = np.random.default_rng([seed, KINDS.index(kind), round(volts), int(late)])
    population = kind.population
    watts, drawn_parts = specimens(population, count, generator)
    parts: Parts = dict(drawn_parts)
    each = [draw(FAULTS[kind.fault].parts, generator) for _ in range(count)]
    drawn: Parts = {name: np.array([values[name] for values in each]) for name in each[0]} if each[0] else {}
    kind.given(parts, watts, drawn)
    ways = np.array([ramp(generator, by_hand=k % 3 == 0).part for k in range(count)]).T * volts
    ways = ways[: round(for_s / WINDOW_S)]
    press = pressed_window(population.press_at, ways, volts)
    onset = int(generator.uniform(LATE_FROM_S, RAMP_S) / WINDOW_S) if late else 0

    faulted, whole = _twins(kind, parts, drawn, ways, mains, press, onset)
    behind = _behind_lamps(kind, parts, drawn, ways, mains) if kind.short and not late else {}
    known_good = None
    if kind.like_idle:
        other = {name: values * generator.uniform(*LIKE_IT, count) for name, values in parts.items()}
        other_ways = np.array([ramp(generator, by_hand=False).part for _ in range(count)]).T * volts
        known_good = simulate(batch(population, other, volts, hertz), other_ways, hertz)
    return Lot(kind, volts, watts, faulted, whole, press, parts, late, behind, known_good)


def _twins(
    kind: FaultKind,
    parts: Parts,
    drawn: Parts,
    ways: np.ndarray,
    mains: tuple[float, float],
    press: int | None,
    onset: int,
) -> tuple[np.ndarray, np.ndarray]:
    """Each unit with its fault, and without.

    As one batch where the fault can be none, since most of the time of a simulation is the step's, not the unit's.
    """
    volts, hertz = mains
    fault = FAULTS[kind.fault]
    if kind.none is None:
        faulted = simulate(
            batch(kind.population, parts, volts, hertz), ways, hertz, press, (onset, lambda u: fault.happens(u, drawn))
        )
        return faulted, simulate(batch(kind.population, parts, volts, hertz), ways, hertz, press)
    none = kind.none(parts)
    both = {name: np.concatenate((values, none[name])) for name, values in drawn.items()}
    units = batch(kind.population, {name: np.tile(values, 2) for name, values in parts.items()}, volts, hertz)
    seen = simulate(units, np.tile(ways, 2), hertz, press, (onset, lambda u: fault.happens(u, both)))
    return seen[:, :, : len(ways[0])], seen[:, :, len(ways[0]) :]


def _behind_lamps(
    kind: FaultKind, parts: Parts, drawn: Parts, ways: np.ndarray, mains: tuple[float, float]
) -> dict[float, Behind]:
    """The faulted units, a lamp in series with each, on the same ways; by the lamp's watts."""
    (volts, hertz), count, lamps = mains, len(ways[0]), len(LAMPS_W)
    units = batch(kind.population, {name: np.tile(values, lamps) for name, values in parts.items()}, volts, hertz)
    all_drawn = {name: np.tile(values, lamps) for name, values in drawn.items()}
    rated_w = np.repeat(LAMPS_W, count)
    series = SeriesLamp(lamp.LampParameters(0.0, rated_w, LAMP_CONDUCTED, LAMP_THERMAL_S, volts))
    units.front.add(series)
    ohms: list[np.ndarray] = []
    fault = (0, lambda which: FAULTS[kind.fault].happens(which, all_drawn))
    seen = simulate(
        units, np.tile(ways, lamps), hertz, None, fault, lambda window: ohms.append(np.asarray(series.now_ohm()))
    )
    lamp_w = np.array([np.broadcast_to(ohm, lamps * count) for ohm in ohms]) * seen[:, 1]
    behind = {}
    for place, watts in enumerate(LAMPS_W):
        own = slice(place * count, (place + 1) * count)
        behind[watts] = Behind(seen[:, 2, own] - lamp_w[:, own], lamp_w[:, own] / watts)
    return behind


def lots_of(kind: FaultKind, count: int) -> list[tuple[tuple[float, float], int, bool]]:
    """How so many units are shared out: mains, units, and whether the fault comes later."""
    late = round(LATE_SHARE * count / len(MAINS)) if kind.late else 0
    each = -(-count // len(MAINS))
    shares = [(mains, each - late, False) for mains in MAINS]
    return shares + ([(mains, late, True) for mains in MAINS] if late else [])
