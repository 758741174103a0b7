"""A dialect: how a family of instruments is spoken to, as data. TOML files, checked strictly, with a JSON Schema.

Shipped ones lie in ``instruments/dialects``; a user's own in the configuration folder (`user_folder`).
"""

from __future__ import annotations

import json
import os
import re
import sys
import tomllib
from importlib.resources import files
from importlib.resources.abc import Traversable
from pathlib import Path
from typing import Annotated, Final, Literal

from pydantic import Field, ValidationError, field_validator, model_validator

from instruments.dialect_roles import (
    ButtonDialect,
    ColdDialect,
    DigitiserDialect,
    SourceDialect,
    SwitchDialect,
    placeholders,
)
from instruments.errors import BenchFileError
from instruments.modbus import BadRegister, all_registers_of, write_of
from instruments.replies import UNITS
from instruments.strict import NotNegative, Positive, Strict, Text, explain
from rampguard.quantities import UNIT, Quantity

INPUT: Final = "{input}"
"""In a scanner's question: the input that is asked for."""
AS_WIRED: Final = "as-wired"
"""The quantity of a measurement that the bench file names (``measures``, ``channel``): a multimeter reads what it is
wired to."""


class SerialSettings(Strict):
    """How a serial line is set."""

    baud_rate: Annotated[int, Field(ge=50, le=4_000_000)] = 9600
    data_bits: Literal[7, 8] = 8
    parity: Literal["none", "even", "odd"] = "none"
    stop_bits: Literal[1, 2] = 1


class LinkSettings(Strict):
    """How a session to it is held."""

    kind: Literal["asked", "streaming", "modbus"] = "asked"
    """Whether it answers when asked, sends readings by itself, line after line, or speaks Modbus."""
    identity_query: str = "*IDN?"
    """What it is asked when a session opens; empty where there is nothing to ask, as with one that streams."""
    serial: SerialSettings = SerialSettings()
    """Where its resource is a serial line."""
    read_terminator: Literal["\n", "\r\n", "\r"] = "\n"
    write_terminator: Literal["\n", "\r\n", "\r"] = "\n"
    reply_deadline_s: Annotated[float, Field(gt=0, le=5)] = 0.5
    exclusive: bool = False
    """Whether it serves one client only."""
    error_query: Text | None = None
    """What takes one entry off its error queue; absent where it has none."""


class Range(Strict):
    """A range, with its accuracy there: +/-(per cent of reading + per cent of range + absolute)."""

    full: Positive
    percent_of_reading: NotNegative = 0.0
    percent_of_range: NotNegative = 0.0
    absolute: NotNegative = 0.0
    """Counts times resolution, in the measurement's unit."""
    resolution: NotNegative = 0.0


