"""Connects a bench: opens and identifies every instrument, locks the meters' ranges. Switches nothing.

The source, each meter and each cut-off have a session of their own, so that a slow answer to one never stands in the
way of switching off; an instrument that serves one client only shares one session among its roles.
"""

from __future__ import annotations

import contextlib
from collections.abc import Callable

from instruments.bench import BenchFile
from instruments.clock import AcceleratedClock, LockStepClock, WallClock
from instruments.errors import InstrumentError, LinkError
from instruments.instrument import ScpiButton, ScpiCutOff, ScpiMeter, ScpiSource, links_of
from instruments.roles import Bench, Position
from instruments.visa import Link
from rampguard.quantities import Clock, Signal

CLOCK_NAME = "bench clock"


class _Links:
    """Makes links, shared where an instrument is exclusive; closes what it made if connecting fails."""

    def __init__(self, bench_file: BenchFile) -> None:
        self._file = bench_file
        self._shared: dict[str, Link] = {}
        self.made: list[Link] = []

    def open(self, name: str) -> Link:
        entry, dialect = self._file.instruments[name], self._file.dialect(name)
        if name in self._shared:
            return self._shared[name]
        link = Link(
            entry.resource,
            name=name,
            deadline_s=dialect.link.reply_deadline_s,
            identity=dialect.identity if entry.identity is None else entry.identity,
            read_terminator=dialect.link.read_terminator,
            write_terminator=dialect.link.write_terminator,
        )
        self.made.append(link)
        link.open()
        if self._file.exclusive(name):
            self._shared[name] = link
        return link


def connect(bench_file: BenchFile, *, cut_off_only: bool = False) -> Bench:
    """Connect a bench. Raises LinkError or another InstrumentError, having closed what it had opened.

    ``cut_off_only`` is the watchdog's: the cut-offs and the line meters after them. It cannot share an instrument that
    serves one client only with the engine, so those are left out for it.
    """
    links = _Links(bench_file)
    try:
        clock = _clock(bench_file, links)
        cut_offs = [n for n in bench_file.cut_offs if not (cut_off_only and bench_file.exclusive(n))]
        meters = [n for n in bench_file.meters if not cut_off_only or _proves(bench_file, n)]
        source, button = bench_file.roles.ac_source, bench_file.roles.power_button
        return Bench(
            clock=clock,
            cut_offs=tuple(ScpiCutOff(links.open(n), bench_file.dialect(n)) for n in cut_offs),
            source=None
            if source is None or cut_off_only
            else ScpiSource(links.open(source), bench_file.dialect(source)),
            meters=tuple(_meter(bench_file, links.open(n), n, clock, lock=not cut_off_only) for n in meters),
            off_floor_v=bench_file.off_floor_v,
            button=None
            if button is None or cut_off_only
            else ScpiButton(links.open(button), bench_file.dialect(button)),
        )
    except InstrumentError:
        _close(links.made)
        raise


def _proves(bench_file: BenchFile, name: str) -> bool:
    after = bench_file.instruments[name].position is Position.AFTER_CUT_OFF
    return after and name in bench_file.roles.line_meters and not bench_file.exclusive(name)


def _meter(bench_file: BenchFile, link: Link, name: str, clock: Clock, *, lock: bool) -> ScpiMeter:
    entry = bench_file.instruments[name]
    meter = ScpiMeter(
        link,
        bench_file.dialect(name),
        clock,
        position=entry.position or Position.BEFORE_CUT_OFF,
        wired_to=None if entry.measures is None else Signal(entry.measures, entry.channel),
        ranges=entry.ranges,
    )
    if lock:
        meter.lock_ranges()
    return meter


def _clock(bench_file: BenchFile, links: _Links) -> Clock:
    stated = bench_file.clock
    if stated is None:
        return WallClock()
    if stated.kind == "accelerated":
        return AcceleratedClock(stated.speed or 1.0)
    link = Link(stated.resource or "", name=CLOCK_NAME, identity="BENCH-CLOCK")
    links.made.append(link)
    link.open()
    return LockStepClock(link)


def close_bench(bench: Bench) -> None:
    """Close every session. Switches nothing."""
    parts = [*bench.meters, *bench.cut_offs, *filter(None, (bench.source, bench.button))]
    _close(links_of(parts))
    close_clock: Callable[[], None] | None = getattr(bench.clock, "close", None)
    if close_clock is not None:
        close_clock()


def _close(links: list[Link]) -> None:
    for link in links:
        with contextlib.suppress(LinkError):
            link.close()
