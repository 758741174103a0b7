"""Keeps waveforms around events: samples come in, events are told, and once the time after one is over, a record.

Pure: no clock, no files, and memory that does not grow, whatever happens. What is kept of an event, and why:

- 0.2 s before is ten cycles, enough to say how it was; before a *trip* 0.5 s, since readings come late and judging
  takes a few of them: what led to it began earlier;
- 0.6 s after sees an inrush out and a soft start's relay close (some tenths of a second: common practice, no source);
  after a trip or a stop 0.3 s, several times what a contactor takes to open (10 to 50 ms: common practice, no source):
  after that there is nothing on the line.

Events inside each other's time share one record. Trips, stops and presses are always kept; of other kinds the first few
records of a run.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Callable, Iterator
from dataclasses import dataclass, field
from datetime import datetime, timedelta
from typing import Final

import numpy as np

from rampguard.waveform.record import Channel, Record
from rampguard.waveform.ring import Block, Ring

KEPT_S: Final = 2.5
"""So much is held; more than the longest record, and the time until it is made."""
LONGEST_S: Final = 1.6
"""No record grows longer by events that come one after the other: the next one begins a new record."""
LATE_S: Final = 0.3
"""An event may be told so long after it came; until then a record is left open for it."""
GIVEN_UP_S: Final = 10.0
"""So long after its time a record is made of what there is: no samples come any more."""
MOST_WAITING: Final = 8
"""Records that wait for their samples; of more the oldest is made of what there is."""
MOST_NAMED: Final = 16
"""Events that a record names; more are counted."""
LONGEST_NAME: Final = 64
"""Characters that a field of a record may have."""
LINE_VOLTAGE_NAME: Final = "line voltage"
LINE_CURRENT_NAME: Final = "line current"


@dataclass(frozen=True, slots=True)
class Around:
    """How much is kept around a kind of event, and of how many of them; None: of all."""

    before_s: float
    after_s: float
    most: int | None = None


AROUND: Final[dict[str, Around]] = {
    "trip": Around(0.5, 0.3),
    "stop": Around(0.2, 0.3),
    "power-pressed": Around(0.2, 0.6),
    "inrush": Around(0.2, 0.6),
    "energise": Around(0.2, 0.6),
    "warn": Around(0.2, 0.6, most=8),
    "stage": Around(0.2, 0.6, most=12),
    "note": Around(0.2, 0.6, most=8),
}
"""By kind of event; the first of them in this order gives a record its name. Other kinds are not kept."""
_RANK: Final = {kind: rank for rank, kind in enumerate(AROUND)}


@dataclass(frozen=True, slots=True)
class Moment:
    """An event: its kind, and bench time since the run began."""

    kind: str
    time_s: float


def _rank(moment: Moment) -> int:
    return _RANK[moment.kind]


@dataclass(frozen=True, slots=True)
class Kept:
    """A record, and the events in it, in the order in which they were told; ``more`` were not named.

    Its trigger is at ``named_by``. ``lost`` of its samples are missing.
    """

    record: Record
    named_by: Moment
    moments: tuple[Moment, ...]
    more: int
    lost: int


@dataclass(slots=True)
class _Window:
    """A record that is still open, and its times."""

    begins_s: float
    ends_s: float
    moments: list[Moment] = field(default_factory=list)
    more: int = 0

    def holds(self, time_s: float) -> bool:
        return self.begins_s <= time_s <= self.ends_s

    def take(self, moment: Moment, around: Around) -> bool:
        """Take an event, too, and grow by its time; False where that would be too long."""
        begins_s = min(self.begins_s, moment.time_s - around.before_s)
        ends_s = max(self.ends_s, moment.time_s + around.after_s)
        if ends_s - begins_s > LONGEST_S:
            return False
        self.begins_s, self.ends_s = begins_s, ends_s
        self.name(moment)
        return True

    def name(self, moment: Moment) -> None:
        """Name an event; where no more are named, in the place of one that matters less."""
        self.moments.append(moment)
        if len(self.moments) > MOST_NAMED:
            self.moments.remove(max(self.moments, key=_rank))
            self.more += 1

    @property
    def named_by(self) -> Moment:
        return min(self.moments, key=_rank)


class Keeper:
    """Keeps one run's. ``unit`` names the records.

    The run began at bench second ``zero_s``; times of events and of records are bench time since then. ``began`` is
    the wall time of that moment.
    """

    def __init__(self, unit: str, line_frequency_hz: float, began: datetime, zero_s: float = 0.0) -> None:
        self._zero_s = zero_s
        self._unit = fit_for_a_field(unit)
        self._line_frequency_hz = line_frequency_hz
        self._began = began
        self._ring: Ring | None = None
        self._now_s = float("-inf")
        self._open: list[_Window] = []
        self._records: Counter[str] = Counter()
        """How many records each kind of event has begun."""
        self.passed_over = 0
        """Events of kinds of which enough had been kept."""
        self.unseen = 0
        """Records that no sample was there for."""

    def feed(self, block: Block) -> list[Kept]:
        """Take a block of samples; returns the records that are ready. Raises ValueError: signals of unlike length."""
        done = []
        if self._ring is None or not self._ring.goes_on(block):
            anew = Ring(block.rate_hz, block.first, KEPT_S, self._zero_s)
            anew.add(block)
            done = [] if self._ring is None else list(self._make(lambda window: True))
            self._ring = anew
        else:
            self._ring.add(block)
        self._now_s = max(self._now_s, block.ends_s - self._zero_s)
        return done + self._ready()

    def event(self, kind: str, time_s: float) -> list[Kept]:
        """An event came at a time; returns the records that are ready."""
        around = AROUND.get(kind)
        if around is None:
            return []
        self._now_s = max(self._now_s, time_s)
        done = self._ready()
        self._note(Moment(kind, time_s), around)
        return done + list(self._make(lambda window: len(self._open) > MOST_WAITING))

    def finish(self) -> list[Kept]:
        """The run has ended: the records that are still open, of what there is."""
        return list(self._make(lambda window: True))

    def _note(self, moment: Moment, around: Around) -> None:
        holding = [window for window in self._open if window.holds(moment.time_s)]
        if any(window.take(moment, around) for window in holding):
            return
        if around.most is not None and self._records[moment.kind] >= around.most:
            self.passed_over += 1
            if holding:
                holding[-1].name(moment)
            return
        self._records[moment.kind] += 1
        begins_s, ends_s = moment.time_s - around.before_s, moment.time_s + around.after_s
        self._open.append(_Window(begins_s, ends_s, [moment]))

    def _ready(self) -> list[Kept]:
        newest_s = float("-inf") if self._ring is None else self._ring.newest_s
        return list(
            self._make(lambda w: newest_s >= w.ends_s + LATE_S or self._now_s >= w.ends_s + LATE_S + GIVEN_UP_S)
        )

    def _make(self, is_over: Callable[[_Window], bool]) -> Iterator[Kept]:
        """Close the windows that are over, in the order in which they were opened."""
        for window in list(self._open):
            if is_over(window):
                self._open.remove(window)
                kept = self._kept(window)
                self.unseen += kept is None
                if kept is not None:
                    yield kept

    def _kept(self, window: _Window) -> Kept | None:
        """A window's record; None where there is no sample in it."""
        ring, named_by = self._ring, window.named_by
        if ring is None:
            return None
        # Where samples begin late, or end early, so does the record, but for the event itself: it is always inside.
        event = ring.number_at(named_by.time_s)
        begin = max(ring.number_at(window.begins_s), min(ring.oldest, event))
        end = min(ring.number_at(window.ends_s) + 1, max(ring.next, event + 1))
        volts, amperes = ring.cut(begin, end)
        lost = int(np.count_nonzero(np.isnan(volts)))
        if lost == len(volts):
            return None
        begins = self._wall(ring.origin_s + begin / ring.rate_hz)
        record = Record(
            station=self._unit,
            device="rampguard",
            line_frequency_hz=self._line_frequency_hz,
            begins=begins,
            trigger=max(begins, self._wall(named_by.time_s)),
            at_s=np.arange(len(volts)) / ring.rate_hz,
            channels=(Channel(LINE_VOLTAGE_NAME, "V", volts), Channel(LINE_CURRENT_NAME, "A", amperes)),
        )
        return Kept(record, named_by, tuple(window.moments), window.more, lost)

    def _wall(self, time_s: float) -> datetime:
        return self._began + timedelta(seconds=time_s)


def fit_for_a_field(text: str) -> str:
    """Text as a field of a COMTRADE record may have it: one line, no comma, not too long."""
    plain = "".join(mark if mark.isprintable() and mark != "," else " " for mark in text)
    return " ".join(plain.split())[:LONGEST_NAME].strip() or "unit"
