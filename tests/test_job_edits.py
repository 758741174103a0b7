"""A job that was written by hand, in whatever way TOML allows: changed as told, nothing else, every comment kept.

What comes of a change is read by Python's own tomllib, which had no part in making it.
"""

from __future__ import annotations

import copy
import datetime as dt
import tomllib
from collections.abc import Callable
from typing import Any

import pytest

from rampguard.job.edits import CannotEdit, with_entry, with_entry_changed, with_value

HEAD = 'format = 1\nnumber = "7"  # a number\nopened = 2026-03-02\n'
UNIT = '[unit]\ntitle = "r"\nload_class = "receiver"\nnameplate_w = 60\n'
WORK = '[[work]]\ndate = 2026-03-03\nwhat = "a"\nhours = 1  # an hour\n'


def part(name: str) -> str:
    return f'[[part]]\ndesignator = "{name}"\nwhat = "x"\norigin = "z"\n'


WRITTEN = {
    "tables": HEAD + UNIT + part("A") + WORK,
    "in line": HEAD + 'unit = { title = "r", load_class = "receiver", nameplate_w = 60 } # in line\n',
    "dotted": HEAD + 'unit.title = "r"\nunit.load_class = "receiver"\nunit.nameplate_w = 60 # dotted\n',
    "dotted, then tables": HEAD + 'unit.title = "r"\nunit.nameplate_w = 60 # dotted\n' + WORK + part("A"),
    "scattered": HEAD + UNIT + part("A") + "# between\n" + WORK + part("B"),
    "unit last": HEAD + part("A") + WORK + UNIT + "# the end",
    "quoted in line": HEAD + "quoted = { hours = 2 }  # told by telephone\n" + UNIT,
    "parts in line": HEAD + 'part = [\n  { designator = "A", what = "x", origin = "z" }, # one\n]\n' + UNIT,
    "empty list": HEAD + "part = []\n" + UNIT,
    "no line end": (HEAD + UNIT + part("A")).rstrip("\n"),
    "text like tables": HEAD + UNIT + '[[part]]\ndesignator = "A"\nwhat = """\n[[x]]\n[unit]\n"""\norigin = "z"\n#tail',
    "blank lines": HEAD + UNIT + "\n\n[quoted] # q\nhours = 2 # h\n\n\n# after\n\n" + part("A") + "\n\n\n",
    "set in": HEAD + UNIT.replace("title", "\ttitle") + '\n   [[part]]\n   designator="A"\n   what="x"\n',
}
NEW: dict[str, Any] = {"designator": "N", "what": "x\ny", "origin": "#"}
DONE: dict[str, Any] = {"date": dt.date(2026, 3, 4), "what": '"""', "hours": 2.0}

Edit = Callable[[str], str]
Meant = Callable[[dict[str, Any]], object]
CHANGES: dict[str, tuple[Edit, Meant]] = {
    "a key changed": (
        lambda text: with_value(text, ("unit", "title"), "new"),
        lambda job: job["unit"].update(title="new"),
    ),
    "a key more": (
        lambda text: with_value(text, ("unit", "serial"), "9"),
        lambda job: job["unit"].update(serial="9"),
    ),
    "a key less": (lambda text: with_value(text, ("unit", "title"), None), lambda job: job["unit"].pop("title")),
    "a key of the job": (lambda text: with_value(text, ("cause",), "c\nd"), lambda job: job.update(cause="c\nd")),
    "a table": (
        lambda text: with_value(with_value(text, ("quoted", "hours"), 5.0), ("quoted", "price"), 3.0),
        lambda job: job.setdefault("quoted", {}).update(hours=5.0, price=3.0),
    ),
    "two parts": (
        lambda text: with_entry(with_entry(text, "part", NEW), "part", {**NEW, "lot": None}),
        lambda job: job.setdefault("part", []).extend([dict(NEW), dict(NEW)]),
    ),
    "work": (
        lambda text: with_entry(text, "work", DONE),
        lambda job: job.setdefault("work", []).append(dict(DONE)),
    ),
}


@pytest.mark.parametrize("change", CHANGES)
@pytest.mark.parametrize("written", WRITTEN)
def test_a_change_is_made_as_told_and_nothing_else(written: str, change: str) -> None:
    text, (edit, meant) = WRITTEN[written], CHANGES[change]
    changed = edit(text)
    wanted = copy.deepcopy(tomllib.loads(text))
    meant(wanted)
    assert tomllib.loads(changed) == wanted
    for line in text.splitlines():
        if "#" in line:
            assert line[line.index("#") :].strip() in changed


@pytest.mark.parametrize("written", [name for name, text in WRITTEN.items() if 'designator = "A"' in text])
def test_an_entry_is_corrected(written: str) -> None:
    text = WRITTEN[written]
    changed = with_entry_changed(text, "part", 0, {"designator": "Z", "lot": "5", "origin": None})
    wanted = tomllib.loads(text)
    wanted["part"][0].update(designator="Z", lot="5")
    wanted["part"][0].pop("origin")
    assert tomllib.loads(changed) == wanted


def test_what_is_no_toml_is_not_edited() -> None:
    with pytest.raises(CannotEdit, match="change it by hand"):
        with_value("[unit", ("cause",), "x")
