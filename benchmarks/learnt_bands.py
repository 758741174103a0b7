"""Bands learnt from 1, 3, 10 and 30 good captures of a model: what they catch earlier, and what they trip falsely at.

    python benchmarks/learnt_bands.py [--count 500] [--each 20] [--judged N] [--judged-each N] [--kinds MODEL]
        [--seed N] [--store FOLDER] [--note RUN]

Units of a model as in `model_population`. Thirty good ones are captured (0.1 % meters, 10 readings a second, as a plan
goes) and learnt from, as `rampguard learn` does it: one by one, by three, by ten, all together. Every band of so many
units has its turn: the k-th fresh unit meets the k-th of them, beginning again after the last.

Fresh units: ``--count`` whole ones (``--judged`` of them), a third as a hand turns a knob, meters of 0.1 % or 1 %, one
in four at 10 readings a second, the others at 2. Faulted ones: ``--each`` of every fault (``--judged-each``), 0.1 %
meters, 10 readings a second, judged by the class alone as well. All layers judge. One process.
"""

from __future__ import annotations

import argparse
import json
import pickle
import tempfile
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace
from itertools import zip_longest
from pathlib import Path
from typing import Any, Final

import numpy as np
from figures import write_run
from jobs import options_parser, results, seed_of, upper_bound
from model_population import MODELS, VOLTS, Brought, faulted_units, faults_of, whole_units
from ramps import WINDOW_S, Metering, basis_of, judged, readings_of

from rampguard.engine.expecting import Sights
from rampguard.guard.decision import Observation
from rampguard.loads.basis import Basis, Shown, shown_by
from rampguard.loads.learnt import learnt_spans

LEARNT_FROM: Final = (1, 3, 10, 30)
CLASS_ALONE: Final = 0
GOOD: Final = 30
FINE: Final = Metering(0.001, 1)
TOGETHER: Final = 10
FAULTED_TOGETHER: Final = 5
"""Units a job."""
ShownByUnit = Mapping[str, Shown]


@dataclass(frozen=True)
class Outcome:
    """One unit under one band."""

    model: str
    fault: str
    unit: int
    learnt_from: int
    """So many units; 0: the class alone."""
    accuracy: float
    trip: tuple[str, str] | None
    """Layer and reason."""
    warned: bool
    line: float
    """At the trip, or at the end; part of mains."""
    energy_j: float
    """Into the unit by then."""


def learnt_from(brought: Brought, first: int, last: int, seed: int) -> list[ShownByUnit]:
    """What good units showed, by number."""
    basis = basis_of(brought.load_class, VOLTS, brought.watts)
    found = []
    for k in range(first, last):
        taken = readings_of(brought.seen[:, :, k], FINE, VOLTS, brought.watts, np.random.default_rng([seed, 7, k]))
        sights, seen = Sights(), []
        last_w = -1
        for w, readings in taken:
            pressed = brought.pressed_at is not None and last_w < brought.pressed_at <= w
            seen.append(sights.of(Observation(w * WINDOW_S, readings, None, "power-pressed" if pressed else "")))
            last_w = w
        found.append(shown_by(basis, [one.sight for one in seen if one is not None]))
    return found


