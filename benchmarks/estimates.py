"""What healthy ramps say about their units: by how much estimates are off, and how often 95 % intervals hold.

    python benchmarks/estimates.py [--count 500] [--seed N] [--kinds KIND] [--store FOLDER] [--spreads] [--note RUN]

Amplifiers and receivers as in `estimate_cases`, half of each with a soft start, ramps and meters as in `ramps`; a rail
meter of 0.5 % reads both rails at the end. An answer counts as told where the command would tell it. The spreads that
the estimates state were learnt on another seed (``--seed 203 --spreads``: answers without any), the models' error by
trials on simulated amplifiers of a third (101); nothing on this script's own.
"""

from __future__ import annotations

import pickle
from collections.abc import Iterable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import Any, Final

import numpy as np
from calibration import interval
from estimate_cases import Case, cases
from figures import noted_parser, write_run
from ramps import WINDOW_S, Metering, readings_of

from rampguard.engine.expecting import Sights
from rampguard.estimates.estimate import Estimates, RailRead, answered
from rampguard.estimates.moments import Moment, moments_of
from rampguard.estimates.sampled import Posterior, posterior
from rampguard.estimates.sought import SPREADS, Unit
from rampguard.guard.decision import POWER_PRESSED, Observation
from rampguard.loads.following import Sight

RAIL_METER: Final = 0.005
SEED: Final = 20261201
ORDER: Final = (
    *("idle_w", "output_stages_w", "energy_j", "reservoir_uf", "source_ohm", "rail_v", "core_loss_w"),
    *("magnetising_a", "soft_start_ohm"),
)


def sights_of(case: Case, generator: np.random.Generator) -> list[Sight]:
    """What the meters read of one case, as the load models see it."""
    metering = Metering(case.way.accuracy, case.way.every)
    taken = readings_of(case.seen, metering, case.mains_v, case.watts, generator)
    sights, found, last = Sights(), [], -1
    for window, readings in taken:
        pressed = case.press is not None and last < case.press <= window
        last = window
        seen = sights.of(Observation(window * WINDOW_S, readings, None, POWER_PRESSED if pressed else ""))
        found += [] if seen is None else [seen.sight]
    return found


def estimated(
    case: Case, seed: int, number: int, store: Path | None, stated: Mapping[str, Mapping[str, float]]
) -> dict[str, Any]:
    """One case's answers beside what is true; the rails both by their diodes and by a meter."""
    generator = np.random.default_rng([seed, number, 7])
    unit = Unit(case.load_class, case.mains_v, case.watts)
    rails = [
        RailRead(volts * (1.0 + 0.7 * RAIL_METER * generator.uniform(-1.0, 1.0)), RAIL_METER * volts)
        for volts in case.rails_v
    ]
    moments = moments_of(sights_of(case, generator), nameplate_v=case.mains_v, nameplate_w=case.watts)
    found = _posterior(case, moments, seed, number, store)
    return _row(case, answered(unit, moments, found, rails, by_diodes=True, spreads=stated))


def _posterior(case: Case, moments: list[Moment], seed: int, number: int, store: Path | None) -> Posterior:
    """One case's; kept in ``store``, of one state of the code."""
    if store is None:
        return posterior(case.load_class, moments)
    file = store / f"posterior-{seed}-{number}.pickle"
    if not file.exists():
        partly = file.with_suffix(".part")
        partly.write_bytes(pickle.dumps(posterior(case.load_class, moments)))
        partly.rename(file)
    found: Posterior = pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself
    return found


def _row(case: Case, found: Estimates) -> dict[str, Any]:
    return {
        "class": case.load_class,
        "by_hand": case.way.by_hand,
        "accuracy": case.way.accuracy,
        "every": case.way.every,
        "misfit": found.misfit,
        "soft": found.soft_start,
        "has_soft": case.true["soft_start_ohm"] > 0.0,
        "answers": {answer.name: asdict(answer) for answer in found.answers if not answer.measured},
        "true": dict(case.true),
    }


def all_rows(
    count: int, seed: int, store: Path | None, kinds: str, stated: Mapping[str, Mapping[str, float]]
) -> Iterable[dict[str, Any]]:
    """Of all cases; posteriors are kept as it goes, so that a run that was cut short goes on."""
    number = 0
    for some in cases(count, seed, store, kinds):
        for case in some:
            number += 1
            if number % 20 == 0:
                print(f"{number} done", flush=True)
            yield estimated(case, seed, number, store, stated)


