"""Changes to the text of a job.toml, its comments and its order kept. Pure: text in, text out.

What is new goes right behind what it belongs to, ahead of the comments and blank lines there, which speak of what
follows.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any

import tomlkit
from tomlkit.container import Container
from tomlkit.exceptions import TOMLKitError
from tomlkit.items import AoT, Array, Item, Table, Whitespace

Values = Mapping[str, Any]
"""What an entry holds; a value of None is left out."""


class CannotEdit(ValueError):  # noqa: N818 - what is so
    """The text is built so that this change cannot be made in it. Says what to do."""


def with_value(text: str, where: Sequence[str], value: Any) -> str:
    """The text with one key set; None takes it out. ``where``: the tables, made where they are missing, and the key."""
    document = _parsed(text)
    *tables, key = where
    if tables and tables[0] not in document:
        document = _parsed(_ends_blank(text))
    within: Any = document
    for name in tables:
        if name not in within:
            within[name] = tomlkit.table()
        within = within[name]
    if value is None:
        within.pop(key, None)
    elif key in within:
        within[key] = _item(value)
    else:
        _put_last(within, key, _item(value))
    return tomlkit.dumps(document)


def with_entry(text: str, name: str, values: Values) -> str:
    """The text with one entry more in the list ``[[name]]``."""
    document = _parsed(text)
    known: Any = document.get(name)
    if isinstance(known, Array):  # written as name = [{ ... }]
        known.append(_filled(tomlkit.inline_table(), values))
    elif known is None:
        entries = tomlkit.aot()
        entries.append(_filled(tomlkit.table(), values))
        document = _parsed(_ends_blank(text))
        document.append(name, entries)
    else:
        _append(known, _filled(tomlkit.table(), values))
    return tomlkit.dumps(document)


def with_entry_changed(text: str, name: str, number: int, values: Values) -> str:
    """The text with entry ``number``, from 0, of a list holding these values; keys that are not given stay."""
    document: Any = _parsed(text)
    entry = document[name][number]
    for key, value in values.items():
        if value is None:
            entry.pop(key, None)
        elif entry.get(key) != value:
            entry[key] = _item(value)
    return tomlkit.dumps(document)


def _parsed(text: str) -> tomlkit.TOMLDocument:
    try:
        return tomlkit.parse(text)
    except TOMLKitError as error:
        raise CannotEdit(f"is built so that the program cannot change it ({error}); change it by hand") from None


def _filled(table: Any, values: Values) -> Any:
    for key, value in values.items():
        if value is not None:
            table.append(key, _item(value))
    return table


def _item(value: Any) -> Item:
    if isinstance(value, str) and "\n" in value and not value.startswith("\n"):
        return tomlkit.string(value, multiline=True)
    item: Item = tomlkit.item(list(value) if isinstance(value, tuple) else value)
    return item


def _ends_blank(text: str) -> str:
    return text.rstrip("\n") + "\n\n"


def _put_last(table: Any, key: str, item: Item) -> None:
    container = table.value if isinstance(table, Table) else table
    if not isinstance(container, Container):  # written as { ... }, or by dotted keys: there is no line behind it
        table[key] = item
        return
    kept = _lifted(container)
    table[key] = item
    item.trivia.trail = f"{item.trivia.trail}{kept}"


def _append(entries: AoT, table: Table) -> None:
    last = entries[-1].value
    kept = _lifted(last)
    last.append(None, Whitespace("\n"))
    entries.append(table)
    *_, (_, item) = table.value.body
    item.trivia.trail = f"{item.trivia.trail}{kept}"


def _lifted(container: Container) -> str:
    """Take out what stands between the last key and the first table: its text. Places are kept, blank."""
    body = container.body
    end = next((place for place, (_, item) in enumerate(body) if isinstance(item, Table | AoT)), len(body))
    start = end
    while start and body[start - 1][0] is None:
        start -= 1
    kept = "".join(item.as_string() for _, item in body[start:end])
    body[start:end] = [(None, Whitespace("")) for _ in range(start, end)]
    return kept
