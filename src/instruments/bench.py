"""The bench file: which instrument plays which role, and where each meter sits relative to the cut-off.

Reading one touches no instrument. Everything that can be wrong with it is told at once, each with its key and remedy.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Any, Final, Literal

from pydantic import Field, PrivateAttr, ValidationError, field_validator

from instruments.dialect import AS_WIRED, Dialect, Positive, Strict, Text, explain, load_dialect
from instruments.errors import BenchFileError
from instruments.keyed import KEYED, keyed_problems
from instruments.roles import Position
from rampguard.quantities import LINE_QUANTITIES, Quantity, Signal

PERSON: Final = "person"
"""In place of cut-offs: a person is the cut-off."""
_SERIAL: Final = re.compile(r"ASRL|MODBUS-RTU", re.IGNORECASE)
_SERIAL_PORT: Final = re.compile(r"(?:ASRL|MODBUS-RTU::)(.+?)::(?:INSTR|\d{1,3})", re.IGNORECASE)
# A pseudo-terminal is a program's, too.
_LOOPBACK = re.compile(
    r"ASRL/dev/pts/\d+::INSTR|(?:TCPIP\d*|MODBUS-TCP)::(127(?:\.\d{1,3}){3}|localhost|::1|\[::1\])::\d+::(?:SOCKET|\d{1,3})",
    re.IGNORECASE,
)


class Mains(Strict):
    """Nominal mains of the bench, volts rms and hertz."""

    voltage_v: Annotated[float, Field(ge=90, le=260)]
    frequency_hz: Annotated[float, Field(ge=45, le=65)]


class Unit(Strict):
    """What the file knows of the unit on the bench."""

    name: Text | None = None
    load_class: Text | None = None
    nameplate_v: Positive | None = None
    nameplate_w: Positive | None = None
    selector_v: Positive | None = None
    press_power_at: Annotated[float, Field(gt=0, le=1)] | None = None
    """Part of line voltage at which power is pressed, or the standby switch thrown; absent: as its class has it."""
    series_lamp_w: Positive | None = None
    """Watts of the series lamp ahead of it; absent: none."""
    facts: dict[str, Positive] = Field(default_factory=dict)
    """What else is known of it, as `rampguard classes` lists: ``va``, ``rail_v``, ``idle_w`` and so on."""


class SimulatedClock(Strict):
    """Marks a simulated bench whose time is not wall time."""

    kind: Literal["lock-step", "accelerated"]
    resource: Text | None = None
    speed: Positive | None = None


class SimulatedKnob(Strict):
    """Marks a simulated bench whose variac is turned by a simulated hand."""

    resource: Text


class Entry(Strict):
    """One instrument."""

    dialect: Text
    resource: Text
    identity: Text | None = None
    position: Position | None = None
    measures: Quantity | None = None
    channel: str = ""
    ranges: dict[Quantity, Positive] = Field(default_factory=dict)
    exclusive: bool | None = None

    @field_validator("position", mode="before")
    @classmethod
    def _position(cls, value: object) -> object:
        if value not in list(Position):
            raise ValueError(f"{value!r} is no position; use one of {', '.join(Position)}")
        return Position(str(value))

    @field_validator("measures", mode="before")
    @classmethod
    def _measures(cls, value: object) -> object:
        if value not in list(Quantity):
            raise ValueError(f"{value!r} is no quantity; use one of {', '.join(Quantity)}")
        return Quantity(str(value))

    @field_validator("ranges", mode="before")
    @classmethod
    def _ranges(cls, value: object) -> object:
        if isinstance(value, dict):
            return {Quantity(key) if key in list(Quantity) else key: item for key, item in value.items()}
        return value


Names = Annotated[tuple[str, ...], Field(strict=False)]


class Roles(Strict):
    """Who plays what. Names of instruments."""

    ac_source: str | None = None
    """Absent: a person turns a variac."""
    line_meters: Names = ()
    dc_meters: Names = ()
    thermometers: Names = ()
    cut_off: Annotated[tuple[str, ...], Field(min_length=1, strict=False)] | Literal["person"]
    power_button: str | None = None
    """What can press the unit's power button; absent: a person does."""


