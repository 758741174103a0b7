"""Random ways to full line, units simulated along them, and the guard's judgement of what meters would have read.

Shared by `false_trips` and `fault_energy`. Volts rms, watts, seconds.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from instruments.simulated.unit import Unit
from rampguard.engine.ceilings import limits_for
from rampguard.engine.expecting import Expecting, Sights
from rampguard.guard.decision import Observation, Severity, Trip
from rampguard.guard.evidence import EvidenceMemory, ranked
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.loads.basis import Basis, narrowed_by_known_good
from rampguard.loads.classes import load_class
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading

MAINS: Final = ((100.0, 50.0), (120.0, 60.0), (230.0, 50.0))
STEPS_A_CYCLE: Final = 128
WINDOW_S: Final = 0.1
RAMP_S: Final = 70.0
HOLD_S: Final = 10.0


@dataclass(frozen=True)
class Ramp:
    """One unit's way: line voltage, as a part of mains, in each window of 0.1 s; and how it is metered."""

    part: np.ndarray
    by_hand: bool
    accuracy: float
    every: int
    """One reading in so many windows."""


def ramp(generator: np.random.Generator, *, by_hand: bool) -> Ramp:
    """A random way to full line, and a hold there."""
    windows = round((RAMP_S + HOLD_S) / WINDOW_S)
    part, at, k = np.zeros(windows), 0.0, 0
    steps = int(generator.integers(5, 25))
    levels = np.sort(generator.uniform(0.03, 1.0, steps))
    levels[-1] = 1.0
    dwell_s = generator.dirichlet(np.ones(steps)) * RAMP_S * generator.uniform(0.1, 0.5)
    climb_s = max(10.0, RAMP_S - dwell_s.sum() - 2.0) * (0.6 if by_hand else 1.0)
    slew = max(1.0 / climb_s, 0.015)  # parts of mains a second
    for level, hold_s in zip(levels, dwell_s, strict=True):
        while at < level - 1e-9 and k < windows:
            speed = slew * (generator.choice([0.0, 0.5, 1.0, 3.0], p=[0.3, 0.3, 0.25, 0.15]) if by_hand else 1.0)
            if by_hand and generator.random() < 0.03:
                speed = -2.0 * slew  # goes back a little
            at = float(np.clip(at + speed * WINDOW_S, 0.0, level))
            part[k] = at
            k += 1
        for _ in range(round(hold_s / WINDOW_S)):
            if k < windows:
                part[k] = at
                k += 1
    part[k:] = at
    return Ramp(part, by_hand, float(generator.choice([0.001, 0.01])), int(generator.choice([1, 2, 5])))


def mains_by_hertz() -> dict[float, np.ndarray]:
    """Mains voltages by frequency. Units of one frequency are simulated together: most of the time is the step's."""
    hertz = dict.fromkeys(of for _, of in MAINS)
    return {of: np.array([volts for volts, its in MAINS if its == of]) for of in hertz}


def pressed_window(press_at: float | None, ways: np.ndarray, volts: np.ndarray) -> int | None:
    """Where the power button is pressed, if there is one: one for the batch, so that every ramp has come to it."""
    return None if press_at is None else int(np.argmax(np.all(ways >= press_at * volts, axis=1)))


def simulate(
    unit: Unit,
    ways: np.ndarray,
    hertz: float,
    press_at: int | None = None,
    events: Mapping[int, Callable[[Unit], None]] | None = None,
    each_window: Callable[[int], None] = lambda window: None,
) -> np.ndarray:
    """Means of v^2, i^2 and v i in each window of 0.1 s: shape (windows, 3, units).

    ``ways`` is the line in each window, V rms, shape (windows, units); power is pressed in the window ``press_at``;
    ``events`` are what happens in some windows. ``each_window`` is called at the end of each.
    """
    dt_s = 1.0 / (hertz * STEPS_A_CYCLE)
    sine = np.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(STEPS_A_CYCLE) / STEPS_A_CYCLE)
    cycles = round(WINDOW_S * hertz)
    seen = np.zeros((len(ways), 3, ways.shape[1]))
    for w, level in enumerate(ways):
        if press_at == w:
            unit.press_power()
        if events is not None and w in events:
            events[w](unit)
        before = ways[w - 1] if w else np.zeros_like(level)
        sums = np.zeros((3, ways.shape[1]))
        for cycle in range(cycles):
            now = before + (level - before) * min(1.0, (cycle + 1) / cycles)  # slews within the window
            for wave in sine:
                source = now * wave
                line_a = unit.step(source, dt_s)
                line_v = source - line_a * unit.supply_ohm
                sums += (line_v * line_v, line_a * line_a, line_v * line_a)
        seen[w] = sums / (cycles * STEPS_A_CYCLE)
        each_window(w)
    return seen


