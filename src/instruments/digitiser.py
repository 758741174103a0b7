"""A digitiser as the line's meter: line voltage and line current sampled together, told cycle by cycle.

Nothing that it samples is told twice, and nothing that it loses is passed over: what is missing before a block is a
reading that is missing. Of the three figures of a cycle real power is the one that alignment spoils most: what one
input is behind the other is set right before anything is summed up, and what is not known of it is in the bound.
"""

from __future__ import annotations

import math
from collections import deque
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING, Final

import numpy as np
from numpy.typing import NDArray

from instruments.cycle_power import CyclePower, cycle_power
from instruments.cycles import Cycle, CycleCutter, Samples
from instruments.dialect import Dialect
from instruments.dialect_roles import DigitiserDialect
from instruments.errors import BadReply, InstrumentError
from instruments.instrument import command
from instruments.replies import parse_number
from instruments.roles import Position, SampleBlock, Told
from rampguard.quantities import (
    LINE_CURRENT,
    LINE_CURRENT_DC,
    LINE_CURRENT_DOWN,
    LINE_CURRENT_UP,
    LINE_VOLTAGE,
    REAL_POWER,
    Clock,
    Reading,
    Signal,
    Validity,
)

if TYPE_CHECKING:
    from instruments.bench import Entry
    from instruments.visa import Link

SIGNALS: Final = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER, LINE_CURRENT_UP, LINE_CURRENT_DOWN, LINE_CURRENT_DC)
OF_CURRENT: Final = frozenset({LINE_CURRENT, REAL_POWER, LINE_CURRENT_UP, LINE_CURRENT_DOWN, LINE_CURRENT_DC})
OF_VOLTAGE: Final = frozenset({LINE_VOLTAGE, REAL_POWER})
FULL: Final = 0.9999
"""Of an input's full range, from which on it is over range: the codes end there."""
SILENT_S: Final = 0.5
"""Wall time that `DigitiserMeter.read` waits for a cycle."""
POLLED_S: Final = 0.005
"""...and how often it asks meanwhile."""
WORDS: Final[Mapping[str, str]] = {
    "int16-le": "<i2",
    "int16-be": ">i2",
    "int32-le": "<i4",
    "int32-be": ">i4",
    "float32-le": "<f4",
    "float32-be": ">f4",
}
LATE_S: Final = 0.1
"""Samples that come later than this, by their number, come from a backlog; below it there is no telling..."""
DRIFT: Final = 1e-3
"""...nor within what a digitiser's clock may be off, far more than crystals are (common practice, no source)."""
LOSSES_S: Final = 0.5
"""Of the newest samples, over so long..."""
MOST_LOST: Final = 0.1
"""...no more than this part may be lost: between gaps too few cycles are left to guard by, however good they are."""
OFF_PACE: Final = 0.06
"""Line voltage's cycles may be so far from nominal mains; further off, samples do not come at the stated rate..."""
OFF_PACE_CYCLES: Final = 25
"""...if so many in a row are."""


@dataclass(frozen=True, slots=True)
class _Input:
    """One of its inputs: where it is in a row of samples, what a volt there is of the line, and how far to believe it.

    ``part`` and ``floor`` are its bound: a part of the reading, and so much in SI.
    """

    place: int
    per_code: float
    full: float
    part: float
    floor: float

    def bound(self, value: float) -> float:
        return abs(value) * self.part + self.floor


class Aligner:
    """Puts two streams of samples right that were not taken at the same moments: the second is so many samples late."""

    def __init__(self, late: float) -> None:
        self._late = late
        self._one: Samples = np.empty(0)
        self._two: Samples = np.empty(0)
        self._first = 0
        """Number of the first sample that is kept."""
        self._next = max(0, math.ceil(-late))
        """Number of the sample that is given out next."""

    @property
    def next(self) -> int:
        """The number, since the beginning, of the sample that is given out next."""
        return self._next

    def feed(self, one: Samples, two: Samples) -> tuple[Samples, Samples]:
        """What of both is known by now at the same moments."""
        if self._late == 0.0 or not len(one):
            self._next += len(one)
            return one, two
        self._one, self._two = np.concatenate([self._one, one]), np.concatenate([self._two, two])
        end = self._first + len(self._one)
        stop = min(end, math.floor(end - 1 - self._late) + 1)
        at = np.arange(self._next, max(self._next, stop))
        first = at - self._first
        given = self._one[first], np.interp(first + self._late, np.arange(len(self._two)), self._two)
        self._next = int(at[-1]) + 1 if len(at) else self._next
        keep = max(0, min(self._next, math.floor(self._next + self._late)) - self._first)
        self._one, self._two, self._first = self._one[keep:], self._two[keep:], self._first + keep
        return given