class Measurement(Strict):
    """One quantity it measures. Measurements with the same query are read by one question."""

    quantity: Quantity | Literal["as-wired"]
    query: Text
    field: Annotated[int, Field(ge=0)] = 0
    """Which part of the reply, counting from 0, where the query has several answers."""
    separator: Text = ";"
    unit: Text
    measuring_time_s: Positive
    """How long one reading averages."""
    pattern: Text | None = None
    """A regular expression whose first group is the number in its field; absent: the field is the number."""
    over_range_reply: Text | None = None
    """What stands for a reading beyond the range, such as OL."""
    range_change_s: NotNegative = 0.0
    """For how long it has no reading while it changes range by itself; 0: its range is locked."""
    ranges: Annotated[tuple[Range, ...], Field(min_length=1, strict=False)]
    range_command: Text | None = None
    """Locks a range; placeholder {range}."""
    range_query: Text | None = None
    """Reads the range back."""
    crest_factor_limit: Positive | None = None
    sensor: Literal["type-k", "pt100"] | None = None
    """Where it reads a temperature's sensor in volts or ohms, which: the reading is turned into degrees."""
    reference_degc: float = 0.0
    """Temperature of a thermocouple's other end, where the meter does not allow for it itself."""

    @field_validator("quantity", mode="before")
    @classmethod
    def _known_quantity(cls, value: object) -> object:
        names = [AS_WIRED, *Quantity]
        if value not in names:
            raise ValueError(f"{value!r} is no quantity; use one of {', '.join(names)}")
        return value if value == AS_WIRED else Quantity(str(value))

    @field_validator("pattern")
    @classmethod
    def _one_group(cls, text: str | None) -> str | None:
        try:
            groups = 1 if text is None else re.compile(text).groups
        except re.error as error:
            raise ValueError(f"{text!r} is no regular expression: {error}") from None
        if groups != 1:
            raise ValueError(f"{text!r} has {groups} groups; it needs one, around the number")
        return text

    @field_validator("range_command")
    @classmethod
    def _range_placeholder(cls, text: str | None) -> str | None:
        return None if text is None else placeholders(text, {"range", "input"})

    @field_validator("query", "range_query")
    @classmethod
    def _input_placeholder(cls, text: str | None) -> str | None:
        return placeholders(text, {"input"}) if text is not None and INPUT in text else text

    @model_validator(mode="after")
    def _unit_fits(self) -> Measurement:
        if self.unit not in UNITS:
            raise ValueError(f"unit = {self.unit!r} is not understood; use one of {', '.join(UNITS)}")
        si = UNITS[self.unit][0]
        if self.sensor is not None:
            self._check_sensor(si)
        elif self.quantity != AS_WIRED and UNIT[Quantity(self.quantity)] != si:
            raise ValueError(
                f"unit = {self.unit!r} is not a unit of {self.quantity}, which is in {UNIT[Quantity(self.quantity)]}"
            )
        if (self.range_command is None) != (self.range_query is None):
            raise ValueError("range_command and range_query go together: a range that is not read back is not known")
        asks_each = [INPUT in text for text in (self.query, self.range_command, self.range_query) if text is not None]
        if any(asks_each) and (self.quantity != AS_WIRED or not all(asks_each)):
            raise ValueError(
                f"{INPUT} stands for a scanner's input: it belongs into query, range_command and range_query alike,"
                f" of an {AS_WIRED} measurement"
            )
        return self

    def _check_sensor(self, si: str) -> None:
        wanted = {"type-k": "V", "pt100": "ohm"}[str(self.sensor)]
        if si != wanted:
            raise ValueError(f"unit = {self.unit!r} is not what a {self.sensor} sensor gives, which is in {wanted}")
        if self.quantity not in (AS_WIRED, Quantity.TEMPERATURE):
            raise ValueError(f"sensor = {self.sensor!r}: it measures a temperature, not {self.quantity}")

    @property
    def scans(self) -> bool:
        """Whether it is asked for one input of a scanner at a time."""
        return INPUT in self.query


class Dialect(Strict):
    """How a family of instruments is spoken to."""

    format: Literal[1]
    name: Annotated[str, Field(pattern=r"^[a-z0-9]+(-[a-z0-9]+)*$")]
    title: Text
    identity: str = ""
    """Text that its ``*IDN?`` reply holds; the bench file may say otherwise."""
    link: LinkSettings = LinkSettings()
    measurements: Annotated[tuple[Measurement, ...], Field(strict=False)] = ()
    source: SourceDialect | None = None
    cut_off: SwitchDialect | None = None
    button: ButtonDialect | None = None
    cold: ColdDialect | None = None
    digitiser: DigitiserDialect | None = None

    @model_validator(mode="after")
    def _fits_its_link(self) -> Dialect:
        kind = self.link.kind
        if kind == "streaming" and (self.source or self.cut_off or self.button):
            raise ValueError("what streams its readings can be told nothing: it is a meter alone")
        if kind != "asked" and self.cold:
            raise ValueError("cold: ohms and diode tests are asked for, by lines of text; this one is not asked so")
        if self.digitiser is not None and (kind != "asked" or not self.link.exclusive):
            raise ValueError(
                "digitiser: blocks are asked for, and each is told once: set link.exclusive = true, and no other kind"
            )
        if kind != "asked" and self.link.identity_query == "*IDN?":
            object.__setattr__(self, "link", self.link.model_copy(update={"identity_query": ""}))
        if self.identity and not self.link.identity_query:
            raise ValueError("identity is what identity_query is answered with: give both or neither")
        if kind == "modbus":
            _check_registers(self)
        return self

    @model_validator(mode="after")
    def _plays_some_role(self) -> Dialect:
        plays = (self.measurements, self.source, self.cut_off, self.button, self.digitiser)
        if not any(plays):
            raise ValueError(
                "it measures nothing, sources nothing, cuts nothing and presses nothing:"
                " add measurements, source, cut_off, button or digitiser"
            )
        if self.source is not None and self.cut_off is None:
            raise ValueError("a source needs its cut_off: how its output is switched off, and the query that proves it")
        if self.digitiser is not None and any(plays[:4]):
            raise ValueError("a digitiser plays no other role: it has measurements of its own, by cycles")
        wired = [m for m in self.measurements if m.quantity == AS_WIRED]
        if wired and len(self.measurements) > 1:
            raise ValueError("an as-wired measurement stands alone: a bench file names one quantity an instrument")
        return self


