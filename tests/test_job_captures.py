"""A job's captures: named or merely lying there, whole, cut short or unreadable; what each is to the job."""

from __future__ import annotations

import json
import re
import shutil
from pathlib import Path
from typing import Any, get_args

import pytest

from rampguard.job.entries import Role
from rampguard.job.model import Job, parse_job
from rampguard.job.reading import captures_of
from rampguard.job.roles import role_of
from test_job_model import JOB

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
WITHOUT_PARTS = JOB.split("[[part]]")[0]


def job_with(text: str = "") -> Job:
    return parse_job(JOB + text, "job.toml")


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    for name in ("healthy-amplifier", "shorted-output"):
        shutil.copytree(CAPTURES / name, tmp_path / "captures" / name)
    return tmp_path


def test_captures_that_lie_there_are_found_in_the_order_in_which_they_were_made(folder: Path) -> None:
    (folder / "captures" / "notes").mkdir()
    (folder / "captures" / ".hidden").mkdir()
    found = captures_of(folder, job_with())
    assert [one.name for one in found] == ["captures/notes", "captures/healthy-amplifier", "captures/shorted-output"]
    assert [one.outcome for one in found] == ["unreadable", "passed", "tripped"]
    assert [one.is_whole for one in found] == [False, True, True]
    assert all(one.is_simulated for one in found[1:])
    assert all(one.role_worked_out for one in found)
    assert "capture folder?" in found[0].problem


def test_what_the_job_says_of_a_capture_goes_before_what_is_worked_out(folder: Path) -> None:
    entry = '[[capture]]\nfolder = "./captures/shorted-output/"\nrole = "hunt"\nnote = "with the tone board out"\n'
    gone = '[[capture]]\nfolder = "captures/gone"\nrole = "known-good"\n'
    found = {one.name: one for one in captures_of(folder, job_with(entry + gone))}
    shorted = found["captures/shorted-output"]
    assert (shorted.role, shorted.role_worked_out, shorted.note) == ("hunt", False, "with the tone board out")
    assert (found["captures/gone"].capture, found["captures/gone"].role) == (None, "known-good")


def test_a_capture_that_was_cut_short_or_changed_is_not_whole(folder: Path) -> None:
    (folder / "captures" / "healthy-amplifier" / "seal.sha256").unlink()
    with (folder / "captures" / "shorted-output" / "readings.csv").open("a") as file:
        file.write("1\n")
    assert [one.is_whole for one in captures_of(folder, job_with())] == [False, False]


def test_roles_by_order_before_the_first_that_passed_it_was_as_found(folder: Path) -> None:
    as_if_later = folder / "captures" / "healthy-amplifier" / "datapackage.json"
    described = json.loads(as_if_later.read_text()) | {"created": "2026-11-27T09:00:00Z"}
    as_if_later.write_text(json.dumps(described))
    assert [one.role for one in captures_of(folder, job_with())] == ["as-found", "after-repair"]
    without = parse_job(WITHOUT_PARTS, "job.toml")
    assert [one.role for one in captures_of(folder, without)] == ["as-found", "as-found"]


@pytest.mark.parametrize(
    ("descriptor", "repaired", "role"),
    [
        (None, True, "other"),
        ({"outcome": "tripped"}, False, "as-found"),
        ({"outcome": "tripped"}, True, "after-repair"),
        ({"outcome": "passed"}, True, "after-repair"),
        ({"outcome": "stopped"}, True, "other"),
        ({"outcome": "recording"}, False, "other"),
        ({"outcome": "unproven"}, False, "other"),
        ({"outcome": "passed", "unplugged": ["tone"]}, False, "hunt"),
        ({"outcome": "passed", "direct_after": "x"}, True, "cold-start"),
        ({"outcome": "passed", "sheet": {}}, False, "warm-up"),
        ({"outcome": "tripped", "sheet": {}}, True, "warm-up"),
        ({"outcome": "tripped", "sheet": {}}, False, "as-found"),
    ],
)
def test_what_a_run_is_to_its_job(descriptor: dict[str, Any] | None, repaired: bool, role: Role) -> None:
    assert role_of(descriptor, repaired=repaired) == role


def test_the_docs_name_every_role_and_say_when_it_is_entered() -> None:
    page = (CAPTURES.parent / "docs" / "job.md").read_text(encoding="utf-8")
    rows = re.findall(r"^\| ([a-z-]+) \| (?:one|a switch|went|a ramp|the same|stopped)", page, re.MULTILINE)
    by_hand: set[Role] = {"known-good"}
    assert {*rows, *by_hand} == set(get_args(Role))
    assert all(f"`{role}`" in page for role in get_args(Role))