class DigitiserMeter:
    """The line's meter. Made of a link to a digitiser, its dialect and its entry in the bench file.

    ``nominal_hz`` is the line's frequency, hertz. Sampling starts when it is first asked.
    """

    range_change_s = 0.0

    def __init__(self, link: Link, dialect: Dialect, clock: Clock, entry: Entry, nominal_hz: float) -> None:
        if dialect.digitiser is None:
            raise InstrumentError(f"{link.name}: dialect {dialect.name!r} is no digitiser")
        self._link = link
        self._dialect = dialect
        self._how: DigitiserDialect = dialect.digitiser
        self._clock = clock
        self._nominal_hz = nominal_hz
        inputs = {column: _input(self._how, entry, number) for number, column in entry.inputs.items()}
        self._volts, self._amperes = inputs[LINE_VOLTAGE.column], inputs[LINE_CURRENT.column]
        self._rate_hz = entry.rate_hz or self._how.rate_hz
        self._late = 1e-6 * entry.skew_us * self._rate_hz
        self._skew_bound_s = 1e-6 * entry.skew_bound_us
        self.signals: tuple[Signal, ...] = SIGNALS
        self.position = entry.position or Position.BEFORE_CUT_OFF
        self.measuring_time_s = 1.0 / nominal_hz
        self._tap: Callable[[SampleBlock], None] = lambda block: None
        self._started = False
        self._lost = 0
        """Samples lost before those that the tap is told next."""
        self._next = 0
        """Number of the sample that is to come next."""
        self._losses: deque[tuple[int, int]] = deque()
        """Gaps of the newest `LOSSES_S`: the number of the sample after each, and how many it holds."""
        self._zero_s = math.inf
        """Bench time by which sample 0 had been taken, by the block that came soonest."""
        self._begin_anew(0)

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        return self._link.name

    def listen(self, tap: Callable[[SampleBlock], None]) -> None:
        """Have every block of samples told to ``tap``, too, once what the current is late is set right."""
        self._tap = tap

    def start(self) -> None:
        """Start sampling from sample 0. Raises LinkError, CommandRefused, InstrumentError."""
        command(self._link, self._dialect, self._how.stop)
        command(self._link, self._dialect, self._how.set_rate.format(rate_hz=self._rate_hz))
        value, _ = parse_number(self._link.query(self._how.rate_query))
        if value is None or abs(value - self._rate_hz) > 1e-6 * self._rate_hz:
            raise InstrumentError(
                f"{self.name}: {self._rate_hz:g} samples a second were asked for, it reads back {value};"
                " check rate_hz in the bench file"
            )
        command(self._link, self._dialect, self._how.start)
        self._next, self._started, self._zero_s = 0, True, math.inf
        self._losses.clear()
        self._begin_anew(0)

    def _begin_anew(self, first: int) -> None:
        """Cut cycles from a sample on, knowing nothing of what was before it."""
        self._aligner = Aligner(self._late)
        self._cutter = CycleCutter(self._rate_hz, self._nominal_hz)
        self._origin = first
        self._off_pace = 0
        self._full_at: Samples = np.empty(0)
        """Where the current's input was full, in samples since the cutter's first as it would be without its skew."""

    def read(self) -> list[Reading]:
        """The newest cycle; waits for one. Raises LinkError."""
        told = self.cycles()
        until_s = self._clock.now_s() + SILENT_S
        while not told and self._clock.now_s() < until_s:
            self._clock.sleep(POLLED_S)
            told = self.cycles()
        if not told:
            raise BadReply(f"{self.name}: no samples for {SILENT_S:g} s")
        return list(told[-1].readings)

    def cycles(self) -> list[Told]:
        """The cycles that have ended since it was asked last. Raises LinkError.

        Samples that were lost are a moment of missing readings.
        """
        if not self._started:
            self.start()
        try:
            return self._told()
        except Exception:
            self._started = False  # whatever it is doing: it begins at sample 0 again
            raise

    def _told(self) -> list[Told]:
        block = self._block()
        if block is None:
            return []
        told = []
        if block.lost:
            self._losses.append((block.first, block.lost))
            self._begin_anew(block.first)
            told.append(self._gap(block))
        self._note_full(block)
        aligned = self._aligned(block)
        if len(aligned.volts):
            self._tap(aligned)
        volts, amperes = aligned.volts, aligned.amperes
        end = block.first + len(block.volts)
        for cycle in self._cutter.feed(volts, amperes):
            ends_s = block.ends_s - (end - self._origin - self._place(cycle)) / block.rate_hz
            told.append(self._cycle(cycle, ends_s))
        return told

    def _aligned(self, block: SampleBlock) -> SampleBlock:
        """The block as it would be were both inputs sampled at the same moments; some of it comes with the next one."""
        first = self._origin + self._aligner.next
        volts, amperes = self._aligner.feed(block.volts, block.amperes)
        waiting = block.first + len(block.volts) - (first + len(volts))
        lost, self._lost = (0, self._lost + block.lost) if not len(volts) else (self._lost + block.lost, 0)
        return SampleBlock(self._rate_hz, first, volts, amperes, block.ends_s - waiting / self._rate_hz, lost)

    def _note_full(self, block: SampleBlock) -> None:
        """Before alignment, which puts a value between a full sample and the next: that looks as if it had room."""
        full = np.flatnonzero(np.abs(block.amperes) >= FULL * self._amperes.full)
        self._full_at = np.concatenate([self._full_at, block.first - self._origin + full - self._late])

    def _was_full(self, cycle: Cycle) -> bool:
        """Whether the current's input was full within a cycle, or beside it."""
        ends = self._place(cycle)
        begins = ends - cycle.duration_s * self._rate_hz
        self._full_at = self._full_at[self._full_at >= begins - 1.0]
        return bool(np.any(self._full_at <= ends + 1.0))

    def _place(self, cycle: Cycle) -> float:
        """Where a cycle ends, in samples since the cutter's first; the aligner may have begun a little later."""
        began = max(0, math.ceil(-self._late))
        return (cycle.begins_s + cycle.duration_s) * self._rate_hz + began

    def _block(self) -> SampleBlock | None:
        how, asked_s = self._how, self._clock.now_s()
        data = self._link.query_block(how.block_query, how.most_samples * how.inputs * 4 + 64)
        arrived_s = self._clock.now_s()
        word = np.dtype(WORDS[how.sample])
        if len(data) % (how.inputs * word.itemsize):
            self._link.close()
            raise BadReply(f"{self.name}: a block of {len(data)} bytes is no whole number of samples")
        if not data:  # nothing waited, whatever the two clocks say
            self._zero_s = max(self._zero_s, asked_s - self._next / self._rate_hz)
            return None
        place, _ = parse_number(self._link.query(how.position_query))
        rows = np.frombuffer(data, dtype=word).reshape(-1, how.inputs)
        if place is None or place < self._next:
            raise BadReply(f"{self.name}: a block begins at sample {place}, {self._next} was next; it is started anew")
        if len(rows) >= how.most_samples:
            raise BadReply(f"{self.name}: a block of {len(rows)} samples is full: more may wait; it is started anew")
        first, lost = int(place), int(place) - self._next
        self._next = first + len(rows)
        volts, amperes = self._si(rows, self._volts), self._si(rows, self._amperes)
        return SampleBlock(self._rate_hz, first, volts, amperes, self._taken_s(len(rows), arrived_s), lost)

    def _taken_s(self, samples: int, arrived_s: float) -> float:
        """By when the newest sample had been taken: on arrival, or where it comes from a backlog, by its number."""
        told_s = self._next / self._rate_hz
        drifted_s = DRIFT * samples / self._rate_hz
        self._zero_s = min(self._zero_s + drifted_s, arrived_s - told_s)
        by_number_s = self._zero_s + told_s
        return by_number_s if arrived_s - by_number_s > LATE_S else arrived_s

    @staticmethod
    def _si(rows: NDArray[np.generic], of: _Input) -> NDArray[np.float64]:
        return np.asarray(rows[:, of.place].astype(np.float64) * of.per_code)

    def _gap(self, block: SampleBlock) -> Told:
        lost_s = block.lost / block.rate_hz
        began_s = block.ends_s - len(block.volts) / block.rate_hz
        missing = tuple(
            Reading(signal, None, began_s, began_s - lost_s, Validity.MISSING, instrument=self.name)
            for signal in SIGNALS
        )
        return Told(
            missing, f"{self.name}: {block.lost} samples ({1e3 * lost_s:.1f} ms) were lost before sample {block.first}"
        )

    def _cycle(self, cycle: Cycle, ends_s: float) -> Told:
        power = cycle_power(cycle)
        asked_s = ends_s - cycle.duration_s - self._how.delay_s
        out = (OF_VOLTAGE if self._is_full(cycle.volts, self._volts) else frozenset()) | (
            OF_CURRENT if self._was_full(cycle) else frozenset()
        )
        problem = self._pace_problem(cycle) or self._loss_problem()
        readings = []
        for signal, value, bound in self._figures(power):
            no_number = not math.isfinite(value)  # which no ceiling would ever trip on
            bad = Validity.OVER_RANGE if signal in out else Validity.INVALID if problem or no_number else None
            readings.append(
                Reading(signal, value, ends_s, asked_s, bound=bound, instrument=self.name)
                if bad is None
                else Reading(signal, None, ends_s, asked_s, bad, instrument=self.name)
            )
        return Told(tuple(readings), problem)

    def _figures(self, power: CyclePower) -> tuple[tuple[Signal, float, float], ...]:
        """Each signal's value and bound."""
        volts, amperes = self._volts, self._amperes
        slips = 2.0 * math.pi * self._nominal_hz * self._skew_bound_s * power.nonactive_power_var
        watts_bound = (
            power.voltage_v * amperes.bound(power.current_a) + power.current_a * volts.bound(power.voltage_v) + slips
        )
        return (
            (LINE_VOLTAGE, power.voltage_v, volts.bound(power.voltage_v)),
            (LINE_CURRENT, power.current_a, amperes.bound(power.current_a)),
            (REAL_POWER, power.real_power_w, watts_bound),
            (LINE_CURRENT_UP, power.current_up_a, amperes.bound(power.current_up_a)),
            (LINE_CURRENT_DOWN, power.current_down_a, amperes.bound(power.current_down_a)),
            (LINE_CURRENT_DC, power.current_dc_a, amperes.bound(power.current_dc_a)),
        )

    @staticmethod
    def _is_full(samples: Samples, of: _Input) -> bool:
        return float(np.max(np.abs(samples))) >= FULL * of.full

    def _loss_problem(self) -> str:
        """Where so much is lost that what is left does not guard."""
        span = LOSSES_S * self._rate_hz
        while self._losses and self._losses[0][0] < self._next - span:
            self._losses.popleft()
        share = sum(lost for _, lost in self._losses) / span
        if share <= MOST_LOST:
            return ""
        return f"{self.name}: loses more than {MOST_LOST:.0%} of its samples: what is left of them does not guard"

    def _pace_problem(self, cycle: Cycle) -> str:
        """Where the line's own cycles say that samples do not come at the stated rate."""
        off = cycle.by_crossing and abs(cycle.duration_s * self._nominal_hz - 1.0) > OFF_PACE
        self._off_pace = self._off_pace + 1 if off else 0
        if self._off_pace < OFF_PACE_CYCLES:
            return ""
        return (
            f"{self.name}: the line's cycles seem to last {1e3 * cycle.duration_s:.2f} ms, at {self._nominal_hz:g} Hz"
            f" they last {1e3 / self._nominal_hz:.2f} ms: check rate_hz and mains in the bench file"
        )


def _input(how: DigitiserDialect, entry: Entry, number: str) -> _Input:
    scale = entry.scales[number]
    full = abs(scale) * how.full_v
    part = (how.percent_of_reading + entry.probe_percent.get(number, 0.0)) / 100.0
    return _Input(int(number) - 1, scale * how.full_v / how.full_code, full, part, full * how.percent_of_range / 100.0)