def _check_registers(dialect: Dialect) -> None:
    switch, button = dialect.cut_off, dialect.button
    asked = [m.query for m in dialect.measurements] + ([switch.query] if switch else [])
    told = [*((switch.off, switch.close) if switch else ()), *((button.press, button.let_go) if button else ())]
    try:
        for text in filter(None, (*asked, dialect.link.identity_query)):
            all_registers_of(text)
        for text in told:
            write_of(text)
    except BadRegister as error:
        raise ValueError(str(error)) from None


def user_folder() -> Path:
    """Where a user keeps dialects of their own."""
    if sys.platform == "win32":  # pragma: no cover - not tested on Windows
        base = Path(os.environ.get("APPDATA", Path.home() / "AppData" / "Roaming"))
    elif sys.platform == "darwin":  # pragma: no cover - not tested on macOS
        base = Path.home() / "Library" / "Application Support"
    else:
        base = Path(os.environ.get("XDG_CONFIG_HOME") or Path.home() / ".config")
    return base / "rampguard" / "dialects"


def load_dialect(name: str, folder: Path | None = None) -> Dialect:
    """The dialect of that name, shipped or the user's own. Raises BenchFileError with every problem at once."""
    folder = user_folder() if folder is None else folder
    shipped = _shipped()
    own = folder / f"{name}.toml"
    if name in shipped and own.exists():
        raise BenchFileError(
            own, [f"there is a shipped dialect {name!r}; rename yours, file and name, to say what differs"]
        )
    if own.exists():
        return parse_dialect(own.read_bytes(), own)
    if name in shipped:
        return parse_dialect(shipped[name].read_bytes(), Path(f"{name}.toml"))
    raise BenchFileError(own, [f"there is no dialect {name!r}; there are: {', '.join(dialect_names(folder))}"])


def dialect_names(folder: Path | None = None) -> list[str]:
    """Every dialect there is, shipped or the user's own."""
    folder = user_folder() if folder is None else folder
    return sorted({*_shipped(), *(path.stem for path in folder.glob("*.toml"))})


def _shipped() -> dict[str, Traversable]:
    entries = files("instruments").joinpath("dialects").iterdir()
    return {entry.name.removesuffix(".toml"): entry for entry in entries if entry.name.endswith(".toml")}


def parse_dialect(data: bytes, origin: Path) -> Dialect:
    """A dialect from a file's bytes. Raises BenchFileError."""
    try:
        dialect = Dialect.model_validate(tomllib.loads(data.decode("utf-8")))
    except (tomllib.TOMLDecodeError, UnicodeDecodeError) as error:
        raise BenchFileError(origin, [f"is not TOML: {error}"]) from None
    except ValidationError as error:
        raise BenchFileError(origin, explain(error)) from None
    if dialect.name != origin.stem:
        raise BenchFileError(origin, [f"name = {dialect.name!r} must be the file's own, {origin.stem!r}"])
    return dialect


def schema_text() -> str:
    """The JSON Schema of dialect files, as shipped in ``dialects/dialect.schema.json``."""
    return json.dumps(Dialect.model_json_schema(), indent=2) + "\n"
