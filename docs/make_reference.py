"""The reference of the site, made from the code: the command line, and the keys of every file that we read.

``python docs/make_reference.py NAME`` prints one page, as Markdown; a site that is built makes them anew. Pure.
"""

from __future__ import annotations

import ast
import inspect
import os
import sys
import textwrap
from argparse import ArgumentParser, _SubParsersAction
from collections.abc import Iterator
from typing import Any, Final, get_args, get_origin
from unittest.mock import patch

from pydantic import BaseModel

from instruments.bench import BenchFile
from instruments.dialect import Dialect
from rampguard.cli import parser
from rampguard.cold.sheet import ColdSheet
from rampguard.hunt.sections import Sections
from rampguard.job.model import Job
from rampguard.ramp.plan import Plan
from rampguard.warmup.sheet import UnitSheet

FILES: Final[dict[str, type[BaseModel]]] = {
    "bench-file": BenchFile,
    "dialect": Dialect,
    "plan": Plan,
    "cold-sheet": ColdSheet,
    "unit-sheet": UnitSheet,
    "sections-file": Sections,
    "job-file": Job,
}
WIDE: Final = 80
COMMAND_LINE: Final = "command-line"
PAGES: Final = (COMMAND_LINE, *FILES)
HEAD: Final = ("key", "what it is", "without it", "says")
READING: Final = 'number, or `"open"`'
"""What has no schema: it is read by a function of its own, as readings of a cold sheet are."""
_BOUNDS: Final = (
    ("exclusiveMinimum", "above"),
    ("minimum", "at least"),
    ("exclusiveMaximum", "below"),
    ("maximum", "at most"),
)
_PLAIN: Final = {"number": "number", "integer": "whole number", "boolean": "`true` or `false`"}


def page(name: str) -> str:
    """One page's contents. Raises KeyError for a name that is not among `PAGES`."""
    return command_line() if name == COMMAND_LINE else keys(FILES[name])


def command_line() -> str:
    """Every command's help as `argparse` prints it, 80 columns wide, longer prose folded."""
    with patch.dict(os.environ, {"COLUMNS": str(WIDE), "NO_COLOR": "1"}):
        parts = [f"## `{one.prog}`\n\n```text\n{_folded(one.format_help())}\n```" for one in commands(parser())]
    return "\n\n".join(parts)


def _folded(text: str) -> str:
    """Prose folded; what is indented, such as a command to copy, stays in one piece."""
    return "\n".join(line if line.startswith(" ") else textwrap.fill(line, WIDE) for line in text.rstrip().splitlines())


def commands(parent: ArgumentParser) -> Iterator[ArgumentParser]:
    """A parser and all below it, in the order of the help."""
    yield parent
    for action in parent._actions:
        if isinstance(action, _SubParsersAction):
            for below in dict.fromkeys(action.choices.values()):
                yield from commands(below)


def keys(model: type[BaseModel]) -> str:
    """The keys of a file, one table for each of its own."""
    return "\n\n".join(_table(where, one) for where, one in tables(model))


def tables(model: type[BaseModel], where: str = "") -> Iterator[tuple[str, type[BaseModel]]]:
    """Every table of a file: as it is written, and its model; the file's own keys first, as ''."""
    yield where, model
    path = where.strip("[]")
    for key, field in model.model_fields.items():
        for shape, below in dict.fromkeys(_models(field.annotation)):
            name = f"{path}.{key}".lstrip(".")
            yield from tables(below, shape.format(name))


def _models(annotation: Any, shape: str = "[{}]") -> Iterator[tuple[str, type[BaseModel]]]:
    if isinstance(annotation, type) and issubclass(annotation, BaseModel):
        yield shape, annotation
        return
    origin = get_origin(annotation)
    for part in get_args(annotation):
        inner = {dict: shape.replace("{}", "{}.NAME"), tuple: "[[{}]]"}.get(origin, shape)
        yield from _models(part, inner)


