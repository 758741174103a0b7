"""Healthy ramps over all load classes: how often does the guard warn or trip where nothing is wrong.

    python benchmarks/healthy_ramps.py [--count 2000] [--beyond 0.1] [--seed N] [--note RUN]

Units as in `population`, on 100 V 50 Hz, 120 V 60 Hz and 230 V 50 Hz; each with a plan of its own (steps, dwell,
slew), a third of them as a hand turns a knob (jerks, stops, goes back a little), through meters of 0.1 % or 1 % with
noise, at 2 to 10 readings a second. Layers 1 and 2 judge. The seed is the hash of the commit that froze the classes.
"""

from __future__ import annotations

import argparse
import json
import multiprocessing
import subprocess
import time
from collections import Counter
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from figures import RESULTS, write_result
from population import POPULATIONS, Population, batch, specimens
from scipy.stats import beta

from rampguard.engine.ceilings import limits_for
from rampguard.engine.expecting import Expecting
from rampguard.guard.decision import Observation, Severity
from rampguard.guard.judge import GuardState, judge, judge_band
from rampguard.loads.basis import Basis
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


def run(
    population: Population, mains: tuple[float, float], count: int, seed: int, beyond: float
) -> list[dict[str, Any]]:
    """So many ramps of one kind on one mains: simulated together, judged one by one."""
    volts, hertz = mains
    generator = np.random.default_rng([seed, POPULATIONS.index(population), round(volts)])
    watts, parts = specimens(population, count, generator, beyond=beyond)
    ramps = [ramp(generator, by_hand=k % 3 == 0) for k in range(count)]
    seen, pressed_at = _simulate(population, parts, ramps, volts, hertz)
    return [
        _judge(population, volts, float(watts[k]), ramps[k], seen[:, :, k], pressed_at[k], generator)
        for k in range(count)
    ]


def _simulate(
    population: Population, parts: Any, ramps: list[Ramp], volts: float, hertz: float
) -> tuple[np.ndarray, list[int | None]]:
    """Means of v^2, i^2 and v i in each window: shape (windows, 3, units); and the window of each press."""
    unit = batch(population, parts, volts, hertz)
    dt_s = 1.0 / (hertz * STEPS_A_CYCLE)
    sine = np.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(STEPS_A_CYCLE) / STEPS_A_CYCLE)
    cycles = round(WINDOW_S * hertz)
    ways = np.array([r.part for r in ramps]).T * volts
    press = population.press_at
    pressed_at: list[int | None] = [None] * len(ramps)
    if press is not None:
        # One button for the batch: every ramp is given the time to come to it.
        window = int(np.argmax(np.all(ways >= press * volts, axis=1)))
        pressed_at = [window] * len(ramps)
    seen = np.zeros((len(ways), 3, len(ramps)))
    for w, level in enumerate(ways):
        if pressed_at[0] == w:
            unit.press_power()
        before = ways[w - 1] if w else np.zeros_like(level)
        sums = np.zeros((3, len(ramps)))
        for cycle in range(cycles):
            now = before + (level - before) * min(1.0, (cycle + 1) / cycles)  # slews within the window
            for wave in sine:
                source = now * wave
                line_a = unit.step(source, dt_s)
                line_v = source - line_a * unit.supply_ohm
                sums += (line_v * line_v, line_a * line_a, line_v * line_a)
        seen[w] = sums / (cycles * STEPS_A_CYCLE)
    return seen, pressed_at


def _judge(
    population: Population,
    volts: float,
    watts: float,
    way: Ramp,
    seen: np.ndarray,
    pressed_at: int | None,
    generator: np.random.Generator,
) -> dict[str, Any]:
    limits = limits_for(
        load_class(population.load_class),
        nameplate_w=watts,
        nameplate_v=volts,
        signals=(LINE_VOLTAGE, LINE_CURRENT, REAL_POWER),
        driven=False,
    )
    expecting = Expecting(Basis(load_class=population.load_class, nameplate_v=volts, nameplate_w=watts))
    gains = 1.0 + way.accuracy * generator.uniform(-0.7, 0.7, 3)
    full = (1.2 * volts, 3.0 * watts / volts, 3.0 * watts)
    state, warned, event, fit = GuardState(), Counter[str](), "", 0.0
    for w in range(len(seen)):
        if pressed_at == w:
            event = "power-pressed"
        if w % way.every:
            continue
        true = (np.sqrt(seen[w, 0]), np.sqrt(seen[w, 1]), seen[w, 2])
        noise = generator.normal(0.0, 0.1 * way.accuracy, 3)
        readings = []
        for signal, value, gain, span, jitter in zip(
            (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER), true, gains, full, noise, strict=True
        ):
            read = float(value * gain + jitter * 0.05 * span)
            bound = way.accuracy * (abs(read) + 0.05 * span)
            readings.append(Reading(signal, read, w * WINDOW_S, w * WINDOW_S, bound=bound))
        seen_now = Observation(w * WINDOW_S, tuple(readings), None, event)
        event = ""
        state, decision = judge(state, limits, seen_now)
        if decision.trip is None:
            expectation = expecting.expect(seen_now)
            if expectation is not None:
                fit = min(fit, expectation.fit)
                state, decision = judge_band(state, decision, limits, seen_now, expectation)
        if decision.severity is Severity.WARN:
            warned[decision.reason[:60]] += 1
        if decision.trip is not None:
            break
    trip = state.trip
    return {
        "kind": population.kind,
        "mains_v": volts,
        "by_hand": way.by_hand,
        "accuracy": way.accuracy,
        "trip": None if trip is None else [trip.time_s, trip.line_voltage_v, str(trip.layer), trip.reason],
        "warned": dict(warned),
        "fit": fit,
    }


