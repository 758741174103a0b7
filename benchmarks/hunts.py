"""The section at fault, hunted: how often it is found, how often another is blamed, and what it cost in energy.

    python benchmarks/hunts.py [--count 500] [--ahead 70] [--seed N] [--store FOLDER] [--note RUN]

Amplifiers with seven plug-in channels, 300 W at 230 V: each with a short from rail to rail of 0.3 to 100 ohm in one of
them, drawn by the seed; others with a shorted rectifier diode, ahead of them all. Each is hunted by the engine's own
runs, every layer of the guard in them, on a bench in lock-step inside this process; the watchdog is left out.
"""

from __future__ import annotations

import io
import queue
import statistics
import sys
import tempfile
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Final
from unittest import mock

import inside
from figures import write_run
from inside import MAINS, Attentive, Inside, Unwatched
from jobs import options_parser, results, upper_bound

from instruments import connect as connecting
from instruments.simulated.unit import CHANNEL_NAMES
from rampguard.demo import sections_of
from rampguard.engine import before_power
from rampguard.engine import run as running
from rampguard.engine.lines import LineWriter
from rampguard.engine.link import RunOrder
from rampguard.hunt.hunting import Hunt
from rampguard.hunt.places import AHEAD
from rampguard.hunt.sections import load_sections
from rampguard.hunt.steps import TOLD

IN_A_SECTION, IN_FRONT = "shorted-section", "seven-sections-shorted-rectifier"
SEED: Final = 20261127
CONFIDENT: Final = 0.9


@dataclass(frozen=True, slots=True)
class One:
    """How one unit's hunt went."""

    unit: str
    seed: int
    truth: str
    said: tuple[str, ...]
    """The places named; none where it could not be told."""
    sure: float
    runs: int
    energy_j: float
    words: str


class Heard(Attentive):
    """An operator who is always there, and keeps the run's result."""

    result: dict[str, Any] | None = None

    def tell(self, event: str, **details: Any) -> None:
        """Hear it."""
        super().tell(event, **details)
        if event == "finished":
            self.result = details


def one(unit: str, seed: int) -> One:
    """Hunt in one unit."""
    with tempfile.TemporaryDirectory(ignore_cleanup_errors=True) as name, ExitStack() as stack:
        folder = Path(name)
        bench = Inside((), folder, unit=unit, seed=seed)
        # A busy machine may be late; what is looked at here is no deadline.
        stack.enter_context(mock.patch.object(inside, "REPLY_S", 5.0))
        stack.enter_context(mock.patch.object(connecting, "Link", bench.link))
        stack.enter_context(mock.patch.object(before_power, "Guardian", Unwatched))

        def follow(order: RunOrder) -> tuple[int, dict[str, Any]]:
            heard = Heard(queue.SimpleQueue(), LineWriter(io.BytesIO()))
            code = running.run(order, heard)
            return code, heard.result or {"reason": heard.refused}

        order = RunOrder(
            bench=str(folder / "bench.toml"),
            into=str(folder / "captures"),
            permissives_confirmed="simulated bench",
        )
        hunted = Hunt(order, MAINS, load_sections(sections_of()), follow, lambda _: True).hunt()
        stages: Any = bench.world.unit.stages  # type: ignore[attr-defined]
        truth = AHEAD if stages.short_s is None else CHANNEL_NAMES[int(stages.short_in)]
        places, sure = (frozenset[str](), 0.0) if hunted.belief is None else hunted.belief.best
        said = tuple(sorted(places)) if sure >= TOLD else ()
        return One(unit, seed, truth, said, sure, len(hunted.steps), hunted.energy_j, hunted.said)


def _some(job: tuple[str, int, int]) -> list[One]:
    unit, first, count = job
    return [one(unit, seed) for seed in range(first, first + count)]


def rows_of(hunts: list[One], note: str) -> list[dict[str, Any]]:
    """A row a kind of unit."""
    rows = []
    for unit in (IN_A_SECTION, IN_FRONT):
        of = [hunt for hunt in hunts if hunt.unit == unit]
        if not of:
            continue
        right = [hunt for hunt in of if hunt.said == (hunt.truth,)]
        blamed = [hunt for hunt in of if hunt.said and hunt.said != (hunt.truth,)]
        sure = [hunt for hunt in blamed if hunt.sure > CONFIDENT]
        joules = [hunt.energy_j for hunt in of]
        rows.append(
            {
                "run": note,
                "fault": "in one of seven sections" if unit == IN_A_SECTION else "ahead of all sections",
                "units": len(of),
                "right": f"{100.0 * len(right) / len(of):.1f} %",
                "not told": len(of) - len(right) - len(blamed),
                "wrong": len(blamed),
                "wrong and over 90 % sure": f"{len(sure)} (at most {100.0 * upper_bound(len(sure), len(of)):.2g} %)",
                "runs, median": statistics.median(hunt.runs for hunt in of),
                "J, median": round(statistics.median(joules), 2),
                "J, most": round(max(joules), 2),
            }
        )
    return rows


def main() -> None:
    """Hunt and print, and keep where asked to."""
    parser = options_parser(__doc__ or "", 500)
    parser.add_argument("--ahead", type=int, default=70)
    options = parser.parse_args()
    seed = SEED if options.seed is None else options.seed
    each = 10
    jobs = [
        (unit, seed + first, min(each, count - first))
        for unit, count in ((IN_A_SECTION, options.count), (IN_FRONT, options.ahead))
        for first in range(0, count, each)
    ]
    hunts = [hunt for some in results(_some, jobs, options.store) for hunt in some]
    for hunt in hunts:
        if hunt.said != (hunt.truth,):
            print(f"{hunt.unit} {hunt.seed}: in {hunt.truth or 'front'}; {hunt.words}", file=sys.stderr)
    rows = rows_of(hunts, options.note)
    for row in rows:
        print(row)
    if options.note:
        write_run("hunts", "The section at fault, hunted", rows, seed=seed)


if __name__ == "__main__":
    main()