def band_for(basis: Basis, shown: Sequence[ShownByUnit], units: int, k: int) -> Basis:
    """The basis that the k-th fresh unit meets."""
    if units == CLASS_ALONE:
        return basis
    first = units * (k % (len(shown) // units))
    return replace(basis, narrowed=learnt_spans(basis.ranges(), shown[first : first + units]))


def outcome(
    model: str, brought: Brought, k: int, number: int, shown: Sequence[ShownByUnit], units: int, seed: int
) -> Outcome:
    """The unit at place ``k``, the ``number``-th fresh one, under a band of so many units."""
    generator = np.random.default_rng([seed, 8, k])
    metering = FINE
    if not brought.faults[k]:
        metering = Metering(float(generator.choice([0.001, 0.01])), 1 if number % 4 == 0 else 5)
    seen = brought.seen[:, :, k]
    taken = readings_of(seen, metering, VOLTS, brought.watts, generator)
    basis = band_for(basis_of(brought.load_class, VOLTS, brought.watts), shown, units, number)
    verdict = judged(basis, taken, brought.pressed_at)
    end = len(seen) - 1 if verdict.trip is None else round(verdict.trip.time_s / WINDOW_S)
    return Outcome(
        model=model,
        fault=brought.faults[k],
        unit=k,
        learnt_from=units,
        accuracy=metering.accuracy,
        trip=None if verdict.trip is None else (str(verdict.trip.layer), verdict.trip.reason),
        warned=bool(verdict.warned),
        line=float(np.sqrt(seen[end, 0])) / VOLTS,
        energy_j=float(np.sum(np.maximum(seen[: end + 1, 2], 0.0)) * WINDOW_S),
    )


def _brought_job(job: tuple[str, int, int, int, Path]) -> list[str]:
    """Units simulated and left in a file: whole ones (group -1), or those of a group of faults."""
    model, group, count, seed, folder = job
    brought = whole_units(model, GOOD, count, seed) if group < 0 else faulted_units(model, group, count, seed)
    file = folder / f"{MODELS.index(model)}-{group}-{count}-{seed}.brought"
    file.write_bytes(pickle.dumps(brought))
    return [file.name]


def _shown_job(job: tuple[Path, int, int, int]) -> list[ShownByUnit]:
    file, first, last, seed = job
    return learnt_from(_read(file), first, last, seed)


def _outcomes_job(job: tuple[str, Path, Path, int, int, int, int]) -> list[Outcome]:
    model, file, shown_file, first, last, units, seed = job
    brought, shown = _read(file), _read(shown_file)
    begins = 0 if brought.faults[0] else GOOD
    return [outcome(model, brought, k, k - begins, shown, units, seed) for k in range(first, last)]


def _read(file: Path) -> Any:
    return pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself


def false_trips(found: Sequence[Outcome], run_name: str, commit: str) -> list[dict[str, Any]]:
    """Whole fresh units: a row for each model and number of units learnt from."""
    rows = []
    for model, units in dict.fromkeys((o.model, o.learnt_from) for o in found if not o.fault):
        some = [o for o in found if not o.fault and (o.model, o.learnt_from) == (model, units)]
        tripped = [o for o in some if o.trip]
        warned = sum(o.warned and not o.trip for o in some)
        rows.append(
            _whose(run_name, commit, model, units)
            | {
                "fresh units": len(some),
                "tripped": len(tripped),
                "at most (95 %)": f"{100 * upper_bound(len(tripped), len(some)):.2f} %",
                "by layer": _layers(tripped),
                "warned": warned,
                "at most (95 %) ": f"{100 * upper_bound(warned, len(some)):.2f} %",
            }
        )
    return rows


def caught(found: Sequence[Outcome], run_name: str, commit: str) -> list[dict[str, Any]]:
    """Faults: a row for each, and for each number of units learnt from, beside the class alone."""
    by_class = {(o.model, o.fault, o.unit): o for o in found if o.fault and o.learnt_from == CLASS_ALONE}
    rows = []
    for model, fault, units in dict.fromkeys((o.model, o.fault, o.learnt_from) for o in found if o.fault):
        some = [o for o in found if (o.model, o.fault, o.learnt_from) == (model, fault, units)]
        tripped = [o for o in some if o.trip]
        pairs = [(o, by_class[o.model, o.fault, o.unit]) for o in some if (o.model, o.fault, o.unit) in by_class]
        rows.append(
            _whose(run_name, commit, model, units)
            | {
                "fault": fault,
                "units": len(some),
                "tripped": len(tripped),
                "line at the trip, %: median": _median([100.0 * o.line for o in tripped]),
                "energy by then or the end, J: median": _median([o.energy_j for o in some]),
                "nine in ten": _quantile([o.energy_j for o in some], 0.9),
                "of the class's, median": _median([o.energy_j / max(c.energy_j, 1e-9) for o, c in pairs]),
                "earlier than by class": sum(_earlier(o, c) for o, c in pairs),
                "later": sum(_earlier(c, o) for o, c in pairs),
            }
        )
    return rows


def _layers(tripped: Sequence[Outcome]) -> str:
    layers = [o.trip[0] for o in tripped if o.trip]
    return " ".join(f"{layer}:{layers.count(layer)}" for layer in ("ceiling", "band", "evidence"))


def _earlier(one: Outcome, other: Outcome) -> bool:
    return one.trip is not None and (other.trip is None or one.energy_j < other.energy_j)


def _whose(run_name: str, commit: str, model: str, units: int) -> dict[str, Any]:
    return {"run": run_name, "classes as of": commit, "model": model, "learnt from": units or "class alone"}


def _median(values: Sequence[float]) -> str:
    return _quantile(values, 0.5)


def _quantile(values: Sequence[float], part: float) -> str:
    return f"{np.quantile(values, part):.3g}" if len(values) else ""


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = options_parser(str(__doc__), count=500)
    parser.add_argument("--each", type=int, default=20)
    parser.add_argument("--judged", type=int)
    parser.add_argument("--judged-each", type=int)
    options = parser.parse_args()
    seed, commit = seed_of(options)
    models = [model for model in MODELS if options.kinds in model]
    with tempfile.TemporaryDirectory() as temporary:
        folder = options.store or Path(temporary)
        found = [o for model in models for o in _found(model, options, seed, folder)]
    kept = (
        ("learnt_bands", "Learnt bands: faults caught, by how many units they rest on", caught),
        ("learnt_bands_false_trips", "Learnt bands: whole fresh units of the model", false_trips),
    )
    for name, title, told in kept:
        rows = told(found, options.note or "unnamed", commit)
        for row in rows:
            print(json.dumps(row))
        if options.note:
            write_run(name, title, rows, seed=seed, script="learnt_bands")
    for o in found:
        if o.trip and not o.fault:
            print("false trip:", o.model, "unit", o.unit, "learnt from", o.learnt_from, o.accuracy, *o.trip)


def _found(model: str, options: argparse.Namespace, seed: int, folder: Path) -> list[Outcome]:
    store = options.store
    groups = range(len(faults_of(model)))
    jobs = [(model, -1, options.count, seed, folder), *((model, g, options.each, seed, folder) for g in groups)]
    whole, *faulted = (folder / name for some in results(_brought_job, jobs, store, 1) for name in some)
    slices = [(whole, k, k + 1, seed) for k in range(GOOD)]
    shown = [one for some in results(_shown_job, slices, store, 1) for one in some]
    shown_file = folder / f"{whole.name}.shown"
    shown_file.write_bytes(pickle.dumps(shown))
    faults: list[Any] = []
    for file in faulted:
        last, bands = len(_read(file).faults), (CLASS_ALONE, *LEARNT_FROM)
        faults += _jobs(model, file, shown_file, range(0, last, FAULTED_TOGETHER), last, bands, seed)
    faults = [job for job in faults if job[3] % options.each < (options.judged_each or options.each)]
    faults.sort(key=lambda job: (job[3] % options.each, -job[3]))  # some of each fault first, the slow ones ahead
    last = GOOD + min(options.count, options.judged or options.count)
    fresh = _jobs(model, whole, shown_file, range(GOOD, last, TOGETHER), last, LEARNT_FROM, seed)
    return [o for some in results(_outcomes_job, _in_turn(faults, fresh), store, 1) for o in some]


def _in_turn(*lists: list[Any]) -> list[Any]:
    """One of each list after the other: a run that is cut short has something of each."""
    return [one for turn in zip_longest(*lists) for one in turn if one is not None]


def _jobs(model: str, file: Path, shown: Path, starts: range, last: int, bands: Sequence[int], seed: int) -> list[Any]:
    return [(model, file, shown, k, min(k + starts.step, last), units, seed) for k in starts for units in bands]


if __name__ == "__main__":
    main()
