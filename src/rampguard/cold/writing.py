"""Writes one reading at a time into a cold sheet, its comments and its order kept; whole, or not at all."""

from __future__ import annotations

import os
from pathlib import Path

import tomlkit
from tomlkit.items import InlineTable
from tomlkit.items import Table as TomlTable

from rampguard.cold.parts import OPEN


def write_reading(path: Path, channel: str, point: str, key: str, value: float) -> None:
    """Put one reading into the file. Raises OSError; the file is then as it was."""
    document = tomlkit.parse(path.read_text(encoding="utf-8"))
    taken = _within(_within(document, "readings"), channel)
    if point not in taken:
        taken[point] = tomlkit.inline_table()
    one = taken[point]
    one[key] = "open" if value == OPEN else value
    _replace(path, tomlkit.dumps(document))


def _within(table: tomlkit.TOMLDocument | TomlTable | InlineTable, name: str) -> TomlTable:
    if name not in table:
        table[name] = tomlkit.table()
    found: TomlTable = table[name]  # a sheet that was read has tables there
    return found


def _replace(path: Path, text: str) -> None:
    partial = path.with_name(f"{path.name}.part")
    with partial.open("w", encoding="utf-8") as file:
        file.write(text)
        file.flush()
        os.fsync(file.fileno())
    os.replace(partial, path)