class BenchKind(StrEnum):
    """What brings line voltage up on a bench, and what cuts it."""

    DRIVEN = "programmable source"
    HAND_TURNED = "hand-turned variac, cut by a relay"
    PERSON_CUTS = "hand-turned variac, a person is the cut-off"


class BenchFile(Strict):
    """A bench file as read and checked. Its dialects and its bytes come with it."""

    format: Literal[1]
    title: Text
    off_floor_v: Annotated[float, Field(ge=0.5, le=10)]
    mains: Mains
    unit: Unit | None = None
    clock: SimulatedClock | None = None
    simulated_hand: SimulatedKnob | None = None
    instruments: Annotated[dict[str, Entry], Field(min_length=1)]
    roles: Roles
    _data: bytes = PrivateAttr(b"")
    _dialects: dict[str, Dialect] = PrivateAttr(default_factory=dict)

    @property
    def data(self) -> bytes:
        """The file's bytes as read."""
        return self._data

    @property
    def kind(self) -> BenchKind:
        """What kind of bench it is."""
        if self.roles.ac_source is not None:
            return BenchKind.DRIVEN
        return BenchKind.PERSON_CUTS if self.roles.cut_off == PERSON else BenchKind.HAND_TURNED

    @property
    def is_keyed(self) -> bool:
        """Whether a person types readings of the line."""
        entries = (self.instruments.get(name) for name in self.roles.line_meters)
        return any(entry is not None and entry.resource == KEYED for entry in entries)

    @property
    def kind_in_words(self) -> str:
        """What kind of bench it is, and whether readings are typed."""
        return f"{self.kind}, readings typed by a person" if self.is_keyed else str(self.kind)

    @property
    def meters(self) -> tuple[str, ...]:
        """Names of everything that is read, the line's meters first."""
        roles = self.roles
        return tuple(dict.fromkeys((*roles.line_meters, *roles.dc_meters, *roles.thermometers)))

    @property
    def cut_offs(self) -> tuple[str, ...]:
        """Names of the ways off, in order; none where a person is the cut-off."""
        return () if self.roles.cut_off == PERSON else tuple(self.roles.cut_off)

    def dialect(self, name: str) -> Dialect:
        """The dialect of an instrument of this bench."""
        return self._dialects[self.instruments[name].dialect]

    def exclusive(self, name: str) -> bool:
        """Whether an instrument serves one client only. A serial line does, and a person who types."""
        entry = self.instruments[name]
        if entry.resource == KEYED or _SERIAL.match(entry.resource):
            return True
        return self.dialect(name).link.exclusive if entry.exclusive is None else entry.exclusive

    @property
    def exclusive_cut_offs(self) -> tuple[str, ...]:
        """Of the ways off, those that serve one client only."""
        return tuple(name for name in self.cut_offs if self.exclusive(name))


def load_bench_file(path: Path, dialect_folder: Path | None = None) -> BenchFile:
    """Read and check a bench file and the dialects it names. Raises BenchFileError with every problem at once."""
    try:
        data = path.read_bytes()
        bench = BenchFile.model_validate(tomllib.loads(data.decode("utf-8")))
    except OSError as error:
        raise BenchFileError(path, [f"cannot be read ({error.strerror}); check the path"]) from None
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BenchFileError(path, [f"is not TOML: {error}"]) from None
    except ValidationError as error:
        raise BenchFileError(path, explain(error)) from None
    problems, dialects = _load_dialects(bench, dialect_folder)
    bench._data = data
    bench._dialects = dialects
    if not problems:
        problems = [
            *_role_problems(bench),
            *_entry_problems(bench),
            *_clock_problems(bench),
            *_hand_problems(bench),
            *_typed_problems(bench),
        ]
    if problems:
        raise BenchFileError(path, problems)
    return bench


