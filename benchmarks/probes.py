"""Probes at a few volts: which shorts are named before the ramp, and how many whole units are called shorted.

    python benchmarks/probes.py [--count 300] [--seed N] [--note RUN]

Simulated units in the time domain, each a specimen of its own, taken through the set-points of `rampguard probe`.
Half are whole, half shorted: 0.2 to 3 % of a winding's turns (even in the logarithm), or a converter switch. Meters
differ in smallest range, in accuracy, and in whether their power range is of any use; gain and offset are drawn within
what is stated, noise and last digit come on top. The simulated core has one inductance at all fluxes, a plain
resistance for its loss, and no leakage or capacitance of windings: what real cores do at low flux is in the judge's
ranges alone.
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator
from dataclasses import dataclass, replace
from typing import Any, Final

import numpy as np
from figures import noted_parser, write_run
from jobs import upper_bound

from instruments.simulated.units import make_unit
from instruments.simulated.world import WINDOW_S, World
from rampguard.probe.live import READ_S, SETTLE_S
from rampguard.probe.plan import Ask, ProbePlan, plan_for
from rampguard.probe.verdict import WEAK_BELOW, Plate, Point, Verdict, judge

SEED: Final = 43
MAINS: Final = (230.0, 50.0)
TURNS: Final = (0.002, 0.03)
"""Part of the primary's turns that is shorted."""
STILL_S: Final = 5.0
"""How long reservoirs and core come to rest."""
SOURCE_HZ: Final = (40.0, 500.0)
FAMILIES: Final = ((0.1, 1.0, 10.0), (0.2, 2.0, 20.0), (0.5, 5.0), (1.0, 5.0, 20.0))
"""Ammeter ranges of power meters, A."""
GROUPS: Final = (
    ("transformer", "transformer", "", 4),
    ("amplifier, split rails", "healthy-amplifier", "", 2),
    ("amplifier, single rail", "single-rail-amplifier", "", 2),
    ("receiver", "healthy-receiver", "", 2),
    ("switch-mode unit", "healthy-switch-mode", "", 2),
    ("transformer", "transformer", "shorted turns", 4),
    ("amplifier, split rails", "healthy-amplifier", "shorted turns", 2),
    ("amplifier, single rail", "single-rail-amplifier", "shorted turns", 2),
    ("receiver, of its standby transformer", "healthy-receiver", "shorted turns", 2),
    ("switch-mode unit", "shorted-switch", "shorted switch", 2),
)
"""What it is called, the simulated unit, what is wrong with it, and its share of the count, of 24."""


@dataclass(frozen=True)
class Meter:
    """One power meter: bounds as parts of reading and of range, and the errors that this one has within them."""

    full_a: float
    full_w: float
    of_reading: float
    of_range: float
    gains: tuple[float, float, float]
    offsets: tuple[float, float, float]

    @classmethod
    def drawn(cls, generator: np.random.Generator, ceiling_a: float) -> Meter:
        """One that holds the ceiling on current."""
        ranges = FAMILIES[generator.integers(len(FAMILIES))]
        full_a = next(full for full in ranges if full >= ceiling_a)
        full_w = 1500.0 if generator.random() < 0.5 else 150.0 * full_a
        of_reading, of_range = generator.uniform(0.0005, 0.002), generator.uniform(0.0003, 0.001)
        gains, offsets = generator.uniform(-1.0, 1.0, (2, 3))
        return cls(full_a, full_w, of_reading, of_range, tuple(gains * of_reading), tuple(offsets * of_range))

    def read(self, true: np.ndarray, hertz: float, generator: np.random.Generator) -> Point:
        """The mean of readings of volts, amperes and watts, shape (readings, 3)."""
        fulls = np.array([150.0, self.full_a, self.full_w])
        noisy = true * (1.0 + np.array(self.gains)) + fulls * np.array(self.offsets)
        noisy = noisy + generator.normal(0.0, 3e-5, true.shape) * fulls
        v, a, w = (float(x) for x in np.mean(np.round(noisy / (fulls * 1e-5)) * fulls * 1e-5, axis=0))
        bounds = [
            abs(x) * self.of_reading + full * (self.of_range + 5e-6) for x, full in zip((v, a, w), fulls, strict=True)
        ]
        weak = abs(a) < WEAK_BELOW * self.full_a
        return Point(
            frequency_hz=hertz,
            volts=v,
            amperes=abs(a),
            watts=w,
            bound_v=bounds[0],
            bound_a=bounds[1],
            bound_w=bounds[2],
            weak=weak,
        )


