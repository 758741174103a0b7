"""job.toml: read strictly, every problem told at once; nothing about whose unit it is."""

from __future__ import annotations

import json
from pathlib import Path

import jsonschema
import pytest

from rampguard.job.errors import JobError, NoJob
from rampguard.job.model import parse_job, read_job
from rampguard.job.private import Private, read_private
from rampguard.job.schema import SCHEMA, schema_text

JOB = """\
format = 1
number = "2026-014"
opened = 2026-03-02
complaint = "dead, blows its fuse"
as_found = "left output pair shorted"

[unit]
title = "shelf amplifier, 2 x 60 W"
load_class = "linear-amplifier"
nameplate_w = 300
mains_v = 230.0
mains_frequency_hz = 50
channels = ["left", "right"]

[quoted]
hours = 4.0

[[part]]
designator = "Q701"
what = "output transistor"
replaced_with = "same type, new"
origin = "authorised distributor"

[[work]]
date = 2026-03-04
what = "output stage rebuilt"
hours = 2.5

[[work]]
date = 2026-03-05
what = "powered up, idle set"
hours = 1.25

[[check]]
what = "earth continuity"
result = "passed"
value = 0.08
unit = "ohm"
limit = "0.2 ohm at most, by the local code"
by = "ohmmeter, four wires"
date = 2026-03-05
"""


def problems_of(text: str) -> list[str]:
    with pytest.raises(JobError) as refused:
        parse_job(text, "job.toml")
    return refused.value.problems


def test_a_job_is_read() -> None:
    job = parse_job(JOB, "job.toml")
    assert (job.unit.nameplate_w, job.hours_spent, job.status) == (300.0, 3.75, "open")
    assert job.check[0].reads == "0.08 ohm"
    assert job.cause is None


def test_every_problem_is_told_at_once_with_its_place_and_what_to_do() -> None:
    text = JOB.replace('load_class = "linear-amplifier"', 'load_class = "toaster"\nwatts = 3')
    text = text.replace("hours = 2.5", "hours = 25.0").replace('origin = "authorised distributor"\n', "")
    text = text.replace("2026-03-05\n", '"5 March"\n', 1).replace("mains_v = 230.0", 'mains_v = "230 V"')
    told = problems_of(text)
    wanted = (
        ("unit.load_class", "no such load class; use one of"),
        ("unit.watts", "unknown key"),
        ("unit.mains_v", "not a number"),
        ("[[part]] 1: origin", "missing; add it"),
        ("[[work]] 1: hours", "less than or equal to 24"),
        ("[[work]] 2: date", "without quotes"),
    )
    assert len(told) == len(wanted), told
    for where, said in wanted:
        assert any(line.startswith(f"{where}: ") and said in line for line in told), (where, told)


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("format = 1", "format = 2", "format: "),
        ('number = "2026-014"', 'number = "../14"', "name files"),
        ("nameplate_w = 300", "nameplate_w = nan", "unit.nameplate_w: "),
        ("nameplate_w = 300", "nameplate_w = -300", "greater than 0"),
        ("mains_frequency_hz = 50", "mains_frequency_hz = 55", "50 or 60"),
        ('["left", "right"]', '["left", "left"]', "two have one name"),
        ("opened = 2026-03-02", "opened = 2026-03-02T10:00:00", "without a time"),
        ("opened = 2026-03-02", "opened = 2026-03-05", "[[work]] 1: date = 2026-03-04 is before"),
        ("opened = 2026-03-02", "opened = 2026-03-02\nclosed = 2026-03-04", "[[check]] 1: date = 2026-03-05 is after"),
        ("opened = 2026-03-02", "opened = 2026-03-02\nclosed = 2026-03-01", "closed = 2026-03-01 is before"),
        ('unit = "ohm"', "", "value and unit go together"),
        ('result = "passed"', 'result = "not made"', "says not made, but has a value"),
        ('result = "passed"', 'result = "good"', "[[check]] 1: result: "),
        ('unit = "ohm"', 'unit = "ohm"\nover_range = 1', "over_range"),
        ("hours = 4.0", "hours = 4.0\nprice = 100.0", "price and currency go together"),
        ("[quoted]", 'cause = "age"\n[quoted]', "belongs to the whole job; write it above"),
        ("format = 1", 'format = 1\ncustomer = "N. N."', "private.toml"),
        ('"dead, blows its fuse"', r'"dead\u001b[2J"', "control character"),
        ('what = "output transistor"', 'what = " "', "[[part]] 1: what: is blank"),
        ('channels = ["left", "right"]', 'unit_sheet = "../sheet.toml"', "inside the job folder"),
        ('channels = ["left", "right"]', 'unit_sheet = "C:/sheet.toml"', "inside the job folder"),
        ("[quoted]", '[[capture]]\nfolder = "captures/a"\nrole = "before"\n[quoted]', "[[capture]] 1: role"),
        ("[unit]", "[unit", "is not TOML"),
    ],
)
def test_what_cannot_be_is_refused(old: str, new: str, says: str) -> None:
    assert old in JOB
    told = problems_of(JOB.replace(old, new, 1))
    assert any(says in line for line in told), told


def test_a_capture_is_named_once() -> None:
    entry = '[[capture]]\nfolder = "captures/a"\nrole = "hunt"\n'
    parse_job(JOB + entry, "job.toml")
    again = entry.replace("captures/a", "./captures/a/")
    assert "captures/a is there twice" in problems_of(JOB + entry + again)[0]


def test_a_meter_over_its_range_is_told_as_such() -> None:
    job = parse_job(JOB.replace("value = 0.08", "over_range = true\nvalue = 1000"), "job.toml")
    assert job.check[0].reads == "over 1000 ohm"


def test_a_folder_without_a_job_says_how_to_begin_one(tmp_path: Path) -> None:
    with pytest.raises(NoJob, match="rampguard job new"):
        read_job(tmp_path)
    with pytest.raises(NoJob, match="rampguard job new"):
        read_job(tmp_path / "not-there")
    (tmp_path / "job.toml").write_bytes(b"\xff\xfe")
    with pytest.raises(JobError, match="UTF-8"):
        read_job(tmp_path)


def test_whose_unit_it_is_lies_apart(tmp_path: Path) -> None:
    assert read_private(tmp_path) is None
    (tmp_path / "private.toml").write_text('format = 1\nname = "N. N."\n', encoding="utf-8")
    assert read_private(tmp_path) == Private(format=1, name="N. N.")
    (tmp_path / "private.toml").write_text("format = 1\nage = 3\n", encoding="utf-8")
    with pytest.raises(JobError, match="age: unknown key"):
        read_private(tmp_path)


def test_the_schema_is_of_the_model_as_it_is_and_takes_a_job() -> None:
    assert SCHEMA.read_text(encoding="utf-8") == schema_text()
    schema, job = json.loads(schema_text()), parse_job(JOB, "job.toml").model_dump(mode="json", exclude_none=True)
    jsonschema.validate(job, schema)
    for wrong in ({"watts": 3}, {"unit": {**job["unit"], "nameplate_w": -1}}, {"work": [{"hours": 2}]}):
        with pytest.raises(jsonschema.ValidationError):
            jsonschema.validate(job | wrong, schema)
