"""Reads a table of readings a row at a time, each before the next line is asked for: from a file or a live pipe.

Columns: ``time_s``, ``line_voltage_v``, ``line_current_a``, optionally ``real_power_w`` and any channel's
(`rampguard.quantities.Signal.column`), in any order. Those of our own captures (``set_voltage_v``, ``expected_event``,
``reading_faults``) are understood; any other is left alone, with a note. A blank cell is no reading. Semicolons between
cells and commas as decimal points go together and are understood.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from typing import Final, TextIO

from rampguard.archive.errors import TableError
from rampguard.archive.rows import OUTPUT_COLUMNS, Row
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Accuracy, Quantity, Reading, Signal, Validity

TIME: Final = "time_s"
SET_VOLTAGE: Final = "set_voltage_v"
_REQUIRED: Final = (TIME, LINE_VOLTAGE.column, LINE_CURRENT.column)
_STEMS: Final = {"time": TIME, "line_voltage": LINE_VOLTAGE.column, "line_current": LINE_CURRENT.column}


class TableReader:
    """One table. Reads its header at once; iterating reads rows, raising TableError where one cannot be."""

    def __init__(self, stream: TextIO, *, name: str, accuracy: Mapping[Quantity, Accuracy] | None = None) -> None:
        self._stream = stream
        self._name = name
        self._accuracy = dict(accuracy or {})
        header = stream.readline().removeprefix("\ufeff")
        if not header.strip():
            raise TableError(f"{name}, line 1: no header; the first line must name the columns, such as {TIME}")
        self._semicolons = ";" in header
        self._delimiter = ";" if self._semicolons else "," if "," in header or "\t" not in header else "\t"
        self._columns = [cell.strip() for cell in self._split(header)]
        self._check_header()
        self.signals: tuple[Signal, ...] = tuple(s for s in map(Signal.from_column, self._columns) if s is not None)
        """The signals that have a column."""
        self.has_set_voltage = SET_VOLTAGE in self._columns
        known = {TIME, SET_VOLTAGE, *OUTPUT_COLUMNS, *(signal.column for signal in self.signals)}
        self.notes = [
            f"column {column!r} is not one of ours, left alone" for column in self._columns if column not in known
        ]
        """What was left alone, a line each."""

    def __iter__(self) -> Iterator[Row]:
        last_s = -math.inf
        # readline, not iteration: a text file read by iteration runs ahead of what was asked for.
        for number, line in enumerate(iter(self._stream.readline, ""), 2):
            if not line.strip():
                continue
            row = self._row(number, line)
            if row.time_s < last_s:
                raise TableError(
                    f"{self._name}, line {number}: time runs backwards, {row.time_s:g} s after {last_s:g} s;"
                    " sort the rows or split the recording"
                )
            last_s = row.time_s
            yield row

    def _split(self, line: str) -> list[str]:
        return next(csv.reader([line], delimiter=self._delimiter))

    def _check_header(self) -> None:
        twice = {column for column in self._columns if self._columns.count(column) > 1}
        if twice:
            raise TableError(f"{self._name}, line 1: column {', '.join(sorted(twice))} is there twice; keep one")
        missing = [column for column in _REQUIRED if column not in self._columns]
        if missing:
            found = ", ".join(repr(column) for column in self._columns)
            raise TableError(
                f"{self._name}, line 1: no column {', '.join(missing)}; found {found}{self._advice(missing)}"
            )

    def _advice(self, missing: list[str]) -> str:
        advice = [
            f"; if {column!r} is it, convert its values and name it {_STEMS[stem]}"
            for stem in _STEMS
            for column in self._columns
            if column.lower().startswith(stem) and _STEMS[stem] in missing
        ]
        return "".join(advice)

    def _row(self, number: int, line: str) -> Row:
        try:
            split = self._split(line)
        except csv.Error as error:
            raise TableError(f"{self._name}, line {number}: is not a line of a table ({error})") from None
        if len(split) != len(self._columns):
            raise TableError(
                f"{self._name}, line {number}: {len(split)} cells under {len(self._columns)} columns;"
                " the line is torn, or a text with a comma lacks its quotes"
            )
        cells = dict(zip(self._columns, (cell.strip() for cell in split), strict=True))
        time_s = self._number(number, TIME, cells[TIME])
        if time_s is None or not math.isfinite(time_s):
            raise TableError(f"{self._name}, line {number}, column {TIME}: {cells[TIME]!r} is no time in seconds")
        set_v = self._number(number, SET_VOLTAGE, cells.get(SET_VOLTAGE, ""))
        return Row(
            time_s=time_s,
            set_voltage_v=set_v,
            readings=self._readings(number, time_s, cells),
            expected_event=cells.get("expected_event", ""),
            stage=cells.get("stage", ""),
            state=cells.get("state", ""),
            decision=cells.get("decision", ""),
            reason=cells.get("reason", ""),
        )

    def _readings(self, number: int, time_s: float, cells: Mapping[str, str]) -> tuple[Reading, ...]:
        faults = self._faults(number, cells.get("reading_faults", ""))
        readings = []
        for signal in self.signals:
            value = self._number(number, signal.column, cells[signal.column])
            validity = faults.get(signal.column, Validity.VALID)
            if value is None and validity is Validity.VALID:
                continue
            if value is not None and not math.isfinite(value):
                validity = Validity.INVALID
            good = value if validity is Validity.VALID else None
            stated = self._accuracy.get(signal.quantity)
            bound = stated.bound(good, 0.0) if stated is not None and good is not None else 0.0
            readings.append(Reading(signal, good, time_s, time_s, validity, bound))
        return tuple(readings)

    def _faults(self, number: int, text: str) -> dict[str, Validity]:
        faults = {}
        for item in text.split():
            column, _, word = item.rpartition(":")
            try:
                faults[column] = Validity(word)
            except ValueError:
                raise TableError(
                    f"{self._name}, line {number}, column reading_faults: {item!r} is not understood;"
                    f" write a column and one of {', '.join(Validity)}"
                ) from None
        return faults

    def _number(self, number: int, column: str, text: str) -> float | None:
        if not text:
            return None
        plain = text.replace(",", ".") if self._semicolons else text
        try:
            if "_" in plain:  # Python's own notation, nobody's measurement
                raise ValueError
            return float(plain)
        except ValueError:
            raise TableError(
                f"{self._name}, line {number}, column {column}: {text!r} is not a number; write the value alone,"
                " its unit is in the column's name"
            ) from None
