"""The first line of a table: which columns it has, how its cells are parted, and what to say where one is lacking."""

from __future__ import annotations

import csv
from typing import Final

from rampguard.archive.errors import TableError
from rampguard.archive.rows import INPUT_COLUMNS, OUTPUT_COLUMNS
from rampguard.quantities import LINE_CURRENT, LINE_QUANTITIES, LINE_VOLTAGE, UNIT, Quantity, Signal

TIME: Final = "time_s"
SET_VOLTAGE: Final = "set_voltage_v"
_REQUIRED: Final = (TIME, LINE_VOLTAGE.column, LINE_CURRENT.column)
_DELIMITERS: Final = (",", ";", "\t")
_KIN: Final = {
    TIME: (("time", "sec", "elapsed"), ("t", "s"), "seconds"),
    LINE_VOLTAGE.column: (("volt", "vrms", "v_rms"), ("v", "u"), "volts rms"),
    LINE_CURRENT.column: (("current", "amp", "irms", "i_rms"), ("i", "a"), "amperes rms"),
}
"""For each required column: words another name of it contains, names it may have, and the unit it must be in."""
_UNIT_WORDS: Final = {"V": "volts", "A": "amperes", "W": "watts", "degC": "degrees Celsius"}


class Header:
    """The columns of a table, from its first line ``line`` in the file ``name``. Raises TableError."""

    def __init__(self, line: str, name: str) -> None:
        text = line.removeprefix("\ufeff")
        if not text.strip():
            raise TableError(f"{name}, line 1: no header; the first line must name the columns, such as {TIME}")
        self.delimiter = max(_DELIMITERS, key=lambda delimiter: _known(text, delimiter))
        self.columns = _cells(text, self.delimiter)
        """Names in the order of the file; blank for a column without a name."""
        self.signals = tuple(s for s in map(Signal.from_column, self.columns) if s is not None)
        """The signals that have a column."""
        self.is_ours = {"stage", "state", "decision", "reason"} <= set(self.columns)
        """Whether the table is a capture's readings.csv, whose every line ends with a line end."""
        self._check(name)

    @property
    def decimal_commas(self) -> bool:
        """Whether a comma in a number can only be its decimal point."""
        return self.delimiter != ","

    @property
    def notes(self) -> list[str]:
        """What is left alone, a line each."""
        known = {*INPUT_COLUMNS, *OUTPUT_COLUMNS, *(signal.column for signal in self.signals), ""}
        return [
            f"column {column!r} is not one of ours, left alone{_looks_like(column)}"
            for column in self.columns
            if column not in known
        ]

    def _check(self, name: str) -> None:
        twice = {column for column in self.columns if column and self.columns.count(column) > 1}
        if twice:
            raise TableError(f"{name}, line 1: column {', '.join(sorted(twice))} is there twice; keep one")
        missing = [column for column in _REQUIRED if column not in self.columns]
        if missing:
            found = ", ".join(repr(column) for column in self.columns)
            advice = "".join(f"; {self._advice(column)}" for column in missing)
            raise TableError(f"{name}, line 1: no column {', '.join(missing)}; found {found}{advice}")

    def _advice(self, missing: str) -> str:
        parts, names, unit = _KIN[missing]
        for column in self.columns:
            low = column.lower()
            taken = column in (*_REQUIRED, SET_VOLTAGE) or Signal.from_column(column) is not None
            if not taken and (low in names or any(part in low for part in parts)):
                return f"if {column!r} is it, convert it to {unit} and name it {missing}"
        return f"add it, in {unit}"


def _known(text: str, delimiter: str) -> tuple[int, int]:
    """How well a delimiter parts the header: names of ours it yields, then names at all."""
    columns = _cells(text, delimiter)
    ours = sum(
        column in INPUT_COLUMNS or column in OUTPUT_COLUMNS or Signal.from_column(column) is not None
        for column in columns
    )
    return ours, len(columns)


def _cells(text: str, delimiter: str) -> list[str]:
    return [cell.strip() for cell in next(csv.reader([text], delimiter=delimiter))]


def _looks_like(column: str) -> str:
    """Advice for a column that is one of ours but for its unit or its case."""
    for quantity in Quantity:
        if column.lower().startswith(quantity):
            unit = _UNIT_WORDS[UNIT[quantity]]
            return f"; if it is a {quantity.replace('_', ' ')}, convert it to {unit} and name it {_model(quantity)}"
    return ""


def _model(quantity: Quantity) -> str:
    ending = f"_{UNIT[quantity].lower()}"
    is_line = quantity in LINE_QUANTITIES
    return f"{quantity}{ending}" if is_line else f"{quantity}_<channel>{ending}"