def _job(job: tuple[int, int, int, int, float]) -> list[dict[str, Any]]:
    which, mains, count, seed, beyond = job
    return run(POPULATIONS[which], MAINS[mains], count, seed, beyond)


def upper_bound(events: int, of: int) -> float:
    """The one-sided 95 % upper bound on a rate (Clopper and Pearson 1934, by scipy's beta distribution)."""
    return 1.0 if events >= of else float(beta.ppf(0.95, events + 1, of - events))


def frozen_seed() -> tuple[int, str]:
    """The seed of the newest commit that touched the load models: the one that froze them."""
    asked = ["git", "log", "-1", "--format=%H", "--", "src/rampguard/loads"]
    commit = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()
    return int(commit[:8], 16), commit[:12]


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = argparse.ArgumentParser(description=__doc__, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--count", type=int, default=2000)
    parser.add_argument("--beyond", type=float, default=0.0)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--kinds", default="", help="only kinds with this in their name")
    parser.add_argument("--note", default="", help="keep the figures under this name of a run")
    options = parser.parse_args()
    seed, commit = frozen_seed() if options.seed is None else (options.seed, "none")
    each = -(-options.count // (len(POPULATIONS) * len(MAINS)))
    chosen = [p for p, population in enumerate(POPULATIONS) if options.kinds in population.kind]
    jobs = [(p, m, each, seed, options.beyond) for p in chosen for m in range(len(MAINS))]
    begun_s, found = time.monotonic(), []
    with multiprocessing.Pool(2) as pool:
        for some in pool.imap_unordered(_job, jobs):
            found += some
            print(f"{len(found)} ramps, {time.monotonic() - begun_s:.0f} s", end="\r", flush=True)
    print()
    trips, warned = [f for f in found if f["trip"]], [f for f in found if f["warned"] and not f["trip"]]
    rows = table(found, options.note or f"{100 * options.beyond:g} % beyond the ranges", commit)
    for row in rows:
        print(row)
    for item in (*trips, *warned):
        print(item["kind"], item["mains_v"], "hand" if item["by_hand"] else "plan", item["accuracy"], item["trip"])
        print("    ", item["warned"])
    if options.note:
        before = RESULTS / "healthy_ramps.json"
        kept = json.loads(before.read_text(encoding="utf-8"))["rows"] if before.exists() else []
        kept = [row for row in kept if row["run"] != options.note]
        write_result("healthy_ramps", "Healthy ramps: what the guard warned or tripped at", kept + rows, seed=seed)


def table(found: list[dict[str, Any]], run_name: str, commit: str) -> list[dict[str, Any]]:
    """A row for each kind of unit in which something was told, and one for all."""
    rows = []
    for kind in (*dict.fromkeys(item["kind"] for item in found), None):
        some = [item for item in found if kind in (None, item["kind"])]
        tripped = sum(item["trip"] is not None for item in some)
        warned = sum(bool(item["warned"]) and item["trip"] is None for item in some)
        if kind is None or tripped or warned:
            rows.append(
                {
                    "run": run_name,
                    "classes as of": commit,
                    "kind": kind or "all",
                    "ramps": len(some),
                    "tripped": tripped,
                    "at most (95 %)": f"{100 * upper_bound(tripped, len(some)):.2f} %",
                    "warned": warned,
                    "at most (95 %) ": f"{100 * upper_bound(warned, len(some)):.2f} %",
                }
            )
    return rows


if __name__ == "__main__":
    main()
