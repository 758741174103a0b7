"""Connects a bench: opens and identifies every instrument, locks the meters' ranges. Switches nothing.

The source, each meter and each cut-off have a session of their own, so that a slow answer to one never stands in the
way of switching off; an instrument that serves one client only shares one session among its roles.
"""

from __future__ import annotations

import contextlib
import importlib
from collections.abc import Callable
from enum import Enum
from functools import partial

from instruments.bench import BenchFile
from instruments.clock import AcceleratedClock, LockStepClock, WallClock
from instruments.cold_meter import ColdMeter
from instruments.dialect import LinkSettings
from instruments.errors import InstrumentError, LinkError
from instruments.hand import HAND_NAME, IDENTITY, UNIT_HAND_IDENTITY, UNIT_HAND_NAME, SimulatedHand, SimulatedUnitHand
from instruments.instrument import ScpiButton, ScpiCutOff, ScpiMeter, ScpiSource, links_of
from instruments.keyed import KEYED, Keyboard, KeyedLink
from instruments.modbus import ModbusSession
from instruments.roles import Bench, Meter, Position, Wire
from instruments.stream import StreamSession
from instruments.visa import Link, Session, VisaSession, load_backend
from rampguard.quantities import Clock

CLOCK_NAME = "bench clock"


class Which(Enum):
    """Which instruments of a bench are connected."""

    ALL = "all"
    WATCHDOGS = "the watchdog's"
    """The cut-offs and the line meters after them that serve more than one client."""
    EXCLUSIVE_WAYS_OFF = "exclusive ways off"
    """The cut-offs that serve one client only: the watchdog's once the engine is gone, and before it is there."""
    EXCLUSIVE_METERS = "exclusive meters"
    """The line meters after the cut-off that serve one client only: they prove off once the engine is gone."""


class _Links:
    """Makes links, shared where an instrument is exclusive; closes what it made if connecting fails."""

    def __init__(self, bench_file: BenchFile, keyboard: Keyboard | None = None) -> None:
        self._file = bench_file
        self._keyboard = keyboard
        self._shared: dict[str, Wire] = {}
        self.made: list[Wire] = []

    def open(self, name: str) -> Wire:
        entry, dialect = self._file.instruments[name], self._file.dialect(name)
        if name in self._shared:
            return self._shared[name]
        if entry.resource == KEYED:
            if self._keyboard is None:
                raise InstrumentError(f"{name}: its readings are typed by a person, and there is nobody to ask here")
            return KeyedLink(name, dialect, self._keyboard)
        link = Link(
            entry.resource,
            name=name,
            deadline_s=dialect.link.reply_deadline_s,
            identity=dialect.identity if entry.identity is None else entry.identity,
            identity_query=dialect.link.identity_query,
            open_session=partial(session_of, entry.resource, dialect.link),
        )
        self.made.append(link)
        link.open()
        if self._file.exclusive(name):
            self._shared[name] = link
        return link


def load_libraries(bench_file: BenchFile) -> None:
    """Load what this bench is spoken to with. What is not installed says so when it is wanted."""
    kinds = {bench_file.dialect(name).link.kind for name in bench_file.instruments}
    load_backend()
    for kind, library in (("modbus", "pymodbus.client"), ("streaming", "serial")):
        if kind in kinds:
            with contextlib.suppress(ImportError):
                importlib.import_module(library)


def session_of(resource: str, how: LinkSettings) -> Session:
    """A session to an instrument that is spoken to in this way. May raise anything."""
    if how.kind == "modbus":
        return ModbusSession(resource, how.reply_deadline_s, how.serial)
    if how.kind == "streaming":
        return StreamSession(resource, how.reply_deadline_s, how.read_terminator, how.serial)
    return VisaSession(resource, how.reply_deadline_s, how.read_terminator, how.write_terminator, how.serial)


def connect(
    bench_file: BenchFile, keyboard: Keyboard | None = None, which: Which = Which.ALL, only: str | None = None
) -> Bench:
    """Connect a bench, or part of it. Raises LinkError or another InstrumentError, having closed what it had opened.

    ``keyboard`` is where a person is asked for readings that they type; ``only`` leaves out every other way off.
    """
    everything = which is Which.ALL
    load_libraries(bench_file)  # before any deadline begins
    links = _Links(bench_file, keyboard)
    try:
        clock = _clock(bench_file, links, alone=everything)
        cut_offs = [n for n in bench_file.cut_offs if everything or _is_of(bench_file, n, which)]
        cut_offs = [n for n in cut_offs if only in (None, n)]
        meters = [n for n in bench_file.meters if everything or _proves(bench_file, n, which)]
        source, button = bench_file.roles.ac_source, bench_file.roles.power_button
        return Bench(
            clock=clock,
            cut_offs=tuple(ScpiCutOff(links.open(n), bench_file.dialect(n)) for n in cut_offs),
            source=None
            if source is None or not everything
            else ScpiSource(links.open(source), bench_file.dialect(source)),
            meters=tuple(_meter(bench_file, links.open(n), n, clock, lock=everything) for n in meters),
            off_floor_v=bench_file.off_floor_v,
            button=None
            if button is None or not everything
            else ScpiButton(links.open(button), bench_file.dialect(button)),
            knob=None if not everything else _hand(bench_file, links),
            unit_hand=None if not everything else _unit_hand(bench_file, links),
        )
    except InstrumentError:
        _close(links.made)
        raise