@dataclass(frozen=True)
class Metering:
    """How a unit is metered."""

    accuracy: float
    every: int
    """One reading in so many windows."""
    with_power: bool = True


@dataclass
class Verdict:
    """What the guard made of one ramp."""

    trip: Trip | None
    warned: dict[str, int]
    fit: float
    causes: tuple[tuple[str, float], ...]
    """Ranked at the trip, or at the end."""
    evidence: EvidenceMemory = field(default_factory=EvidenceMemory)
    """What they are ranked by."""


def readings_of(
    seen: np.ndarray, metering: Metering, volts: float, watts: float, generator: np.random.Generator
) -> list[tuple[int, tuple[Reading, ...]]]:
    """What the meters read in the windows at which they are read; ``seen`` of one unit, shape (windows, 3)."""
    gains = 1.0 + metering.accuracy * generator.uniform(-0.7, 0.7, 3)
    full = (1.2 * volts, 3.0 * watts / volts, 3.0 * watts)
    signals = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER)
    taken = []
    for w in range(0, len(seen), metering.every):
        true = (np.sqrt(seen[w, 0]), np.sqrt(seen[w, 1]), seen[w, 2])
        noise = generator.normal(0.0, 0.1 * metering.accuracy, 3)
        readings = []
        for signal, value, gain, span, jitter in zip(signals, true, gains, full, noise, strict=True):
            read = float(value * gain + jitter * 0.05 * span)
            bound = metering.accuracy * (abs(read) + 0.05 * span)
            if metering.with_power or signal is not REAL_POWER:
                readings.append(Reading(signal, read, w * WINDOW_S, w * WINDOW_S, bound=bound))
        taken.append((w, tuple(readings)))
    return taken


def basis_of(
    class_name: str, volts: float, watts: float, known_good: list[tuple[int, tuple[Reading, ...]]] | None = None
) -> Basis:
    """What is known of the unit: class and nameplate; and how another one of its model drew."""
    basis = Basis(load_class=class_name, nameplate_v=volts, nameplate_w=watts)
    if known_good is None:
        return basis
    sights = Sights()
    drawn = [sights.of(Observation(w * WINDOW_S, readings, None)) for w, readings in known_good]
    return replace(basis, narrowed=narrowed_by_known_good(basis, [seen.sight for seen in drawn if seen is not None]))


def judged(
    basis: Basis,
    taken: list[tuple[int, tuple[Reading, ...]]],
    pressed_at: int | None = None,
    *,
    line_gap_s: float = 0.0,
) -> Verdict:
    """The guard, all its layers, over one ramp's readings; ``line_gap_s`` as in `limits_for`."""
    signals = [reading.signal for reading in taken[0][1]]
    limits = limits_for(
        load_class(basis.load_class),
        nameplate_w=basis.nameplate_w,
        nameplate_v=basis.nameplate_v,
        signals=signals,
        driven=False,
        line_gap_s=line_gap_s,
    )
    expecting, sights = Expecting(basis), Sights()
    state, warned, fit, last = GuardState(), Counter[str](), 0.0, -1
    for w, readings in taken:
        pressed = pressed_at is not None and last < pressed_at <= w
        last = w
        seen_now = Observation(w * WINDOW_S, readings, None, "power-pressed" if pressed else "")
        state, decision = judge(state, limits, seen_now)
        now = sights.of(seen_now)
        if now is not None:
            expectation = expecting.expect(now)
            fit = min(fit, expectation.fit)
            state, decision = judge_expected(state, decision, limits, now.observation, expectation)
        if decision.severity is Severity.WARN:
            warned[decision.reason[:60]] += 1
        if decision.trip is not None:
            break
    return Verdict(state.trip, dict(warned), fit, ranked(state.evidence, state.trip), state.evidence)
