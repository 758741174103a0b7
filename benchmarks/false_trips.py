"""Healthy ramps over all load classes: how often does the guard warn or trip where nothing is wrong.

    python benchmarks/false_trips.py [--count 2000] [--beyond 0.1] [--seed N] [--store FOLDER] [--note RUN]

Units as in `population`, on 100 V 50 Hz, 120 V 60 Hz and 230 V 50 Hz; each with a plan of its own (steps, dwell,
slew), a third of them as a hand turns a knob (jerks, stops, goes back a little), through meters of 0.1 % or 1 % with
noise, at 2 to 10 readings a second. All layers judge. The seed is the hash of the commit that froze the classes.
"""

from __future__ import annotations

from typing import Any

import numpy as np
from figures import write_run
from jobs import options_parser, results, seed_of, upper_bound
from population import POPULATIONS, Population, batch, specimens
from ramps import (
    MAINS,
    Metering,
    Ramp,
    Verdict,
    basis_of,
    judged,
    mains_by_hertz,
    pressed_window,
    ramp,
    readings_of,
    simulate,
)


def run(population: Population, hertz: float, each: int, seed: int, beyond: float) -> list[dict[str, Any]]:
    """So many ramps of one kind on each mains of that frequency: simulated together, judged one by one."""
    volts = np.repeat(mains_by_hertz()[hertz], each)
    generator = np.random.default_rng([seed, POPULATIONS.index(population), round(hertz)])
    watts, parts = specimens(population, len(volts), generator, beyond=beyond)
    ramps = [ramp(generator, by_hand=k % 3 == 0) for k in range(len(volts))]
    ways = np.array([r.part for r in ramps]).T * volts
    press = pressed_window(population.press_at, ways, volts)
    seen = simulate(batch(population, parts, volts, hertz), ways, hertz, press)
    found = []
    for k, way in enumerate(ramps):
        mains_v, nameplate_w = float(volts[k]), float(watts[k])
        taken = readings_of(seen[:, :, k], Metering(way.accuracy, way.every), mains_v, nameplate_w, generator)
        verdict = judged(basis_of(population.load_class, mains_v, nameplate_w), taken, press)
        found.append(_row(population, mains_v, way, verdict))
    return found


def _row(population: Population, volts: float, way: Ramp, verdict: Verdict) -> dict[str, Any]:
    trip = verdict.trip
    return {
        "kind": population.kind,
        "mains_v": volts,
        "by_hand": way.by_hand,
        "accuracy": way.accuracy,
        "trip": None if trip is None else [trip.time_s, trip.line_voltage_v, str(trip.layer), trip.reason],
        "warned": verdict.warned,
        "fit": verdict.fit,
        "first": verdict.causes[0][0],
    }


def _job(job: tuple[int, float, int, int, float]) -> list[dict[str, Any]]:
    which, hertz, each, seed, beyond = job
    return run(POPULATIONS[which], hertz, each, seed, beyond)


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = options_parser(str(__doc__), count=2000)
    parser.add_argument("--beyond", type=float, default=0.0)
    options = parser.parse_args()
    seed, commit = seed_of(options)
    each = -(-options.count // (len(POPULATIONS) * len(MAINS)))
    chosen = [p for p, population in enumerate(POPULATIONS) if options.kinds in population.kind]
    jobs = [(p, hertz, each, seed, options.beyond) for p in chosen for hertz in mains_by_hertz()]
    found = [row for some in results(_job, jobs, options.store) for row in some]
    trips, warned = [f for f in found if f["trip"]], [f for f in found if f["warned"] and not f["trip"]]
    rows = table(found, options.note or f"{100 * options.beyond:g} % beyond the ranges", commit)
    for row in rows:
        print(row)
    for item in (*trips, *warned):
        print(item["kind"], item["mains_v"], "hand" if item["by_hand"] else "plan", item["accuracy"], item["trip"])
        print("    ", item["warned"])
    if options.note:
        write_run("false_trips", "Healthy ramps: what the guard warned or tripped at", rows, seed=seed)


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
                    "no fault first": f"{100 * np.mean([item['first'] == 'no-fault' for item in some]):.1f} %",
                }
            )
    return rows


if __name__ == "__main__":
    main()
