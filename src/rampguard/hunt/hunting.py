"""The hunt itself: run, look, have one section more unplugged, run again; every run with all that a run proves.

What is on at any moment is an ordinary run, guarded and cut as any other. With the fault plugged in it trips, or comes
to the hold; either way there is a reading.
"""

from __future__ import annotations

import tempfile
from collections.abc import Callable
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any, Final

from instruments.bench import load_bench_file
from instruments.errors import BenchFileError
from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import read_capture
from rampguard.archive.rows import Row
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_STOPPED, EXIT_TRIPPED, RunOrder
from rampguard.hunt.measure import healthy_at, held, hold_from, most_energy_j, weighed, worth_holding
from rampguard.hunt.places import AHEAD, Belief, Healthy, Measurement
from rampguard.hunt.plans import LOOKS_AT, finding_plan, holding_plan
from rampguard.hunt.sections import Sections
from rampguard.hunt.steps import TOLD, verdict, what_next
from rampguard.job.errors import JobError
from rampguard.job.on_bench import bench_with_job
from rampguard.quantities import Signal

NOT_HUNTED: Final = {
    "switch-mode": "a converter must not dwell at low line",
    "valve-amplifier": "its rectifier passes nothing before it is warm",
}
"""Load classes that are not hunted by short ramps to a low line, and why."""
UNPLUG: Final = (
    "Power is off. Next, unplug {what}; what is out stays out. Before: plug out, reservoirs discharged through a"
    " resistor, one hand, and MEASURED below 2 V on every rail"
)


Follow = Callable[[RunOrder], tuple[int, dict[str, Any]]]
"""Runs an order to its end: its exit code, and its result."""


@dataclass(frozen=True, slots=True)
class Step:
    """One run of the hunt."""

    unplugged: tuple[str, ...]
    capture: str
    outcome: str
    siemens: float
    energy_j: float

    @property
    def as_message(self) -> dict[str, Any]:
        """For scripts."""
        return {
            "unplugged": list(self.unplugged),
            "capture": self.capture,
            "outcome": self.outcome,
            "siemens": self.siemens,
            "energy_j": self.energy_j,
        }


@dataclass(slots=True)
class Hunted:
    """How it went. ``belief`` is None where the hunt did not come to one; ``said`` says why."""

    exit_code: int
    said: str
    hold_v: float | None = None
    belief: Belief | None = None
    steps: list[Step] = field(default_factory=list)

    @property
    def energy_j(self) -> float:
        """What all runs took at most."""
        return sum(step.energy_j for step in self.steps)

    @property
    def as_message(self) -> dict[str, Any]:
        """For scripts. ``places`` are sections by name; the empty name is what lies ahead of all sections."""
        places, sure = (frozenset[str](), 0.0) if self.belief is None else self.belief.best
        carries = {} if self.belief is None else {place: self.belief.carries(place) for place in self._places}
        return {
            "format": 1,
            "outcome": "told" if sure >= TOLD else "not-told",
            "said": self.said,
            "places": sorted(places) if sure >= TOLD else [],
            "probability": sure,
            "carries": carries,
            "hold_v": self.hold_v,
            "energy_j": self.energy_j,
            "steps": [step.as_message for step in self.steps],
        }

    @property
    def _places(self) -> list[str]:
        return [] if self.belief is None else sorted({place for places in self.belief.by_places for place in places})


class HuntRefused(ValueError):  # noqa: N818 - what happened
    """A unit that is not hunted by short ramps, or a bench file or a job that cannot be used. The text says why."""


def mains_of(order: RunOrder) -> tuple[float, float]:
    """The bench's mains, volts rms and hertz. Raises HuntRefused."""
    try:
        bench_file = load_bench_file(Path(order.bench))
        if order.job is not None:
            bench_file = bench_with_job(
                bench_file, Path(order.job), load_class=order.load_class, nameplate_w=order.nameplate_w
            )
    except (BenchFileError, JobError) as error:
        raise HuntRefused(str(error)) from None
    load_class = order.load_class or (bench_file.unit.load_class if bench_file.unit else None) or ""
    if load_class in NOT_HUNTED:
        raise HuntRefused(f"a {load_class} is not hunted by short ramps: {NOT_HUNTED[load_class]}")
    if bench_file.roles.ac_source is None:
        raise HuntRefused("a hunt needs a programmable source: a hand does not stand still to a few tenths of a volt")
    return bench_file.mains.voltage_v, bench_file.mains.frequency_hz


