"""A bench held live for a look at something, outside a run: guarded by a watchdog, never blind, off proven at the end.

For a bench check's lamp and for a probe. Cut first and explained after; proven off, or said not to be.
"""

from __future__ import annotations

import contextlib
import os
import queue
import signal as signals
import time
from collections.abc import Callable, Iterable, Iterator
from contextlib import contextmanager
from functools import partial
from pathlib import Path
from typing import Final

from instruments.errors import InstrumentError
from instruments.roles import Bench
from rampguard.engine.acquire import Acquisition, FreeRunning, LockStep
from rampguard.engine.cutoff import OffDrive, OffProof, OffReport, begin_proof
from rampguard.engine.guardian import Guardian, NoWatchdog, Watch
from rampguard.engine.meanwhile import do_meanwhile
from rampguard.engine.supply import line_gap_s
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Reading, Signal, Validity

CUT_WITHIN_S: Final = 2.0
"""How long a cut is waited for."""
SWITCHED_WITHIN_S: Final = 90.0
"""How long a person may take to switch off, or to turn a knob."""
BLIND_S: Final = 0.5
"""Without a reading of the line for so long (or as long as its meters may be silent) it is cut."""
LOCK_STEP_PACE: Final = 25.0
"""Bench seconds a wall second in lock-step: a source's own output timer is not to run out while a cut is waited for."""

Collect = Callable[[float, Callable[[list[Reading]], bool]], list[Reading]]


class CutShort(Exception):  # noqa: N818 - what happened
    """The live part ended early, and why."""


class GuardedBench:
    """A connected bench that may be live. ``path`` is the bench file's, for the watchdog; ``say`` tells the person."""

    def __init__(self, path: Path, bench: Bench, say: Callable[[str], None]) -> None:
        self._path = path
        self._bench = bench
        self._say = say
        self.guardian: Watch = NoWatchdog()
        self._seen_s: dict[Signal, float] = {}

    def begin(self, folder: Path) -> str:
        """Have a watchdog prove its own path; why it cannot be relied on, or empty. No cut-off, no watchdog."""
        if not self._bench.cut_offs:
            return ""
        self.guardian = Guardian(self._path, folder, os.getpid())
        while not self.guardian.is_ready:
            trouble = self.guardian.trouble()
            if trouble:
                return trouble
            time.sleep(0.01)
        return ""

    def feed(self) -> None:
        """Feed the watchdog, once there is one. Cheap."""
        self.guardian.feed()

    def fed(self, act: Callable[[], None]) -> None:
        """Do something that may take a while, and feed the watchdog meanwhile. Raises InstrumentError."""
        do_meanwhile(act, self.guardian.feed)

    def switch_on(self) -> None:
        """Close what must be closed, and switch on, at zero volts. Raises InstrumentError."""
        source = self._bench.source
        self._seen_s = dict.fromkeys((LINE_VOLTAGE, LINE_CURRENT), time.monotonic())
        if source is not None:  # contactors close onto a dead line
            self.fed(partial(source.set_line_voltage, 0.0))
        for contactor in self._bench.contactors:
            self.fed(contactor.close)
        if source is not None:
            self.fed(source.output_on)

    def check(self, readings: Iterable[Reading]) -> None:
        """Feed the watchdog; raises CutShort where the line goes unread or over range, or the watchdog fails."""
        self.guardian.feed()
        now_s = time.monotonic()
        for reading in readings:
            if reading.signal not in self._seen_s:
                continue
            if reading.validity is Validity.OVER_RANGE:
                raise CutShort(f"{reading.instrument}: {reading.signal.quantity} is over range; cut")
            if reading.value is not None:
                self._seen_s[reading.signal] = now_s
        blind_s = max(BLIND_S, line_gap_s(self._bench.meters))
        for signal, seen_s in self._seen_s.items():
            if now_s - seen_s > blind_s:
                raise CutShort(f"no reading of {signal.quantity} for {now_s - seen_s:.1f} s; cut")
        trouble = self.guardian.trouble()
        if trouble:
            raise CutShort(trouble)

    def all_off(self, collect: Collect, floor_v: float | None = None) -> OffProof:
        """Everything off at once; what proves it. The watchdog is fed to the end, and let go only once it is proven.

        ``floor_v``: below what the line must read; None: the bench file's own floor.
        """
        bench, reports = self._bench, queue.SimpleQueue[OffReport]()
        drive = OffDrive(bench.cut_offs, reports.put)
        drive.cut()
        by_person = not bench.cut_offs
        floor = bench.off_floor_v if floor_v is None else floor_v
        proof = begin_proof(floor, bench.clock.now_s(), bench.meters, by_person=by_person)
        if bench.knob is not None:
            self.fed(partial(bench.knob.set_line_voltage, 0.0))
        deadline_s = time.monotonic() + (SWITCHED_WITHIN_S if by_person else CUT_WITHIN_S + line_gap_s(bench.meters))
        asked_s = 0.0
        while not proof.proven and time.monotonic() < deadline_s:
            if by_person and time.monotonic() - asked_s > 1.0:
                asked_s = time.monotonic()
                self._say("\aSWITCH OFF, and turn the knob back to zero")
            for reading in collect(0.05, self._feeding):
                proof = proof.with_reading(reading)
            while not reports.empty():
                proof = proof.with_report(reports.get())
        if bench.source is not None:
            with contextlib.suppress(InstrumentError):
                self.fed(partial(bench.source.set_line_voltage, 0.0))
        drive.stop(0.2)
        return proof

    def end(self, proof: OffProof) -> None:
        """Let the watchdog go where off is proven; else have it cut, and go on."""
        if proof.proven:
            self.guardian.release()
        else:
            self.guardian.take_over()

    def _feeding(self, readings: list[Reading]) -> bool:
        self.guardian.feed()
        return False


@contextmanager
def reading_of(
    bench: Bench,
    *,
    lock_step: bool = False,
    now_s: Callable[[], float] = time.monotonic,
    meanwhile: Callable[[], None] = lambda: None,
) -> Iterator[Collect]:
    """Every meter read by its own thread; the context's value collects for so long, or until something is seen.

    Seconds are of the wall, or of ``now_s``. In ``lock_step`` a simulated bench's own must be given: they go by here.
    """
    acquisition: Acquisition = (
        LockStep(bench.meters, bench.clock, LOCK_STEP_PACE) if lock_step else FreeRunning(bench.meters, bench.clock)
    )
    acquisition.start()

    def collect(for_s: float, until: Callable[[list[Reading]], bool]) -> list[Reading]:
        deadline_s, found = now_s() + for_s, list[Reading]()
        while now_s() < deadline_s:
            moments = acquisition.collect(meanwhile)
            new = [reading for moment in moments for batch in moment for reading in batch.readings]
            found += new
            if until(new):
                break
        return found

    try:
        yield collect
    finally:
        acquisition.stop()


@contextmanager
def deaf_to_ctrl_c() -> Iterator[None]:
    """Nothing is to come between a cut and its proof."""
    before = signals.signal(signals.SIGINT, signals.SIG_IGN)
    try:
        yield
    finally:
        signals.signal(signals.SIGINT, before)
