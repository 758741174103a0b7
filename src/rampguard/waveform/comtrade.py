"""COMTRADE records (IEEE C37.111-2013, IEC 60255-24): a configuration and a data file. Writes 2013, reads 1999 too.

Data as ASCII, BINARY (16 bit), BINARY32 or FLOAT32. Values are ``a x + b``: ``a`` and ``b`` are chosen so that a
channel fills the range of its numbers. Times are in the data, in microseconds where they fit 32 bit, else by the time
multiplier. Line order and scaling by a published reading of the standard and its sample files; limits of lengths from
memory.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Final, Literal

import numpy as np
import numpy.typing as npt

from rampguard.waveform.errors import ComtradeError
from rampguard.waveform.record import Channel, Record

Kind = Literal["ASCII", "BINARY", "BINARY32", "FLOAT32"]
KINDS: Final[tuple[Kind, ...]] = ("ASCII", "BINARY", "BINARY32", "FLOAT32")
FULL: Final = {"ASCII": 99998, "BINARY": 32767, "BINARY32": 2147483647}
"""The largest number of each kind; one more, below zero, stands for a missing sample in the binary ones."""
MISSING: Final = {"ASCII": 99999, "BINARY": -32768, "BINARY32": -2147483648}
WORDS: Final = {"BINARY": "<i2", "BINARY32": "<i4", "FLOAT32": "<f4"}
MOST_TEXT: Final = 64
TIME_FORMAT: Final = "%d/%m/%Y,%H:%M:%S.%f"
MOST_TICKS: Final = 0xFFFFFFFE
"""0xFFFFFFFF stands for a missing time."""


# -- writing -----------------------------------------------------------------------------------------------------------


def write_comtrade(record: Record, stem: Path, kind: Kind = "FLOAT32") -> tuple[Path, Path]:
    """Write ``stem``.cfg and ``stem``.dat. Raises ComtradeError for what no record can hold, OSError."""
    config, data = stem.with_suffix(".cfg"), stem.with_suffix(".dat")
    config_bytes, data_bytes = comtrade_bytes(record, kind)
    data.write_bytes(data_bytes)
    config.write_bytes(config_bytes)
    return config, data


def comtrade_bytes(record: Record, kind: Kind = "FLOAT32") -> tuple[bytes, bytes]:
    """What the .cfg and the .dat file of a record hold. Raises ComtradeError for what no record can hold."""
    _check(record)
    scales = [_scale(channel.values, kind) for channel in record.channels]
    times_us = np.rint(1e6 * record.at_s)
    multiplier = max(1.0, float(math.ceil(times_us[-1] / MOST_TICKS)))
    ticks = np.rint(times_us / multiplier).astype("<u4")
    raw = [_raw(channel.values, scale, kind) for channel, scale in zip(record.channels, scales, strict=True)]
    data = _ascii(ticks, raw) if kind == "ASCII" else _binary(ticks, raw, kind)
    lines = list(_config_lines(record, scales, kind, multiplier))
    return "".join(f"{line}\r\n" for line in lines).encode("utf-8"), data


def _check(record: Record) -> None:
    if not record.channels or not len(record.at_s):
        raise ComtradeError("a record needs a channel and a sample: there is nothing to write")
    if np.any(np.diff(record.at_s) <= 0.0) or record.at_s[0] != 0.0:
        raise ComtradeError("a record's times begin at 0 and rise from sample to sample")
    for channel in record.channels:
        if len(channel.values) != len(record.at_s):
            raise ComtradeError(f"{channel.name}: {len(channel.values)} values, but {len(record.at_s)} times")
        if np.any(np.isinf(channel.values)):
            raise ComtradeError(f"{channel.name}: holds infinite values; leave them out as missing (NaN)")
    for text in (record.station, record.device, *(part for c in record.channels for part in (c.name, c.unit, c.phase))):
        if len(text) > MOST_TEXT or any(mark in text for mark in ",\r\n"):
            raise ComtradeError(f"{text!r}: no comma or line end, and no more than {MOST_TEXT} characters, fit a field")


@dataclass(frozen=True, slots=True)
class _Scale:
    a: float
    b: float
    low: int
    high: int


def _scale(values: npt.NDArray[np.float64], kind: Kind) -> _Scale:
    if kind == "FLOAT32":
        return _Scale(1.0, 0.0, -32767, 32767)
    full = FULL[kind]
    known = values[~np.isnan(values)]
    low, high = (float(known.min()), float(known.max())) if len(known) else (0.0, 0.0)
    b = 0.5 * (low + high)
    a = float(f"{0.5 * (high - low) / full * (1.0 + 1e-9):.15g}") or 1.0
    return _Scale(a, float(f"{b:.15g}"), -full, full)


def _raw(values: npt.NDArray[np.float64], scale: _Scale, kind: Kind) -> npt.NDArray[np.generic]:
    if kind == "FLOAT32":
        return values.astype("<f4")
    numbers = np.clip(np.rint((values - scale.b) / scale.a), scale.low, scale.high)
    filled = np.where(np.isnan(values), MISSING[kind], numbers)
    return filled.astype("<i8" if kind == "ASCII" else WORDS[kind])


def _ascii(ticks: npt.NDArray[np.generic], raw: Sequence[npt.NDArray[np.generic]]) -> bytes:
    numbers = np.column_stack([np.arange(1, len(ticks) + 1), ticks.astype("<i8"), *raw])
    return "".join(",".join(map(str, row)) + "\r\n" for row in numbers.tolist()).encode("ascii")


def _binary(ticks: npt.NDArray[np.generic], raw: Sequence[npt.NDArray[np.generic]], kind: Kind) -> bytes:
    layout = np.dtype([("n", "<u4"), ("t", "<u4"), ("x", WORDS[kind], (len(raw),))])
    rows = np.zeros(len(ticks), dtype=layout)
    rows["n"], rows["t"], rows["x"] = np.arange(1, len(ticks) + 1), ticks, np.column_stack(raw)
    return rows.tobytes()


def _config_lines(record: Record, scales: Sequence[_Scale], kind: Kind, multiplier: float) -> Iterator[str]:
    count = len(record.channels)
    yield f"{record.station},{record.device},2013"
    yield f"{count},{count}A,0D"
    for number, (channel, scale) in enumerate(zip(record.channels, scales, strict=True), 1):
        scaled = f"{scale.a!r},{scale.b!r},0,{scale.low},{scale.high},1,1,P"
        yield f"{number},{channel.name},{channel.phase},,{channel.unit},{scaled}"
    yield f"{record.line_frequency_hz:g}"
    yield "0"  # sample times are in the data
    yield f"0,{len(record.at_s)}"
    yield record.begins.astimezone(UTC).strftime(TIME_FORMAT)
    yield record.trigger.astimezone(UTC).strftime(TIME_FORMAT)
    yield kind
    yield f"{multiplier:g}"
    yield "0,0"  # UTC, here and where it was taken
    yield "F,0"  # how good the clock is: not known


# -- reading -----------------------------------------------------------------------------------------------------------


def read_comtrade(config: Path) -> Record:
    """Read a record by its .cfg file; the .dat file lies beside it. Status channels are left alone.

    Raises ComtradeError, with the file and the line.
    """
    try:
        lines = config.read_text(encoding="utf-8", errors="replace").splitlines()
    except OSError as error:
        raise ComtradeError(f"{config}: cannot be read ({error.strerror}); check the path") from None
    try:
        plan = _Config(lines)
    except (IndexError, ValueError) as error:
        raise ComtradeError(f"{config}: is no configuration of 1999 or 2013 ({error})") from None
    data = next((p for p in (config.with_suffix(".dat"), config.with_suffix(".DAT")) if p.exists()), None)
    if data is None:
        raise ComtradeError(f"{config}: its data file {config.with_suffix('.dat').name} is not beside it")
    try:
        numbers, ticks, raw = plan.samples(data.read_bytes())
        if len(numbers) < plan.count or not len(numbers):
            raise ValueError(f"holds {len(numbers)} of {plan.count} samples: it is torn")
    except ValueError as error:
        raise ComtradeError(f"{data}: {error}") from None
    values = [
        np.where(_missing(row, plan.kind), np.nan, c.a * row + c.b) for row, c in zip(raw, plan.scales, strict=True)
    ]
    channels = tuple(Channel(n.name, n.unit, v, n.phase) for n, v in zip(plan.named, values, strict=True))
    return Record(
        station=plan.station,
        device=plan.device,
        line_frequency_hz=plan.line_frequency_hz,
        begins=plan.begins,
        trigger=plan.trigger,
        at_s=plan.times_s(numbers, ticks),
        channels=channels,
        revision=plan.revision,
    )


def _missing(row: npt.NDArray[np.float64], kind: str) -> npt.NDArray[np.bool_]:
    return np.isnan(row) if kind == "FLOAT32" else row == MISSING[kind]


@dataclass(frozen=True, slots=True)
class _Named:
    name: str
    phase: str
    unit: str


class _Config:
    """A configuration file's lines. Raises IndexError, ValueError."""

    def __init__(self, lines: Sequence[str]) -> None:
        fields = [[field.strip() for field in line.split(",")] for line in lines]
        self.station, self.device = fields[0][0], fields[0][1]
        self.revision = int(fields[0][2])
        if self.revision not in (1999, 2013):
            raise ValueError(f"its revision is {self.revision}")
        analog, status = int(fields[1][1].rstrip("A")), int(fields[1][2].rstrip("D"))
        self.status = status
        of = fields[2 : 2 + analog]
        self.named = [_Named(field[1], field[2], field[4]) for field in of]
        self.scales = [_Scale(float(field[5]), float(field[6]), 0, 0) for field in of]
        rest = fields[2 + analog + status :]
        self.line_frequency_hz = float(rest[0][0])
        rates = int(rest[1][0])
        self.rates = [(float(field[0]), int(field[1])) for field in rest[2 : 2 + max(1, rates)]]
        after = rest[2 + max(1, rates) :]
        self.begins, self.trigger = _time(after[0]), _time(after[1])
        self.kind = after[2][0].upper()
        if self.kind not in KINDS:
            raise ValueError(f"its data are {self.kind!r}")
        self.multiplier = float(after[3][0])

    @property
    def count(self) -> int:
        """How many samples there are to be."""
        return self.rates[-1][1]

    def samples(self, data: bytes) -> tuple[npt.NDArray[np.float64], ...]:
        """Numbers, ticks, and the raw values of each analog channel, shape (channels, samples). Raises ValueError."""
        count = len(self.named)
        if self.kind == "ASCII":
            rows = [line.split(",") for line in data.decode("ascii", errors="replace").splitlines() if line.strip()]
            short = next((k for k, row in enumerate(rows, 1) if len(row) < 2 + count + self.status), None)
            if short is not None:
                raise ValueError(
                    f"line {short} has {len(rows[short - 1])} fields; {2 + count + self.status} are wanted"
                )
            table = np.array([[_number(cell) for cell in row[: 2 + count]] for row in rows], dtype=float).T
            return table[0], table[1], table[2:]
        words = (self.status + 15) // 16
        layout = np.dtype([("n", "<u4"), ("t", "<u4"), ("x", WORDS[self.kind], (count,)), ("d", "<u2", (words,))])
        if len(data) % layout.itemsize:
            raise ValueError(f"{len(data)} bytes are no whole number of samples of {layout.itemsize} bytes: it is torn")
        read = np.frombuffer(data, dtype=layout)
        return read["n"].astype(float), read["t"].astype(float), read["x"].astype(float).T

    def times_s(self, numbers: npt.NDArray[np.float64], ticks: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
        """Times after the first sample: by the rates where there are any, else by the data."""
        if all(rate == 0.0 for rate, _ in self.rates):
            return np.asarray((ticks - ticks[0]) * self.multiplier * 1e-6)
        steps, last = [], 0
        for rate, end in self.rates:
            steps += [1.0 / rate] * (end - last)
            last = end
        at_s = np.concatenate([[0.0], np.cumsum(steps)])[: len(numbers)]
        return np.asarray(at_s, dtype=float)


def _number(cell: str) -> float:
    return float(cell) if cell.strip() else float(MISSING["ASCII"])


def _time(fields: Sequence[str]) -> datetime:
    text = f"{fields[0]},{fields[1]}"
    whole, _, part = text.partition(".")
    seconds = float(f"0.{part}") if part else 0.0  # nanoseconds are allowed; a datetime holds microseconds
    begins = datetime.strptime(whole, "%d/%m/%Y,%H:%M:%S").replace(tzinfo=UTC)
    return begins + timedelta(seconds=seconds)
