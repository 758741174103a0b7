"""What many jobs add up to: against sums by hand, numpy's percentiles, and a plain reading of every job.toml."""

from __future__ import annotations

import json
import shutil
import sqlite3
import tomllib
from collections import Counter
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from archive_help import captured, row
from hand_back_help import CAPTURES, JOB, make_job
from jobs_help import index_at, make_jobs
from rampguard.archive.seal import seal_text
from rampguard.cli import main
from rampguard.jobs.lessons import HealthyRow, Hours, Model, healthy_by_model, hours_by_class, most_often, spread_of
from rampguard.jobs.summing import Sums, sums_of


def sums_at(root: Path, unit: str | None = None) -> Sums:
    with index_at(root) as (index, _):
        return sums_of(index.db, unit)


@given(st.lists(st.floats(-1e6, 1e6), min_size=1, max_size=30))
def test_spreads_are_numpys(values: list[float]) -> None:
    spread = spread_of(values)
    assert spread is not None
    expected = np.percentile(values, [0, 25, 50, 75, 100])
    told = [spread.lowest, spread.quarter, spread.median, spread.three_quarters, spread.highest]
    assert told == pytest.approx(expected, rel=1e-9, abs=1e-9)
    assert spread.count == len(values)


def test_of_nothing_there_is_no_spread() -> None:
    assert spread_of([]) is None
    assert hours_by_class([]) == {}


def test_hours_by_hand() -> None:
    found = hours_by_class([Hours("motor", 2.0, 1.0), Hours("motor", 2.0, 3.0), Hours("heater", 4.0, 4.0)])
    assert list(found) == ["all", "heater", "motor"]
    assert (found["all"].median, found["motor"].median, found["heater"].median) == (1.0, 1.0, 1.0)
    assert (found["motor"].lowest, found["motor"].quarter, found["motor"].highest) == (0.5, 0.75, 1.5)


def test_what_failed_most_is_counted_by_jobs_then_times() -> None:
    said = [
        (1, "fuse", "fuse"),
        (1, "fuse", "fuse"),
        (2, "relay", "Relay"),
        (3, "relay", "relay"),
        (4, "relay", "relay"),
    ]
    found = most_often([*said, (5, "age", "age")])
    assert [(one.said, one.times, one.jobs) for one in found] == [("relay", 3, 3), ("fuse", 2, 1), ("age", 1, 1)]


def test_of_each_job_the_newest_capture_counts() -> None:
    model = Model("radio", 60.0, 230.0, 50.0, is_simulated=False)
    rows = [
        HealthyRow(model, "Radio", job, capture, created, 1.0, 230.0, amperes, None)
        for job, capture, created, amperes in ((1, 1, "2026-01", 9.0), (1, 2, "2026-02", 0.1), (2, 3, "2026-01", 0.3))
    ]
    [found] = healthy_by_model(rows)
    assert (found.jobs, found.title, len(found.levels)) == (2, "Radio", 1)
    assert (found.levels[0].current_a.count, found.levels[0].current_a.median) == (2, pytest.approx(0.2))
    assert found.levels[0].power_w is None


def test_against_a_plain_reading_of_every_job(tmp_path: Path) -> None:
    make_jobs(tmp_path / "jobs", 120, 4)
    jobs = []
    for path in (tmp_path / "jobs").glob("**/job.toml"):
        try:
            jobs.append(tomllib.loads(path.read_text()))
        except tomllib.TOMLDecodeError:
            continue
    found = sums_at(tmp_path / "jobs")
    assert found.jobs == len(jobs)
    assert found.open_jobs == sum("closed" not in job for job in jobs)
    assert found.oldest_open == min(job["opened"] for job in jobs if "closed" not in job).isoformat()
    causes = Counter(job["cause"].lower() for job in jobs if "cause" in job)
    assert {one.said.lower(): one.jobs for one in found.causes} == causes
    kinds = Counter(part["what"].split(",")[0].replace("-", " ") for job in jobs for part in job["part"])
    assert {one.said: one.times for one in found.kinds} == kinds
    closed = [job for job in jobs if "closed" in job]
    ratios = [sum(entry["hours"] for entry in job["work"]) / job["quoted"]["hours"] for job in closed]
    assert found.hours["all"].count == len(ratios)
    assert found.hours["all"].median == pytest.approx(np.median(ratios))
    with_captures = Counter(job["unit"]["title"] for job in jobs if "capture" in job)
    assert {one.title: one.jobs for one in found.healthy} == with_captures
    for one in found.healthy:
        quarter, half, *_, full = one.levels
        assert (quarter.part_of_line, half.part_of_line, full.part_of_line) == (0.25, 0.5, 1.0)
        # The generated units draw as a resistance does, by 1.4: its power goes with the square of line voltage.
        assert full.current_a.median == pytest.approx(2.0 * half.current_a.median, rel=1e-6)
        assert full.power_w is not None
        assert full.power_w.median * 1.4 == pytest.approx(full.current_a.median * 230.0, rel=1e-6)
    valve = sums_at(tmp_path / "jobs", "valve")
    assert valve.jobs == sum("valve" in f"{job['unit']['title']} {job['unit']['load_class']}" for job in jobs)
    assert {one.title for one in valve.healthy} == {title for title in with_captures if "valve" in title}
    assert set(valve.hours) == {"all", "valve-amplifier"}
    assert valve.unreadable == found.unreadable


