"""Long jobs on two processes; what is done can be kept, so that a run that was cut short goes on where it was."""

from __future__ import annotations

import hashlib
import multiprocessing
import pickle
import time
from collections.abc import Callable, Iterable, Iterator
from functools import partial
from pathlib import Path
from typing import Any


def results(job_of: Callable[[Any], list[Any]], jobs: Iterable[Any], store: Path | None) -> Iterator[list[Any]]:
    """What each job gives, in the jobs' order; of jobs that ``store`` has already, what it has.

    A store is of one state of the code: use a new one after a change.
    """
    begun_s, count = time.monotonic(), 0
    if store is not None:
        store.mkdir(parents=True, exist_ok=True)
    with multiprocessing.Pool(2) as pool:
        for some in pool.imap(partial(_kept, job_of, store), jobs):
            count += len(some)
            print(f"{count} done, {time.monotonic() - begun_s:.0f} s", end="\r", flush=True)
            yield some
    print()


def _kept(job_of: Callable[[Any], list[Any]], store: Path | None, job: Any) -> list[Any]:
    if store is None:
        return job_of(job)
    file = store / f"{hashlib.sha256(repr(job).encode()).hexdigest()[:16]}.pickle"
    if file.exists():
        found: list[Any] = pickle.loads(file.read_bytes())  # noqa: S301 - what this script left there itself
        return found
    found = job_of(job)
    partly = file.with_suffix(".part")
    partly.write_bytes(pickle.dumps(found))
    partly.rename(file)
    return found
