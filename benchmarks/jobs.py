"""What the proofs of thousands of ramps share: their options and seed, their processes, and the bound on a rate.

What is done can be kept, so that a run that was cut short goes on where it was.
"""

from __future__ import annotations

import argparse
import hashlib
import multiprocessing
import pickle
import subprocess
import time
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any

from figures import noted_parser
from scipy.stats import beta


def options_parser(doc: str, count: int) -> argparse.ArgumentParser:
    """The options; a script may add its own."""
    parser = noted_parser(doc)
    parser.add_argument("--count", type=int, default=count)
    parser.add_argument("--seed", type=int)
    parser.add_argument("--kinds", default="", help="only kinds with this in their name")
    parser.add_argument("--store", type=Path, help="keep what is done in this folder, and go on from there")
    return parser


def seed_of(options: argparse.Namespace) -> tuple[int, str]:
    """The seed asked for, or that of the frozen load models; and the commit that froze them."""
    return frozen_seed() if options.seed is None else (options.seed, "none")


def frozen_seed() -> tuple[int, str]:
    """The seed of the newest commit that touched the load models: the one that froze them."""
    asked = ["git", "log", "-1", "--format=%H", "--", "src/rampguard/loads"]
    commit = subprocess.run(asked, capture_output=True, text=True, check=True).stdout.strip()
    return int(commit[:8], 16), commit[:12]


def upper_bound(events: int, of: int, confidence: float = 0.95) -> float:
    """The one-sided upper bound on a rate (Clopper and Pearson 1934, by scipy's beta distribution)."""
    return 1.0 if events >= of else float(beta.ppf(confidence, events + 1, of - events))


def results(
    job_of: Callable[[Any], list[Any]], jobs: Iterable[Any], store: Path | None, processes: int = 2
) -> Iterator[list[Any]]:
    """What each job gives, in the jobs' order; of jobs that ``store`` has already, what it has.

    A store is of one state of the code: use a new one after a change. It may be moved: folders are no part of a job.
    """
    begun_s, count = time.monotonic(), 0
    if store is not None:
        store.mkdir(parents=True, exist_ok=True)
    with multiprocessing.Pool(processes) as pool:
        for some in pool.imap(partial(_kept, job_of, store), jobs):
            count += len(some)
            print(f"{count} done, {time.monotonic() - begun_s:.0f} s", end="\r", flush=True)
            yield some
    print()


def _kept(job_of: Callable[[Any], list[Any]], store: Path | None, job: Any) -> list[Any]:
    if store is None:
        return job_of(job)
    told = [part.name if isinstance(part, Path) else part for part in job]
    file = store / f"{hashlib.sha256(repr(told).encode()).hexdigest()[:16]}.pickle"
    if file.exists():
        found: list[Any] = pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself
        return found
    found = job_of(job)
    partly = file.with_suffix(".part")
    partly.write_bytes(pickle.dumps(found))
    partly.rename(file)
    return found
