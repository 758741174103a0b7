"""The live part of a probe: a few volts, step by step, guarded by a watchdog; cut at once where too much is drawn."""

from __future__ import annotations

import contextlib
import tempfile
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from functools import partial
from pathlib import Path
from statistics import fmean
from typing import Final

from instruments.errors import CommandRefused, InstrumentError
from instruments.roles import AcSource, Bench
from rampguard.engine.cutoff import OffProof
from rampguard.engine.guarded import Collect, CutShort, GuardedBench, deaf_to_ctrl_c
from rampguard.probe.plan import FLOOR_V, LEAST_V, MOST_V, OVERSHOOT, Ask, ProbePlan
from rampguard.probe.verdict import WEAK_BELOW, Point
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Signal, Validity

ZERO_S: Final = 0.5
"""For how long the line is looked at, switched on at zero."""
SETTLE_S: Final = 1.0
READ_S: Final = 1.0
"""How long a set-point is left before it is read, and how long it is read; at least so many windows of a slow meter:"""
WINDOWS: Final = 4.0
STILL: Final = 0.02
"""Current stands still where it changes by less than this part of itself, or by a quarter of its meter's bound."""
STILL_WITHIN_S: Final = 12.0
"""It is waited for so long at most: reservoirs fill, and a core forgets what it kept."""


class TooMuch(CutShort):
    """More current than any whole unit of the class draws at a few volts."""


@dataclass
class ProbeLive:
    """One probe under way. ``full_a`` is the range that the ammeter stands on."""

    plan: ProbePlan
    bench: Bench
    source: AcSource
    held: GuardedBench
    full_a: float
    mains_hz: float
    say: Callable[[str], None]
    points: list[Point] = field(default_factory=list)
    left_out: list[str] = field(default_factory=list)
    too_much: str = ""
    """What was read that no whole unit draws; empty: nothing."""
    ended: str = ""
    """Why it ended early; empty: it did not."""
    stopped: bool = False
    was_live: bool = False
    at_most_j: float = 0.0
    """Energy that the unit got: volts times amperes, so at most."""
    _set_v: float = 0.0
    _hertz: float = 0.0
    _newest: dict[Signal, Reading] = field(default_factory=dict)

    def __post_init__(self) -> None:
        self._hertz = self.mains_hz

    def run(self, collect: Collect) -> OffProof:
        """Energise, ask, and switch off; what proves that it is off. What was found is kept here."""
        with tempfile.TemporaryDirectory() as folder:
            self.ended = self.held.begin(Path(folder))
            try:
                if not self.ended:
                    self.was_live = True
                    self._ask_all(collect)
            except TooMuch as error:
                self.too_much = str(error)
            except (InstrumentError, CutShort) as error:
                self.ended = str(error)
            except KeyboardInterrupt:
                self.stopped = True
            finally:
                with deaf_to_ctrl_c():
                    proof = self.held.all_off(collect, FLOOR_V)
                    if proof.proven:  # a run would set it anew, but a person may not
                        with contextlib.suppress(InstrumentError):
                            self._set_frequency(self.mains_hz)
                    self.held.end(proof)
        return proof

    def _ask_all(self, collect: Collect) -> None:
        self.held.switch_on()
        self._set_v = 0.0
        for reading in collect(ZERO_S, self._check):
            if reading.signal == LINE_VOLTAGE and reading.value is not None and reading.value > FLOOR_V:
                raise CutShort(f"{reading.instrument} reads {reading.value:.3g} V, switched on at zero; cut")
        for ask in self.plan.asks:
            try:
                if ask.frequency_hz != self._hertz:
                    self._set_frequency(ask.frequency_hz)
            except CommandRefused as error:
                self.left_out.append(f"{ask.frequency_hz:g} Hz: the source refused: {error}")
                continue
            self._ask(ask, collect)

    def _set_frequency(self, hertz: float) -> None:
        if self.source.frequencies_hz is not None:
            self.held.fed(partial(self.source.set_frequency, hertz))
            self._hertz = hertz

    def _ask(self, ask: Ask, collect: Collect) -> None:
        self.say(f"{ask.volts:g} V at {ask.frequency_hz:g} Hz")
        self._set_v = max(self._set_v, ask.volts)
        self.held.fed(partial(self.source.set_line_voltage, ask.volts))
        slowest_s = max(meter.measuring_time_s + meter.range_change_s for meter in self.bench.meters)
        self._counted(collect, max(SETTLE_S, WINDOWS * slowest_s))
        read_s = max(READ_S, WINDOWS * slowest_s)
        read = self._counted(collect, read_s)
        waited_s = 0.0
        while ask.settles and waited_s < STILL_WITHIN_S:
            before, read = read, self._counted(collect, read_s)
            waited_s += read_s
            if stands_still(before, read):
                break
        point = point_of(read, ask.frequency_hz, self.full_a)
        if point.watts is not None and point.watts < -point.bound_w:
            raise CutShort(f"real power reads {point.watts:.3g} W: its meter's current is reversed; exchange its leads")
        self.points.append(replace(point, passing=ask.passing))

    def _counted(self, collect: Collect, for_s: float) -> list[Reading]:
        """Collect, and count what energy the unit got meanwhile."""
        found = collect(for_s, self._check)
        volts, amperes = (_mean(found, signal) for signal in (LINE_VOLTAGE, LINE_CURRENT))
        if volts is None or amperes is None:
            raise CutShort(f"no reading of the line's voltage and current in {for_s:g} s; cut")
        self.at_most_j += abs(volts * amperes) * for_s
        return found

    def _check(self, readings: list[Reading]) -> bool:
        """Feeds the watchdog, and ends it where too much is drawn, or the line is not as it was set, or not read."""
        for reading in readings:
            self._newest[reading.signal] = reading
            if reading.signal == LINE_CURRENT:
                self._check_current(reading)
            elif reading.signal == LINE_VOLTAGE and reading.value is not None:
                most_v = min(OVERSHOOT * self._set_v + LEAST_V, MOST_V)
                if reading.value > most_v:
                    raise CutShort(f"{reading.instrument} reads {reading.value:.3g} V, set was {self._set_v:g} V; cut")
        self.held.check(readings)
        return False

    def _check_current(self, reading: Reading) -> None:
        ceiling_a = self.plan.ceiling_a
        if reading.validity is Validity.OVER_RANGE:
            raise TooMuch(f"current is beyond its meter's range of {self.full_a:g} A at {self._set_v:g} V set")
        if reading.value is None or reading.value <= ceiling_a:
            return
        volts = self._newest.get(LINE_VOLTAGE)
        if volts is not None and volts.value is not None and volts.value > volts.bound:
            self.points.append(point_of([volts, reading], self._hertz, self.full_a))
        raise TooMuch(f"{reading.value:.3g} A at {self._set_v:g} V set; a whole unit draws less than {ceiling_a:.2g} A")


