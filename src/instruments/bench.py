"""The bench file: which instrument plays which role, and where each meter sits relative to the cut-off.

Reading one touches no instrument. Everything that can be wrong with it is told at once, each with its key and remedy.
"""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from enum import StrEnum
from pathlib import Path
from typing import Annotated, Literal

from pydantic import Field, PrivateAttr, ValidationError, field_validator

from instruments.bench_problems import PERSON, SERIAL, problems_of
from instruments.dialect import Dialect, load_dialect
from instruments.errors import BenchFileError
from instruments.keyed import KEYED
from instruments.replies import UNITS
from instruments.roles import Position
from instruments.strict import NotNegative, Positive, Strict, Text, explain
from rampguard.quantities import BEHIND_RELAY, Quantity, Signal


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


class SimulatedUnitHand(Strict):
    """Marks a simulated bench with a simulated hand in the unit: at its trimmers, the meters' clips, its lid."""

    resource: Text


class Entry(Strict):
    """One instrument."""

    dialect: Text
    resource: Text
    identity: Text | None = None
    position: Position | None = None
    measures: Quantity | None = None
    channel: str = ""
    inputs: dict[str, str] = Field(default_factory=dict)
    """Of a scanner: what each input is wired to, as the signal's column: ``emitter_resistor_left_v``."""
    ranges: dict[Quantity, Positive] = Field(default_factory=dict)
    scales: dict[str, float] = Field(default_factory=dict)
    """Of a digitiser: volts or amperes of the line per volt at each input, by its probe; below zero turns it round."""
    rate_hz: Positive | None = None
    """Of a digitiser: samples a second; absent: as its dialect has it."""
    probe_percent: dict[str, NotNegative] = Field(default_factory=dict)
    """Of a digitiser: each probe's accuracy, per cent of reading; absent: none is added to the digitiser's own."""
    skew_us: float = 0.0
    """Of a digitiser: by so many microseconds the current's input is behind the voltage's; below zero: ahead..."""
    skew_bound_us: NotNegative = 20.0
    """...known to within so many."""
    exclusive: bool | None = None

    @property
    def wired_to(self) -> Signal | dict[str, Signal] | None:
        """What it is wired to: a multimeter's one signal, a scanner's by input, or what its dialect knows."""
        if self.inputs:
            signals = {number: Signal.from_column(column) for number, column in self.inputs.items()}
            return {number: signal for number, signal in signals.items() if signal is not None}
        return None if self.measures is None else Signal(self.measures, self.channel)

    @property
    def signals(self) -> tuple[Signal, ...]:
        """The signals that this file names for it."""
        wired = self.wired_to
        return () if wired is None else (wired,) if isinstance(wired, Signal) else tuple(wired.values())

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
    simulated_unit_hand: SimulatedUnitHand | None = None
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

    def clipped_to(self, channel: str) -> BenchFile:
        """The same bench, its multimeters of idle and offset clipped to another channel.

        Raises BenchFileError unless they are all on one channel.
        """
        clips = {
            name: entry
            for name, entry in self.instruments.items()
            if entry.measures in (Quantity.EMITTER_RESISTOR, Quantity.DC_OFFSET) and name in self.roles.dc_meters
        }
        homes = {entry.channel.removesuffix(BEHIND_RELAY) for entry in clips.values()}
        if len(homes) != 1:
            what = "no multimeter reads idle or offset" if not homes else f"multimeters read {', '.join(sorted(homes))}"
            raise BenchFileError(Path(self.title), [f"{what}: to go round the channels, clip all of them to one"])
        [home] = homes
        moved = {
            name: entry.model_copy(update={"channel": channel + entry.channel.removeprefix(home)})
            for name, entry in clips.items()
        }
        return self.model_copy(update={"instruments": {**self.instruments, **moved}})

    def on_widest_current_range(self) -> BenchFile:
        """The same bench, its line meters on the widest range of current they have: for an inrush."""
        wide = {
            name: entry.model_copy(
                update={"ranges": {q: r for q, r in entry.ranges.items() if q is not Quantity.LINE_CURRENT}}
            )
            for name, entry in self.instruments.items()
        }
        return self.model_copy(update={"instruments": wide})

    def on_smallest_ranges(self, holding: Mapping[Quantity, float]) -> BenchFile:
        """The same bench, its line meters on the smallest range that holds so much, SI; the widest where none does."""
        small = {
            name: self.instruments[name].model_copy(
                update={"ranges": {**self.instruments[name].ranges, **self._smallest(name, holding)}}
            )
            for name in self.roles.line_meters
        }
        return self.model_copy(update={"instruments": {**self.instruments, **small}})

    def _smallest(self, name: str, holding: Mapping[Quantity, float]) -> dict[Quantity, float]:
        found = {}
        for measurement in self.dialect(name).measurements:
            if measurement.quantity in holding:
                least = holding[Quantity(measurement.quantity)] / UNITS[measurement.unit][1]
                fulls = sorted(r.full for r in measurement.ranges)
                found[Quantity(measurement.quantity)] = next((full for full in fulls if full >= least), fulls[-1])
        return found

    def full_range(self, name: str, quantity: Quantity) -> float | None:
        """The range that a line meter stands on by this file, SI; None where it does not measure that."""
        for measurement in self.dialect(name).measurements:
            if measurement.quantity == quantity:
                full = self.instruments[name].ranges.get(quantity, max(r.full for r in measurement.ranges))
                return full * UNITS[measurement.unit][1]
        return None

    @property
    def digitiser(self) -> str | None:
        """The name of the digitiser among the line's meters, if there is one."""
        return next((name for name in self.roles.line_meters if self.dialect(name).digitiser is not None), None)

    def dialect(self, name: str) -> Dialect:
        """The dialect of an instrument of this bench."""
        return self._dialects[self.instruments[name].dialect]

    def exclusive(self, name: str) -> bool:
        """Whether an instrument serves one client only. A serial line does, and a person who types."""
        entry = self.instruments[name]
        if entry.resource == KEYED or SERIAL.match(entry.resource):
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
        problems = list(problems_of(bench))
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