def _table(where: str, model: type[BaseModel]) -> str:
    schema = model.model_json_schema()
    says = said_of_keys(model)
    rows = [
        (f"`{key}`", kind(node, schema.get("$defs", {})), _without(key, node, schema), says.get(key, ""))
        for key, node in schema["properties"].items()
    ]
    wide = len(HEAD) if says else len(HEAD) - 1
    title = f"`{where}`" if where else "The file's own keys"
    lines = [_row(row[:wide]) for row in (HEAD, ("---",) * len(HEAD), *rows)]
    return "\n".join([f"## {title}", "", _in_words(model), "", *lines])


def _row(cells: tuple[str, ...]) -> str:
    return "| " + " | ".join(cell.replace("|", r"\|") for cell in cells) + " |"


def _in_words(model: type[BaseModel]) -> str:
    return inspect.cleandoc(model.__doc__ or "").replace("``", "`")


def said_of_keys(model: type[BaseModel]) -> dict[str, str]:
    """The docstring below each key of a model, in one line; keys without one are left out."""
    [body] = ast.parse(textwrap.dedent(inspect.getsource(model))).body
    assert isinstance(body, ast.ClassDef)  # noqa: S101 - a class's source is a class
    found = {}
    for above, below in zip(body.body, body.body[1:], strict=False):
        if isinstance(above, ast.AnnAssign) and isinstance(above.target, ast.Name) and isinstance(below, ast.Expr):
            text = ast.literal_eval(below.value)
            found[above.target.id] = " ".join(str(text).split()).replace("``", "`")
    return found


def kind(node: dict[str, Any], defs: dict[str, Any]) -> str:
    """What may be written for a key, in words, by its JSON Schema."""
    if "$ref" in node:
        return kind(defs[node["$ref"].rsplit("/", 1)[1]], defs)
    if "anyOf" in node:
        return " or ".join(kind(one, defs) for one in node["anyOf"] if one.get("type") != "null")
    if "enum" in node or "const" in node:
        return _one_of(node.get("enum", [node.get("const")]))
    return _plain(node, defs)


def _plain(node: dict[str, Any], defs: dict[str, Any]) -> str:
    what = node.get("type")
    if what is None:
        return READING
    if what == "array":
        return f"list: {_items(node, defs)}"
    if what == "object":
        return f"table of names, each: {kind(node['additionalProperties'], defs)}" if _is_open(node) else "table"
    if what == "string":
        return node.get("format", f"text{_up_to(node)}")
    return ", ".join([_PLAIN[what], *(f"{word} {_number(node[key])}" for key, word in _BOUNDS if key in node)])


def _number(value: float) -> str:
    return f"{value:,.0f}".replace(",", " ") if abs(value) >= 1e5 else f"{value:g}"


def _items(node: dict[str, Any], defs: dict[str, Any]) -> str:
    if "prefixItems" in node:
        return "; ".join(kind(one, defs) for one in node["prefixItems"])
    return kind(node["items"], defs)


def _is_open(node: dict[str, Any]) -> bool:
    return isinstance(node.get("additionalProperties"), dict)


def _up_to(node: dict[str, Any]) -> str:
    return f", {node['maxLength']} characters at most" if "maxLength" in node else ""


def _one_of(values: list[Any]) -> str:
    return ", ".join(_toml(value) for value in values)


def _without(key: str, node: dict[str, Any], schema: dict[str, Any]) -> str:
    if key in schema.get("required", []):
        return "refused"
    default = node.get("default")
    if isinstance(default, dict):
        return "as its keys without them"
    return "-" if default in (None, "", []) else _toml(default)


def _toml(value: Any) -> str:
    if isinstance(value, str):
        return '`"' + value.replace("\r", r"\r").replace("\n", r"\n") + '"`'
    return f"`{str(value).lower()}`"


if __name__ == "__main__":
    if sys.argv[1:] and sys.argv[1] in PAGES:
        print(page(sys.argv[1]))
    else:
        sys.exit(f"which page? One of {', '.join(PAGES)}")
