"""Readings and set-points: a thread an instrument, so that a slow one holds up nobody.

On a real bench each meter is read as fast as it measures. On a bench in lock-step, simulated time moves by one tick
when the loop asks for it, and every meter is read once a tick, so that a seed reproduces every reading.
"""

from __future__ import annotations

import queue
import threading
import time
from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import Final, Protocol

from instruments.errors import InstrumentError
from instruments.roles import AcSource, CycleMeter, Knob, Meter, Told
from rampguard.engine.ceilings import LEAST_PERIOD_S
from rampguard.guard.limits import Limits
from rampguard.quantities import Clock, Reading, Signal, Validity

TICK_S: Final = 0.1
"""Bench time by which a bench in lock-step moves between readings."""
SLOW_WINDOW_S: Final = 0.1
CYCLES_PERIOD_S: Final = 0.005
"""Wall time from asking a meter that tells every cycle to asking it again."""
CYCLE_TICK_S: Final = 0.02
"""In place of `TICK_S` with such a meter; the others are read every `TICK_S` as before."""
IDLE_S: Final = 0.01
"""Wall time the loop waits for news at most, so that it feeds the watchdog and sees its deadlines."""


@dataclass(frozen=True, slots=True)
class Batch:
    """What one instrument had to say at one moment: its readings, and what went wrong (empty mostly)."""

    instrument: str
    readings: tuple[Reading, ...]
    problem: str = ""


class Acquisition(Protocol):
    """Where the loop gets its readings from."""

    def start(self) -> None:
        """Begin reading."""
        ...

    def collect(self, meanwhile: Callable[[], None]) -> list[tuple[Batch, ...]]:
        """What has arrived, oldest first, each entry one moment's batches.

        Returns after `IDLE_S`, or calls ``meanwhile`` that often while it waits longer.
        """
        ...

    def stop(self) -> None:
        """End the threads."""
        ...


def told_of(meter: Meter, clock: Clock) -> list[Batch]:
    """What a meter has to say: one moment, or every cycle since."""
    return _asked(meter, clock, meter.cycles if isinstance(meter, CycleMeter) else lambda: _moment(meter))


def read_once(meter: Meter, clock: Clock) -> Batch:
    """One moment of a meter; of one that tells every cycle, its newest, waited for."""
    return _asked(meter, clock, lambda: _moment(meter))[0]


def _moment(meter: Meter) -> list[Told]:
    return [Told(tuple(meter.read()))]


def _asked(meter: Meter, clock: Clock, ask: Callable[[], list[Told]]) -> list[Batch]:
    """A link that failed, or a mistake of ours, makes every signal MISSING, never zero."""
    asked_s = clock.now_s()
    try:
        return [Batch(meter.name, told.readings, told.problem) for told in ask()]
    except Exception as error:  # noqa: BLE001 - a thread that ended would leave a loop in lock-step waiting for ever
        return [_missing(meter, clock, asked_s, error)]


def _missing(meter: Meter, clock: Clock, asked_s: float, error: Exception) -> Batch:
    now_s = clock.now_s()
    problem = str(error) if isinstance(error, InstrumentError) else f"{meter.name}: {type(error).__name__}: {error}"
    asked: Sequence[Signal] = getattr(meter, "asked", meter.signals)  # of a scanner one of many
    missing = tuple(Reading(signal, None, now_s, asked_s, Validity.MISSING, instrument=meter.name) for signal in asked)
    return Batch(meter.name, missing, problem)


def in_time(readings: Sequence[Reading], now_s: float, limits: Limits) -> tuple[Reading, ...]:
    """Readings as they may be believed: what comes so late that it would be too old by now is missing.

    The guard's own ages begin when it is told of a reading, so that samples from a backlog would look new to it.
    """
    return tuple(
        replace(reading, value=None, validity=Validity.MISSING)
        if reading.value is not None and now_s - reading.time_s > limits.stale_s(reading.signal)
        else reading
        for reading in readings
    )


def forget_what_waits(meters: Sequence[Meter], clock: Clock) -> None:
    """Ask every meter that tells each cycle for those that waited for a reader: they are of before the run."""
    for meter in meters:
        if isinstance(meter, CycleMeter):
            told_of(meter, clock)


class FreeRunning:
    """Every meter read by its own thread, again and again."""

    def __init__(self, meters: Sequence[Meter], clock: Clock) -> None:
        self._inbox: queue.SimpleQueue[Batch] = queue.SimpleQueue()
        self._stop = threading.Event()
        self._clock = clock
        self._threads = [
            threading.Thread(target=self._pump, args=(meter,), name=f"read-{meter.name}", daemon=True)
            for meter in meters
        ]

    def start(self) -> None:
        """Begin reading."""
        for thread in self._threads:
            thread.start()

    def _pump(self, meter: Meter) -> None:
        # Twice in a quick one's window, once in a slow one's: the same window told twice is not two readings.
        slow = meter.measuring_time_s > SLOW_WINDOW_S
        period_s = max(LEAST_PERIOD_S, (1.0 if slow else 0.5) * meter.measuring_time_s)
        if isinstance(meter, CycleMeter):
            period_s = CYCLES_PERIOD_S
        while not self._stop.is_set():
            began_s = time.monotonic()
            for batch in told_of(meter, self._clock):
                self._inbox.put(batch)
            self._stop.wait(max(0.0, period_s - (time.monotonic() - began_s)))

    def collect(self, meanwhile: Callable[[], None]) -> list[tuple[Batch, ...]]:
        """All that has arrived; waits `IDLE_S` for the first."""
        moments: list[tuple[Batch, ...]] = []
        try:
            moments.append((self._inbox.get(timeout=IDLE_S),))
            while True:
                moments.append((self._inbox.get_nowait(),))
        except queue.Empty:
            return moments

    def stop(self) -> None:
        """End the threads."""
        self._stop.set()
        for thread in self._threads:
            thread.join(1.0)