def table(rows: list[dict[str, Any]], run_name: str) -> list[dict[str, Any]]:
    """A row for each quantity and class."""
    found = []
    for load_class in dict.fromkeys(row["class"] for row in rows):
        for name in ORDER:
            some = [row for row in rows if row["class"] == load_class and row["true"][name] > 0.0]
            given = [(row["answers"][name], row["true"][name]) for row in some if name in row["answers"]]
            if given:
                found.append(_figures(run_name, load_class, name, len(some), given))
    return found


def _figures(
    run_name: str, load_class: str, name: str, units: int, given: list[tuple[dict[str, Any], float]]
) -> dict[str, Any]:
    told = [(answer, true) for answer, true in given if answer["told"]]
    off = np.array([np.log(answer["estimate"] / true) for answer, true in told])
    return {
        "run": run_name,
        "class": load_class,
        "quantity": name,
        "units": units,
        "told": len(told),
        "off, median": f"{100.0 * np.median(np.abs(off)):.1f} %" if told else "",
        "off, mean": f"{100.0 * np.mean(off):+.1f} %" if told else "",
        "interval, median": f"x/ {np.median([(a['high'] / a['low']) ** 0.5 for a, _ in told]):.2f}" if told else "",
        "holds, told": _rate(told),
        "holds, all": _rate(given),
    }


def _rate(given: list[tuple[dict[str, Any], float]]) -> str:
    if not given:
        return ""
    holds = sum(answer["low"] <= true <= answer["high"] for answer, true in given)
    low, high = interval(holds, len(given))
    return f"{100.0 * holds / len(given):.1f} % ({100.0 * low:.1f} to {100.0 * high:.1f})"


def soft_starts(rows: list[dict[str, Any]], run_name: str) -> list[dict[str, Any]]:
    """Soft starts seen, missed, and invented; amplifiers alone."""
    some = [row for row in rows if row["soft"] is not None]
    found = []
    for has in (True, False):
        those = [row["soft"] for row in some if row["has_soft"] is has]
        found.append(
            {
                "run": run_name,
                "soft start": "there" if has else "none",
                "units": len(those),
                "said to be there": sum(p > 0.95 for p in those),
                "not told": sum(0.05 <= p <= 0.95 for p in those),
                "said not to be": sum(p < 0.05 for p in those),
            }
        )
    return found


def spreads(rows: list[dict[str, Any]]) -> dict[str, float]:
    """For each quantity the least spread that these intervals lack for 95 % of them to hold.

    An interval is taken as lognormal: wider by more spread as the squares of the two add.
    """
    found = {}
    for name in ORDER:
        given = [(row["answers"][name], row["true"][name]) for row in rows if name in row["answers"]]
        given = [(answer, true) for answer, true in given if true > 0.0]
        lacks = sorted(_lacks(answer, true) for answer, true in given)
        found[name] = lacks[int(np.ceil(0.95 * len(lacks))) - 1] if lacks else 0.0
    return found


def _lacks(answer: dict[str, Any], true: float) -> float:
    """The spread that one interval lacks to hold what is true; 0 where it does."""
    middle, edge = np.log(answer["estimate"]), np.log(answer["high"] if true > answer["estimate"] else answer["low"])
    beyond = (np.log(true) - middle) ** 2 - (edge - middle) ** 2
    return float(np.sqrt(max(beyond, 0.0)) / 1.96)


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=500)
    parser.add_argument("--seed", type=int, default=SEED)
    parser.add_argument("--store", type=Path, help="keep what is done in this folder, and go on from there")
    parser.add_argument("--kinds", default="", help="only kinds with this in their name")
    parser.add_argument("--spreads", action="store_true", help="learn: what spread each quantity's interval lacks")
    options = parser.parse_args()
    stated = {} if options.spreads else SPREADS
    rows = list(all_rows(options.count, options.seed, options.store, options.kinds, stated))
    run_name = options.note or "unnamed"
    figures, soft = table(rows, run_name), soft_starts(rows, run_name)
    misfits = np.quantile([row["misfit"] for row in rows], [0.5, 0.95, 1.0])
    for row in (*figures, *soft):
        print(row)
    print("misfit: median, 95 %, largest", np.round(misfits, 2))
    if options.spreads:
        for load_class in dict.fromkeys(row["class"] for row in rows):
            some = [row for row in rows if row["class"] == load_class]
            print(load_class, {name: round(value, 3) for name, value in spreads(some).items()})
    if options.note:
        write_run(
            "estimates", "Estimates from healthy ramps: off by, and intervals that hold", figures, seed=options.seed
        )
        write_run(
            "estimates_soft_start", "Soft starts told from healthy ramps", soft, seed=options.seed, script="estimates"
        )


if __name__ == "__main__":
    main()