class Hunt:
    """One hunt. ``agreed`` asks for something to be done, and says whether it was."""

    def __init__(
        self,
        order: RunOrder,
        mains: tuple[float, float],
        sections: Sections,
        follow: Follow,
        agreed: Callable[[str], bool],
    ) -> None:
        self._order, self._mains, self._sections = order, mains, sections
        self._follow, self._agreed = follow, agreed
        self._steps: list[Step] = []

    def hunt(self) -> Hunted:
        """From the first ramp, until it shows, to a belief."""
        with tempfile.TemporaryDirectory(prefix="rampguard-hunt-") as folder:
            self._plan = Path(folder) / "plan.toml"
            self._plan.write_text(finding_plan(*self._mains).as_toml(), encoding="utf-8")
            code, result, rows = self._run(())
            trip = result.get("trip")
            if code == EXIT_DONE:
                # Too little for the guard; unplugged section by section the unit may still tell.
                return self._at(worth_holding(rows, [part * self._mains[0] for part in LOOKS_AT]), result, rows)
            if code != EXIT_TRIPPED or trip is None:
                return self._ended(code, "the first run did not end by itself")
            if not trip["line_voltage_v"] or trip["layer"] == "reading":
                return self._ended(code, f"it tripped for no fault of the unit's: {trip['reason']}")
            return self._at(hold_from(trip["line_voltage_v"]), result, rows)

    def _at(self, hold_v: float, result: dict[str, Any], rows: list[Row]) -> Hunted:
        by = weighed(rows, hold_v)
        healthy = healthy_at(rows, hold_v, by)
        if healthy is None:
            return self._ended(EXIT_TRIPPED, f"what a healthy unit draws at {hold_v:.3g} V was not evaluated")
        first = self._measured((), result, rows, hold_v, by)
        self._plan.write_text(holding_plan(hold_v, *self._mains).as_toml(), encoding="utf-8")
        return self._narrow(first, hold_v, by, healthy)

    def _narrow(self, first: Measurement, hold_v: float, by: Signal, healthy: Healthy) -> Hunted:
        measured: tuple[Measurement, ...] = (first,)
        out: tuple[str, ...] = ()
        while True:
            step = what_next(self._sections.suspects, healthy, measured)
            if step.unplug is None:
                said = f"{verdict(step.belief)}, by what it draws at {hold_v:.3g} V"
                return self._ended(EXIT_DONE, said, hold_v, step.belief)
            new = self._sections.with_its_own(step.unplug)
            if not self._agreed(UNPLUG.format(what=" and ".join(new))):
                return self._ended(EXIT_STOPPED, verdict(step.belief), hold_v, step.belief)
            out = (*out, *new)
            code, result, rows = self._run(out)
            if code not in (EXIT_DONE, EXIT_TRIPPED):
                return self._ended(code, verdict(step.belief), hold_v, step.belief)
            try:
                measured = (*measured, self._measured(out, result, rows, hold_v, by))
            except ValueError as error:
                return self._ended(code, f"{error}: {verdict(step.belief)}", hold_v, step.belief)

    def _run(self, out: tuple[str, ...]) -> tuple[int, dict[str, Any], list[Row]]:
        order = replace(self._order, plan=str(self._plan), unplugged=list(out), sheet=None)
        code, result = self._follow(order)
        if not result.get("capture"):
            return code, result, []
        try:
            return code, result, list(read_capture(Path(result["capture"])).rows())
        except ArchiveError as error:
            return EXIT_BAD_INPUT, {"reason": str(error)}, []

    def _measured(
        self, out: tuple[str, ...], result: dict[str, Any], rows: list[Row], hold_v: float, by: Signal
    ) -> Measurement:
        measurement = held(rows, hold_v, by).measurement(out, hold_v)
        energy_j = most_energy_j(rows)
        self._steps.append(Step(out, result["capture"], result["outcome"], measurement.siemens, energy_j))
        return measurement

    def _ended(self, code: int, said: str, hold_v: float | None = None, belief: Belief | None = None) -> Hunted:
        return Hunted(code, said, hold_v, belief, self._steps)


def lines_of(hunted: Hunted) -> list[str]:
    """The hunt in lines of text: each run, then what is to be believed."""
    lines = []
    for step in hunted.steps:
        out = f"without {', '.join(step.unplugged)}" if step.unplugged else "everything plugged in"
        drawn_a = step.siemens * (hunted.hold_v or 0.0)
        drawn = f"{1e3 * drawn_a:.3g} mA" if hunted.hold_v else f"{1e3 * step.siemens:.3g} mS"
        lines.append(f"{out}: {drawn}, {step.outcome}, at most {step.energy_j:.2g} J")
    lines.append(hunted.said)
    if hunted.steps:
        lines.append(f"All runs together took at most {hunted.energy_j:.2g} J.")
    if hunted.belief is not None and AHEAD not in hunted.belief.best[0]:
        lines.append("Plug in nothing that carries a fault. The next ramp, with it repaired, begins from zero.")
    return lines