class LockStep:
    """Every meter read once a tick, each by its own thread; time moves when the loop is ready for it.

    ``pace`` is bench seconds a wall second, None for as fast as it goes.
    """

    def __init__(self, meters: Sequence[Meter], clock: Clock, pace: float | None) -> None:
        self._clock = clock
        self._by_cycle = {meter.name for meter in meters if isinstance(meter, CycleMeter)}
        self._tick_s = CYCLE_TICK_S if self._by_cycle else TICK_S
        self._tick_wall_s = 0.0 if pace is None else self._tick_s / pace
        self._ticks = 0
        self._inbox: queue.SimpleQueue[tuple[str, list[Batch]]] = queue.SimpleQueue()
        self._asks: dict[str, queue.SimpleQueue[bool]] = {meter.name: queue.SimpleQueue() for meter in meters}
        self._due_s = 0.0
        self._threads = [
            threading.Thread(target=self._serve, args=(m, ask), name=f"read-{m.name}", daemon=True)
            for m, ask in zip(meters, self._asks.values(), strict=True)
        ]

    def start(self) -> None:
        """Begin; the first tick is due at once."""
        self._due_s = time.monotonic()
        for thread in self._threads:
            thread.start()

    def _serve(self, meter: Meter, asks: queue.SimpleQueue[bool]) -> None:
        while asks.get():
            self._inbox.put((meter.name, told_of(meter, self._clock)))

    def collect(self, meanwhile: Callable[[], None]) -> list[tuple[Batch, ...]]:
        """One tick, if it is due; else nothing, after `IDLE_S` at the latest."""
        early_s = self._due_s - time.monotonic()
        if early_s > 0:
            time.sleep(min(early_s, IDLE_S))
            if early_s > IDLE_S:
                return []
        self._due_s += self._tick_wall_s
        self._clock.sleep(self._tick_s)
        now = self._due_now()
        for name in now:
            self._asks[name].put(True)
        told: dict[str, list[Batch]] = {}
        while len(told) < len(now):
            try:
                name, batches = self._inbox.get(timeout=IDLE_S)
                told[name] = batches
            except queue.Empty:
                meanwhile()
        others = tuple(batch for name in now if name not in self._by_cycle for batch in told[name])
        cycles: list[tuple[Batch, ...]] = [(batch,) for name in now if name in self._by_cycle for batch in told[name]]
        return [*cycles, others] if others else cycles

    def _due_now(self) -> list[str]:
        """Whose turn it is: a meter that tells every cycle at every tick, others as often as without one."""
        every = round(TICK_S / self._tick_s)
        self._ticks += 1
        return [name for name in self._asks if name in self._by_cycle or self._ticks % every == 0]

    def stop(self) -> None:
        """End the threads."""
        for ask in self._asks.values():
            ask.put(False)
        for thread in self._threads:
            thread.join(1.0)


class SetPoints:
    """Set-points on their way, in a thread of their own. A newer one replaces one not yet sent.

    ``wait_done`` is for a bench in lock-step, where a set-point must have arrived before time moves.
    """

    def __init__(self, source: AcSource | Knob) -> None:
        self._source = source
        self._wanted_v: float | None = None
        self._sent_v: float | None = None
        self._closing = False
        self._changed = threading.Condition()
        self.problem = ""
        """What went wrong with the last set-point; empty if nothing did."""
        self._waiting_since_s: float | None = None
        self._thread = threading.Thread(target=self._run, name=f"set-{source.name}", daemon=True)
        self._thread.start()

    def set(self, line_voltage_v: float) -> None:
        """Ask for a set-point, volts rms; never blocks."""
        with self._changed:
            if line_voltage_v != self._wanted_v:
                self._wanted_v = line_voltage_v
                if self._waiting_since_s is None:
                    self._waiting_since_s = time.monotonic()
                self._changed.notify_all()

    def overdue_s(self) -> float:
        """For how long (wall) a set-point has been waiting to be taken."""
        with self._changed:
            return 0.0 if self._waiting_since_s is None else time.monotonic() - self._waiting_since_s

    def wait_done(self, timeout_s: float) -> bool:
        """Wait until the newest set-point has been taken or has failed. False after ``timeout_s`` of wall time."""
        with self._changed:
            return self._changed.wait_for(lambda: self._waiting_since_s is None, timeout_s)

    def stop(self) -> None:
        """End the thread. Switches nothing."""
        with self._changed:
            self._closing = True
            self._changed.notify_all()
        self._thread.join(1.0)

    def _run(self) -> None:
        while True:
            with self._changed:
                self._changed.wait_for(lambda: self._closing or self._wanted_v != self._sent_v)
                if self._closing:
                    return
                wanted_v = self._wanted_v
            problem = self._send(wanted_v)
            with self._changed:
                self._sent_v, self.problem = wanted_v, problem
                if self._wanted_v == wanted_v:
                    self._waiting_since_s = None
                self._changed.notify_all()

    def _send(self, line_voltage_v: float | None) -> str:
        assert line_voltage_v is not None  # noqa: S101 - the thread wakes for a set-point only
        try:
            self._source.set_line_voltage(line_voltage_v)
        except InstrumentError as error:
            return str(error)
        return ""