def probed(
    world: World, plan: ProbePlan, meter: Meter, generator: np.random.Generator
) -> tuple[list[Point], float, str]:
    """One probe: its points, the energy that the unit got, J, and what ended it early."""
    world.set_contactor(closed=True)
    world.set_output(on=True)
    points: list[Point] = []
    joules = 0.0

    def windows(ask: Ask, seconds: float) -> Iterator[tuple[float, float, float]]:
        for _ in range(round(seconds / WINDOW_S)):
            world.advance(WINDOW_S)
            line = world.window.line
            yield line.voltage_v, line.current_a, line.real_power_w

    for ask in plan.asks:
        world.set_frequency(ask.frequency_hz)
        world.set_voltage(ask.volts)
        true = []
        for row in windows(ask, SETTLE_S + (STILL_S if ask.settles else 0.0) + READ_S):
            true.append(row)
            joules += row[2] * WINDOW_S
            if row[1] > plan.ceiling_a:
                points.append(meter.read(np.array(true[-1:]), ask.frequency_hz, generator))
                return points, joules, f"{row[1]:.3g} A"
        point = meter.read(np.array(true[-round(READ_S / WINDOW_S) :]), ask.frequency_hz, generator)
        points.append(replace(point, passing=ask.passing))
    return points, joules, ""


@dataclass(frozen=True)
class Outcome:
    """What one probe came to. ``turns``: part of the turns that were shorted; 0: none."""

    verdict: Verdict
    joules: float
    turns: float
    heat_w: float
    """What they would turn into heat at full line."""


def one(unit_name: str, fault: str, seed: int, generator: np.random.Generator) -> Outcome:
    """One unit, probed and judged."""
    unit = make_unit(unit_name, seed, *MAINS)
    turns = heat_w = 0.0
    if fault == "shorted turns":
        turns = TURNS[0] * math.exp(generator.random() * math.log(TURNS[1] / TURNS[0]))
        shorted: Any = unit
        transformer = shorted.standby if unit_name.endswith("receiver") else shorted.transformer
        transformer.shorted_s = turns / transformer.primary_ohm
        heat_w = MAINS[0] ** 2 * transformer.shorted_s
    plate = Plate(unit.nameplate.load_class, MAINS[0], unit.nameplate.nameplate_w, MAINS[1])
    plan = plan_for(plate, SOURCE_HZ)
    meter = Meter.drawn(generator, plan.ceiling_a)
    points, joules, too_much = probed(World(unit, *MAINS), plan, meter, generator)
    return Outcome(judge(points, plate, too_much), joules, turns, heat_w)


def row_of(run: str, title: str, fault: str, found: list[Outcome]) -> dict[str, Any]:
    """A row of the table."""
    short = [o for o in found if o.verdict.outcome == "short"]
    named = [o for o in short if _is_named(o.verdict, fault)]
    seen_none = sum(o.verdict.outcome == "no-short-seen" for o in found)
    row: dict[str, Any] = {
        "run": run,
        "units": title,
        "fault": fault or "none",
        "count": len(found),
        "called shorted": len(short),
        "cause named": len(named) if fault else "",
        "cannot tell": len(found) - len(short) - seen_none,
        "no short seen": seen_none,
        "most energy, J": f"{max(o.joules for o in found):.2g}",
    }
    if not fault:
        row["called shorted at most (95 %)"] = f"{100 * upper_bound(len(short), len(found)):.1f} %"
    if fault == "shorted turns":
        small = [o for o in found if o.turns < 0.006]
        row["called, of those below 0.6 %"] = f"{sum(o in short for o in small)} of {len(small)}"
        row["heat beyond what was shut out"] = sum(
            o.verdict.shut_out_w is not None and o.heat_w > o.verdict.shut_out_w for o in found
        )
    return row


def _is_named(verdict: Verdict, fault: str) -> bool:
    wanted = {"shorted turns": "shorted-winding-turns", "shorted switch": "converter-switch-short"}.get(fault)
    return bool(verdict.probabilities) and verdict.likeliest.value == wanted


def table(count: int, seed: int, run: str) -> list[dict[str, Any]]:
    """A row for each group."""
    rows = []
    for number, (title, unit_name, fault, share) in enumerate(GROUPS):
        generator = np.random.default_rng([seed, number])
        of_group = max(1, round(count * share / 24))
        found = [one(unit_name, fault, 1000 * number + k, generator) for k in range(of_group)]
        rows.append(row_of(run, title, fault, found))
        print(json.dumps(rows[-1]), flush=True)
    return rows


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=SEED)
    options = parser.parse_args()
    rows = table(options.count, options.seed, options.note or "unnamed")
    if options.note:
        write_run("probes", "Probes at a few volts: shorts named before the ramp", rows, seed=options.seed)


if __name__ == "__main__":
    main()