def test_what_a_real_capture_drew_is_what_its_rows_say(tmp_path: Path) -> None:
    make_job(tmp_path / "2026-014")
    [healthy] = sums_at(tmp_path).healthy
    lines = (CAPTURES / "healthy-amplifier" / "readings.csv").read_text().splitlines()
    rows = [dict(zip(lines[0].split(","), line.split(","), strict=False)) for line in lines[1:]]
    full = [row for row in rows if row["state"] == "live" and float(row["line_voltage_v"] or 0) > 0.99 * 230.0]
    level = healthy.levels[-1]
    assert level.current_a.median == pytest.approx(np.median([float(row["line_current_a"]) for row in full]), rel=0.01)
    assert level.power_w is not None
    assert level.power_w.median == pytest.approx(np.median([float(row["real_power_w"]) for row in full]), rel=0.01)
    assert healthy.model.is_simulated
    assert [one.said for one in sums_at(tmp_path).named] == ["output-stage-short"]


@pytest.mark.parametrize(
    ("role", "changed", "counts"),
    [
        ("after-repair", {}, True),
        ("known-good", {}, True),
        ("warm-up", {}, False),
        ("as-found", {}, False),
        ("known-good", {"outcome": "stopped"}, False),
        ("known-good", {"series_lamp_w": 100.0}, False),
        ("known-good", {"unplugged": ["left"]}, False),
        ("known-good", {"nameplate_w": "much"}, False),
        ("known-good", {"nameplate_v": -230.0}, False),
        ("known-good", {"result": {"causes": "none"}, "outcome": "tripped"}, False),
    ],
)
def test_which_captures_tell_what_a_healthy_unit_draws(
    tmp_path: Path, role: str, changed: dict[str, object], counts: bool
) -> None:
    folder = tmp_path / "job" / "captures" / "one"
    shutil.copytree(CAPTURES / "healthy-amplifier", folder)
    described = json.loads((folder / "datapackage.json").read_text()) | changed
    (folder / "datapackage.json").write_text(json.dumps(described))

    (folder / "seal.sha256").write_text(seal_text(folder))
    text = JOB + f'[[capture]]\nfolder = "captures/one"\nrole = "{role}"\n'
    (tmp_path / "job" / "job.toml").write_text(text)
    assert bool(sums_at(tmp_path).healthy) is counts


def test_a_capture_that_cannot_be_believed_does_not_count_and_is_told(tmp_path: Path) -> None:
    make_job(tmp_path / "a")
    with (tmp_path / "a" / "captures" / "healthy-amplifier" / "readings.csv").open("a") as stream:
        stream.write("\n")
    found = sums_at(tmp_path)
    assert not found.healthy
    [one] = found.unreadable
    assert (one.folder, one.is_job) == ("a/captures/healthy-amplifier", False)
    assert "changed since it was sealed" in one.problem


def test_rows_that_are_none_are_told(tmp_path: Path) -> None:

    made = captured(tmp_path / "made", [row(0)])
    (made / "readings.csv").write_text("time_s,line_voltage_v\nnow,230\n")

    (made / "seal.sha256").write_text(seal_text(made))
    (tmp_path / "jobs" / "a" / "captures").mkdir(parents=True)
    made.rename(tmp_path / "jobs" / "a" / "captures" / "one")
    text = JOB + '[[capture]]\nfolder = "captures/one"\nrole = "known-good"\n'
    (tmp_path / "jobs" / "a" / "job.toml").write_text(text)
    [one] = sums_at(tmp_path / "jobs").unreadable
    assert one.problem.startswith("readings.csv")


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    make_jobs(tmp_path / "jobs", 60, 9)
    assert main(["jobs", "sums", str(tmp_path / "jobs")]) == 0
    out = capsys.readouterr().out
    assert max(map(len, out.splitlines())) < 80
    for title in ("causes as written", "the guard named first", "parts replaced", "hours spent over", "healthy units"):
        assert title in out
    assert main(["jobs", "sums", str(tmp_path / "jobs"), "--json", "--unit", "motor"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["outcome"]) == (1, "done")
    assert set(told["hours"]) == {"all", "motor"}
    (tmp_path / "none").mkdir()
    assert main(["jobs", "sums", str(tmp_path / "none")]) == 0
    assert "0 jobs, 0 open" in capsys.readouterr().out


def test_an_index_that_fails_while_it_is_read_is_our_error(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def failing(*_: object) -> None:
        raise sqlite3.DatabaseError("disk I/O error")

    monkeypatch.setattr("rampguard.jobs.commands.sums_of", failing)
    assert main(["jobs", "sums", str(tmp_path)]) == 1
    assert "--anew" in capsys.readouterr().err
