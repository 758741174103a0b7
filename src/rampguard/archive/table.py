"""Reads a table of readings a row at a time, each before the next line is asked for: from a file or a live pipe.

Columns: ``time_s``, ``line_voltage_v``, ``line_current_a``, optionally ``real_power_w`` and any channel's
(`rampguard.quantities.Signal.column`), in any order. Those of our own captures (``set_voltage_v``, ``expected_event``,
``reading_faults``, ``reading_bounds``) are understood; any other is left alone, with a note. A blank cell is no
reading; ``nan`` and ``inf`` are invalid readings. Cells may be parted by commas, semicolons or tabs, and where they are
not parted by commas, a comma may be the decimal point.
"""

from __future__ import annotations

import csv
import math
from collections.abc import Iterator, Mapping
from typing import Protocol

from rampguard.archive.errors import TableError
from rampguard.archive.header import SET_VOLTAGE, TIME, Header
from rampguard.archive.rows import BAND_NUMBERS, Row
from rampguard.quantities import Accuracy, Bounds, Expectation, Quantity, Reading, Signal, Validity


class Lines(Protocol):
    """Where lines come from: a text file, a pipe, the whole lines of a record."""

    def readline(self) -> str:
        """The next line with its line end; empty at the end."""
        ...


class TableReader:
    """One table. Reads its header at once; iterating reads rows, raising TableError where one cannot be.

    ``name`` is the file's, for messages. ``accuracy`` states the meters' bounds by quantity; it goes before those that
    the table holds. A reading's times are its row's.
    """

    def __init__(self, stream: Lines, *, name: str, accuracy: Mapping[Quantity, Accuracy] | None = None) -> None:
        self._stream = stream
        self._name = name
        self._accuracy = dict(accuracy or {})
        self._number_now = 0
        try:
            self._header = Header(self._line(), name)
        except csv.Error as error:
            raise TableError(f"{name}, line 1: is not a line of a table ({error})") from None
        self.signals: tuple[Signal, ...] = self._header.signals
        """The signals that have a column."""
        self._by_column = {signal.column: signal for signal in self.signals}
        self._decimal_commas = self._header.decimal_commas
        self.keeps_band = "band_not_evaluated" in self._header.columns
        """Whether it is a capture that says at which moments the band was asked."""
        self.keeps_events = "expected_event" in self._header.columns
        """Whether it tells expected events."""
        self.has_set_voltage = SET_VOLTAGE in self._header.columns
        self.notes = self._header.notes
        """What was left alone, a line each; a torn last line is added once it has been met."""

    def __iter__(self) -> Iterator[Row]:
        last_s = -math.inf
        while line := self._line():
            cells = self._cells(line)
            if cells is None:
                continue
            row = self._row(cells)
            if row.time_s < last_s:
                raise self._error(
                    f"time runs backwards, {row.time_s:g} s after {last_s:g} s; sort the rows or split the recording"
                )
            last_s = row.time_s
            yield row

    def _line(self) -> str:
        """The next line; empty at the end. By readline: a text file read by iteration runs ahead of what was asked."""
        self._number_now += 1
        try:
            return self._stream.readline()
        except UnicodeDecodeError as error:
            raise self._error(f"is not text in UTF-8 ({error.reason}); save the table as CSV in UTF-8") from None

    def _error(self, problem: str, column: str = "") -> TableError:
        where = f", column {column}" if column else ""
        return TableError(f"{self._name}, line {self._number_now}{where}: {problem}")

    def _cells(self, line: str) -> dict[str, str] | None:
        """The named cells of a line; None for a blank line, and for the torn last line of a capture cut short."""
        columns = self._header.columns
        if self._header.is_ours and not line.endswith("\n"):
            self.notes.append(f"line {self._number_now} was torn when the writing ended, left out")
            return None
        try:
            split = [cell.strip() for cell in next(csv.reader([line], delimiter=self._header.delimiter), [])]
        except csv.Error as error:
            raise self._error(f"is not a line of a table ({error})") from None
        if not any(split):
            return None
        while len(split) > len(columns) and not split[-1]:  # spreadsheets leave blank cells behind
            split.pop()
        if len(split) != len(columns):
            raise self._error(
                f"{len(split)} cells under {len(columns)} columns; the line is torn, or a text with a"
                f" {self._header.delimiter!r} in it lacks its quotes"
            )
        return dict(zip(columns, split, strict=True))

    def _row(self, cells: Mapping[str, str]) -> Row:
        time_s = self._finite(TIME, cells[TIME])
        if time_s is None:
            raise self._error("blank; every row must have its time in seconds", TIME)
        return Row(
            time_s=time_s,
            set_voltage_v=self._finite(SET_VOLTAGE, cells.get(SET_VOLTAGE, "")),
            readings=self._readings(time_s, cells),
            expected_event=cells.get("expected_event", ""),
            expectation=self._expectation(cells),
            band_excess=self._finite("band_excess", cells.get("band_excess", "")) or 0.0,
            evidence=self._evidence(cells.get("evidence", "")),
            stage=cells.get("stage", ""),
            state=cells.get("state", ""),
            decision=cells.get("decision", ""),
            reason=cells.get("reason", ""),
        )

    def _readings(self, time_s: float, cells: Mapping[str, str]) -> tuple[Reading, ...]:
        faults = self._faults(cells.get("reading_faults", ""))
        bounds = self._bounds(cells.get("reading_bounds", ""))
        readings = []
        for column, signal in self._by_column.items():
            value = self._number(column, cells[column])
            validity = faults.get(column, Validity.VALID)
            if value is None and validity is Validity.VALID:
                continue
            if validity is Validity.VALID and value is not None and not math.isfinite(value):
                validity = Validity.INVALID
            good = value if validity is Validity.VALID else None
            stated = self._accuracy.get(signal.quantity)
            if stated is not None:
                bound = 0.0 if good is None else stated.bound(good, 0.0)
            else:
                bound = bounds.get(column, 0.0)
            readings.append(Reading(signal, good, time_s, time_s, validity, bound))
        return tuple(readings)

    def _expectation(self, cells: Mapping[str, str]) -> Expectation | None:
        """What one of our captures expected then; None where it did not."""
        numbers = {name: self._finite(name, cells.get(name, "")) for name in BAND_NUMBERS}
        why_not = cells.get("band_not_evaluated", "")
        if not why_not and all(value is None for value in numbers.values()):
            return None

        def bounds(low: float | None, high: float | None) -> Bounds | None:
            return None if low is None or high is None else Bounds(low, high)

        return Expectation(
            current_a=bounds(numbers["expected_current_low_a"], numbers["expected_current_high_a"]),
            power_w=bounds(numbers["expected_power_low_w"], numbers["expected_power_high_w"]),
            why_not=why_not,
            event_budget_j=numbers["event_budget_j"],
            event_j=numbers["event_j"] or 0.0,
            fit=numbers["band_fit"] or 0.0,
        )

    def _faults(self, text: str) -> dict[str, Validity]:
        faults = {}
        for column, word in self._pairs("reading_faults", text):
            try:
                faults[column] = Validity(word)
            except ValueError:
                raise self._error(f"{word!r} is none of {', '.join(Validity)}", "reading_faults") from None
        return faults

    def _bounds(self, text: str) -> dict[str, float]:
        bounds = {}
        for column, number in self._pairs("reading_bounds", text):
            bound = self._finite("reading_bounds", number)
            if bound is None or bound < 0:
                raise self._error(f"{number!r} is no bound; it is a number, zero or more", "reading_bounds")
            bounds[column] = bound
        return bounds

    def _evidence(self, text: str) -> dict[str, float]:
        evidence = {}
        for item in text.split():
            cause, _, number = item.rpartition(":")
            nats = self._finite("evidence", number)
            if not cause or nats is None:
                raise self._error(f"{item!r} is no evidence; write it as cause:log-odds", "evidence")
            evidence[cause] = nats
        return evidence

    def _pairs(self, where: str, text: str) -> Iterator[tuple[str, str]]:
        for item in text.split():
            column, _, value = item.rpartition(":")
            if column not in self._by_column:
                raise self._error(f"{item!r} names no reading's column; write it as column:value", where)
            yield column, value

    def _finite(self, column: str, text: str) -> float | None:
        value = self._number(column, text)
        if value is not None and not math.isfinite(value):
            raise self._error(f"{text!r} is not a finite number", column)
        return value

    def _number(self, column: str, text: str) -> float | None:
        if not text:
            return None
        plain = text.replace(",", ".") if self._decimal_commas else text
        try:
            if "_" in plain:  # Python's own notation, nobody's measurement
                raise ValueError
            return float(plain)
        except ValueError:
            raise self._error(
                f"{text!r} is not a number; write the value alone, its unit is in the column's name", column
            ) from None
