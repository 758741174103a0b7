"""Writes one value at a time into a cold sheet, its comments and its order kept; whole and in order, or not at all."""

from __future__ import annotations

import os
from collections.abc import Sequence
from pathlib import Path

import tomlkit
from tomlkit.items import AbstractTable

from rampguard.cold.sheet import parse_cold_sheet


def write_value(path: Path, where: Sequence[str], value: float | str) -> None:
    """Put one value into the file: ``where`` is its tables and its key, such as readings, left, a point, reads_ohm.

    Raises ColdSheetError where the sheet would not be one with it, and OSError; the file is then as it was.
    """
    text = with_value(path.read_text(encoding="utf-8"), where, value)
    parse_cold_sheet(text, path.name)
    _replace(path, text)


def with_value(text: str, where: Sequence[str], value: float | str) -> str:
    """A sheet's text with one value more."""
    document = tomlkit.parse(text)
    table: tomlkit.TOMLDocument | AbstractTable = document
    *tables, key = where
    for depth, name in enumerate(tables):
        if name not in table:
            # A reading is written as { reads_ohm = 0.37 }, on a line of its own.
            table[name] = tomlkit.inline_table() if depth == 2 else tomlkit.table()
        within = table[name]
        assert isinstance(within, AbstractTable)  # noqa: S101 - a sheet that was read has tables there
        table = within
    table[key] = value
    return tomlkit.dumps(document)


def _replace(path: Path, text: str) -> None:
    partial = path.with_name(f"{path.name}.part")
    with partial.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(partial, path)