def _load_dialects(bench: BenchFile, folder: Path | None) -> tuple[list[str], dict[str, Dialect]]:
    problems: list[str] = []
    dialects: dict[str, Dialect] = {}
    for name, entry in bench.instruments.items():
        if entry.dialect not in dialects:
            try:
                dialects[entry.dialect] = load_dialect(entry.dialect, folder)
            except BenchFileError as error:
                problems += [f"instruments.{name}.dialect: {problem}" for problem in error.problems]
    return problems, dialects


def _role_problems(bench: BenchFile) -> Iterator[str]:
    roles = bench.roles
    needs: list[tuple[str, str, Any]] = [
        *(("line_meters", name, lambda d: d.measurements) for name in roles.line_meters),
        *(("dc_meters", name, lambda d: d.measurements) for name in roles.dc_meters),
        *(("thermometers", name, lambda d: d.measurements) for name in roles.thermometers),
        *(("cut_off", name, lambda d: d.cut_off) for name in bench.cut_offs),
    ]
    if roles.ac_source is not None:
        needs.append(("ac_source", roles.ac_source, lambda d: d.source))
    if roles.power_button is not None:
        needs.append(("power_button", roles.power_button, lambda d: d.button))
    for role, name, part in needs:
        if name not in bench.instruments:
            known = ", ".join(bench.instruments)
            yield f"roles.{role}: there is no instrument {name!r}; defined are {known}"
        elif not part(bench.dialect(name)):
            yield f"roles.{role}: {name!r} cannot play it; its dialect {bench.dialect(name).name!r} has no such part"
    if roles.ac_source is not None and roles.cut_off == PERSON:
        yield f"roles.cut_off: the program can switch {roles.ac_source!r} off itself; name it instead of a person"
    if not roles.line_meters:
        yield "roles.line_meters: empty; line voltage and current must be measured"
    elif not any(
        name in bench.instruments and bench.instruments[name].position is Position.AFTER_CUT_OFF
        for name in roles.line_meters
    ):
        yield (
            "roles.line_meters: none of them sits after the cut-off, so nothing could prove that the unit is off;"
            ' move one there and say position = "after-cut-off"'
        )


def _typed_problems(bench: BenchFile) -> Iterator[str]:
    """What is typed comes seldom, so that it suits the line's meters of a hand-turned bench, and nothing else."""
    roles, instruments = bench.roles, bench.instruments
    for name in (*roles.dc_meters, *roles.thermometers):
        if name in instruments and instruments[name].resource == KEYED:
            yield f"instruments.{name}.resource: only the line's meters can be typed; connect it, or leave it out"
    typed = [instruments[name].resource == KEYED for name in roles.line_meters if name in instruments]
    if any(typed) and not all(typed):
        yield "roles.line_meters: some are typed and some are not; a slow one would hide that a quick one is gone"
    if any(typed) and roles.ac_source is not None:
        yield "roles.line_meters: a source that the program drives needs meters that it reads itself, not typed ones"


def _entry_problems(bench: BenchFile) -> Iterator[str]:
    for name, entry in bench.instruments.items():
        where = f"instruments.{name}"
        dialect = bench.dialect(name)
        wired = any(m.quantity == AS_WIRED for m in dialect.measurements)
        if wired and name in bench.meters:
            yield from _wiring_problems(where, entry)
        if not wired and (entry.measures is not None or entry.channel):
            yield f"{where}: measures and channel belong to a multimeter; {dialect.name!r} knows what it measures"
        if name in bench.roles.line_meters and entry.position is None:
            yield f"{where}.position: missing; say whether it sits before-cut-off or after-cut-off"
        yield from _range_problems(where, entry, dialect)
        if entry.resource == KEYED:
            yield from (f"{where}.resource: {problem}" for problem in keyed_problems(dialect))
    yield from _sharing_problems(bench)