def _mean(readings: Iterable[Reading], signal: Signal) -> float | None:
    values = [r.value for r in readings if r.signal == signal and r.value is not None]
    return fmean(values) if values else None


def stands_still(before: Sequence[Reading], after: Sequence[Reading]) -> bool:
    """Whether the current of two stretches of readings, each with some, is the same."""
    earlier, later = _mean(before, LINE_CURRENT), _mean(after, LINE_CURRENT)
    assert earlier is not None  # noqa: S101 - its callers have checked
    assert later is not None  # noqa: S101
    bound = max(r.bound for r in after if r.signal == LINE_CURRENT)
    return abs(later - earlier) <= max(STILL * abs(later), 0.25 * bound)


def point_of(readings: Sequence[Reading], frequency_hz: float, full_a: float) -> Point:
    """The means of a stretch of readings with volts and amperes in it, and their meters' bounds there."""
    bounds: Mapping[Signal, float] = {r.signal: r.bound for r in readings if r.value is not None}
    volts, amperes = (_mean(readings, signal) or 0.0 for signal in (LINE_VOLTAGE, LINE_CURRENT))
    return Point(
        frequency_hz=frequency_hz,
        volts=volts,
        amperes=abs(amperes),
        watts=_mean(readings, REAL_POWER),
        bound_v=bounds[LINE_VOLTAGE],
        bound_a=bounds[LINE_CURRENT],
        bound_w=bounds.get(REAL_POWER, 0.0),
        weak=abs(amperes) < WEAK_BELOW * full_a,
    )
