"""Waveforms around what happens: samples from the digitiser's thread, events from the loop, records to the capture.

A thread of its own does the work, so that neither the loop nor the digitiser ever waits for it. Both may tell it things
at any time; it takes them in the order in which they came.
"""

from __future__ import annotations

import queue
import threading
from dataclasses import dataclass
from datetime import datetime
from typing import Final

from rampguard.archive.writer import CaptureWriter
from rampguard.waveform.keeper import Keeper, Kept, Moment
from rampguard.waveform.ring import Block

MOST_BLOCKS: Final = 256
"""Blocks that may wait: some seconds of them. One that finds no room is lost; the record says so."""
MOST_EVENTS: Final = 256
LOCK_STEP_WAITS_S: Final = 5.0
"""Wall time for which a bench in lock-step waits for room."""
END_WITHIN_S: Final = 2.0


@dataclass(frozen=True, slots=True)
class _End:
    """No more comes."""


class Waves:
    """One run's waveforms, kept in ``capture``.

    The run began at bench second ``zero_s``, and at the wall time ``began``. On a bench in lock-step time stands still
    meanwhile: there `feed` waits for room, so that the same seed keeps the same samples.
    """

    def __init__(
        self,
        capture: CaptureWriter,
        *,
        unit: str,
        line_frequency_hz: float,
        zero_s: float,
        began: datetime,
        lock_step: bool = False,
    ) -> None:
        self._capture = capture
        self._keeper = Keeper(unit, line_frequency_hz, began, zero_s)
        self._room_waits_s = LOCK_STEP_WAITS_S if lock_step else 0.0
        self._inbox: queue.SimpleQueue[Block | Moment | _End] = queue.SimpleQueue()
        self._blocks_room = threading.Semaphore(MOST_BLOCKS)
        self._events_room = threading.Semaphore(MOST_EVENTS)
        self._over = threading.Event()
        self.lost_blocks = 0
        """Blocks that found no room."""
        self.lost_events = 0
        self._thread = threading.Thread(target=self._run, name="waves", daemon=True)
        self._thread.start()

    def feed(self, block: Block) -> None:
        """Take a block of samples; from the digitiser's thread. Never blocks, but in lock-step; never raises."""
        if self._over.is_set():
            return
        if self._blocks_room.acquire(timeout=self._room_waits_s):
            self._inbox.put(block)
        else:
            self.lost_blocks += 1

    def event(self, kind: str, time_s: float) -> None:
        """Something happened, at bench time ``time_s`` since the run began, as in events.csv. Never blocks or raises.

        Kinds that are not watched (`rampguard.waveform.keeper.AROUND`) are passed over.
        """
        if self._over.is_set():
            return
        if self._events_room.acquire(blocking=False):
            self._inbox.put(Moment(kind, time_s))
        else:
            self.lost_events += 1

    def finish(self) -> None:
        """The run has ended: hand over what is still open. To be called before the capture is finished."""
        if self._over.is_set():
            return
        self._over.set()
        self._inbox.put(_End())
        self._thread.join(END_WITHIN_S)
        for text in self._shortcomings():
            self._capture.log(f"waveforms: {text}")

    def _shortcomings(self) -> list[str]:
        counts = (
            (self.lost_blocks, "blocks of samples were lost: they came faster than they could be kept"),
            (self.lost_events, "events were not taken: too many came at once"),
            (self._keeper.passed_over, "events have no record of their own: enough of their kind were kept"),
            (self._keeper.unseen, "records could not be made: there were no samples"),
            (int(self._thread.is_alive()), "records may be missing: they were not ready in time"),
        )
        return [f"{count} {said}" for count, said in counts if count]

    def _run(self) -> None:
        while not isinstance(told := self._inbox.get(), _End):
            try:
                self._keep(self._take(told))
            except Exception as error:  # noqa: BLE001 - a block that is none; what comes after it goes on
                self._capture.log(f"waveforms: {error}")
        self._keep(self._keeper.finish())

    def _take(self, told: Block | Moment) -> list[Kept]:
        if isinstance(told, Moment):
            self._events_room.release()
            return self._keeper.event(told.kind, told.time_s)
        self._blocks_room.release()
        return self._keeper.feed(told)

    def _keep(self, made: list[Kept]) -> None:
        for kept in made:
            self._capture.put_waveform(kept)