def _sharing_problems(bench: BenchFile) -> Iterator[str]:
    """No two share a resource, or a serial line: on one, a meter's silence would hold up the way off."""
    resources = {name: entry.resource for name, entry in bench.instruments.items() if entry.resource != KEYED}
    for resource, sharing in _sharers(resources):
        yield f"instruments: {' and '.join(sharing)} have the same resource {resource}; each needs its own"
    lines = {name: line for name, resource in resources.items() if (line := serial_line(resource))}
    for line, sharing in _sharers(lines):
        if len({resources[name] for name in sharing}) > 1:
            yield (
                f"instruments: {' and '.join(sharing)} are on one serial line, {line}, where one that is silent holds"
                " up the others, a way off among them; give each an adapter of its own"
            )


def _sharers(of: dict[str, str]) -> Iterator[tuple[str, list[str]]]:
    """What more than one of these names have, and which names."""
    for shared in dict.fromkeys(of.values()):
        names = [name for name, other in of.items() if other == shared]
        if len(names) > 1:
            yield shared, names


def serial_line(resource: str) -> str:
    """The serial port of a resource, by the name that the operating system has for it; empty: it is on none."""
    match = _SERIAL_PORT.fullmatch(resource)
    port = match[1] if match else ""
    return f"COM{port}" if port.isdigit() else port


def _wiring_problems(where: str, entry: Entry) -> Iterator[str]:
    if entry.measures is None:
        yield f"{where}.measures: missing; say what it is wired to, such as emitter_resistor or dc_offset"
        return
    if entry.measures in LINE_QUANTITIES:
        yield f"{where}.measures: a DC meter cannot measure {entry.measures}"
        return
    try:
        Signal(entry.measures, entry.channel)
    except ValueError as error:
        yield f"{where}.channel: {error}"


def _range_problems(where: str, entry: Entry, dialect: Dialect) -> Iterator[str]:
    for quantity, full in entry.ranges.items():
        of = [m for m in dialect.measurements if quantity in (m.quantity, entry.measures)]
        if not of:
            yield f"{where}.ranges.{quantity}: it does not measure that; remove it"
        elif full not in [item.full for item in of[0].ranges]:
            has = ", ".join(f"{item.full:g}" for item in of[0].ranges)
            yield f"{where}.ranges.{quantity}: {full:g} is no range of {dialect.name!r}; it has {has} {of[0].unit}"


def _clock_problems(bench: BenchFile) -> Iterator[str]:
    clock = bench.clock
    if clock is None:
        return
    if clock.kind == "lock-step" and clock.resource is None:
        yield "clock.resource: missing; a bench in lock-step has a clock to ask"
    if clock.kind == "accelerated" and clock.speed is None:
        yield "clock.speed: missing; say how many bench seconds go by a second"
    away = _off_loopback([*(entry.resource for entry in bench.instruments.values()), clock.resource or ""])
    if away:
        yield (
            f"clock: {clock.kind} is for a simulated bench on this computer, but {away} is not on loopback;"
            " remove [clock] for a real bench"
        )


def _hand_problems(bench: BenchFile) -> Iterator[str]:
    hand = bench.simulated_hand
    if hand is None:
        return
    if bench.roles.ac_source is not None:
        yield "simulated_hand: there is no knob to turn on a bench with an ac_source; remove one of them"
    away = _off_loopback([*(entry.resource for entry in bench.instruments.values()), hand.resource])
    if away:
        yield (
            f"simulated_hand: it is for a simulated bench on this computer, but {away} is not on loopback;"
            " remove [simulated_hand] for a real bench"
        )


def _off_loopback(resources: list[str]) -> str:
    elsewhere = (r for r in resources if r and r != KEYED and not _LOOPBACK.fullmatch(r))
    return ", ".join(elsewhere)