def connect_cold_meter(bench_file: BenchFile, name: str | None = None) -> ColdMeter:
    """Connect the bench's ohmmeter alone: the one of that name, or the first that there is. Raises InstrumentError."""
    can = [one for one in bench_file.instruments if bench_file.dialect(one).cold is not None]
    wanted = name or (can[0] if can else None)
    if wanted not in can:
        those = ", ".join(can) or "none"
        raise InstrumentError(f"{wanted or 'this bench'}: reads no ohms, by its dialect; those that do: {those}")
    load_libraries(bench_file)
    links = _Links(bench_file)
    try:
        return ColdMeter(links.open(wanted), bench_file.dialect(wanted))
    except InstrumentError:
        _close(links.made)
        raise


def identified(bench_file: BenchFile) -> list[tuple[str, str, str]]:
    """Every instrument asked who it is, one after the other: its name, its answer, and what went wrong, if it did."""
    load_libraries(bench_file)
    found = []
    for name, entry in bench_file.instruments.items():
        if entry.resource == KEYED:
            found.append((name, "a person types what it shows", ""))
            continue
        links = _Links(bench_file)
        try:
            link = links.open(name)
        except InstrumentError as error:
            found.append((name, "", str(error)))
        else:
            found.append((name, getattr(link, "identified_as", ""), ""))
        finally:
            _close(links.made)
    return found


def _is_of(bench_file: BenchFile, name: str, which: Which) -> bool:
    wanted = Which.EXCLUSIVE_WAYS_OFF if bench_file.exclusive(name) else Which.WATCHDOGS
    return which is wanted


def _proves(bench_file: BenchFile, name: str, which: Which) -> bool:
    entry = bench_file.instruments[name]
    wanted = Which.EXCLUSIVE_METERS if bench_file.exclusive(name) else Which.WATCHDOGS
    after = entry.position is Position.AFTER_CUT_OFF and name in bench_file.roles.line_meters
    # One that is a way off too is opened as that: its port serves one client.
    return after and which is wanted and entry.resource != KEYED and name not in bench_file.exclusive_cut_offs


def _meter(bench_file: BenchFile, link: Wire, name: str, clock: Clock, *, lock: bool) -> Meter:
    entry = bench_file.instruments[name]
    if bench_file.dialect(name).digitiser is not None:
        from instruments.digitiser import DigitiserMeter  # late: few benches have one

        assert isinstance(link, Link)  # noqa: S101 - its dialect is asked for text, and so opened as one
        return DigitiserMeter(link, bench_file.dialect(name), clock, entry, bench_file.mains.frequency_hz)
    meter = ScpiMeter(
        link,
        bench_file.dialect(name),
        clock,
        position=entry.position or Position.BEFORE_CUT_OFF,
        wired_to=entry.wired_to,
        ranges=entry.ranges,
    )
    if lock:
        meter.lock_ranges()
    return meter


def _clock(bench_file: BenchFile, links: _Links, *, alone: bool) -> Clock:
    stated = bench_file.clock
    if stated is None:
        return WallClock()
    if stated.kind == "accelerated":
        return AcceleratedClock(stated.speed or 1.0)
    return LockStepClock(_simulated(stated.resource or "", CLOCK_NAME, "BENCH-CLOCK", links), alone=alone)


def _hand(bench_file: BenchFile, links: _Links) -> SimulatedHand | None:
    stated = bench_file.simulated_hand
    return None if stated is None else SimulatedHand(_simulated(stated.resource, HAND_NAME, IDENTITY, links))


def _unit_hand(bench_file: BenchFile, links: _Links) -> SimulatedUnitHand | None:
    stated = bench_file.simulated_unit_hand
    return (
        None
        if stated is None
        else SimulatedUnitHand(_simulated(stated.resource, UNIT_HAND_NAME, UNIT_HAND_IDENTITY, links))
    )


def _simulated(resource: str, name: str, identity: str, links: _Links) -> Link:
    link = Link(resource, name=name, identity=identity)
    links.made.append(link)
    link.open()
    return link


def close_bench(bench: Bench) -> None:
    """Close every session. Switches nothing."""
    parts = [*bench.meters, *bench.cut_offs, *filter(None, (bench.source, bench.button))]
    _close(links_of(parts))
    for simulated in (bench.clock, bench.knob, bench.unit_hand):
        close: Callable[[], None] | None = getattr(simulated, "close", None)
        if close is not None:
            close()


def _close(links: list[Wire]) -> None:
    for link in links:
        with contextlib.suppress(LinkError):
            link.close()
