"""Jobs found: by words against a plain reading of every job.toml, by unit, cause, part, date; and what is printed."""

from __future__ import annotations

import json
import re
import shutil
import sqlite3
import tomllib
from contextlib import closing
from datetime import date
from pathlib import Path
from typing import Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from hand_back_help import make_job as make_whole_job
from jobs_help import index_at, make_jobs
from rampguard.cli import main
from rampguard.job.model import parse_job
from rampguard.jobs import looking, store, updating
from rampguard.jobs.asking import NoWord, Question, find, unreadable
from rampguard.jobs.facts import JobFacts
from rampguard.jobs.plain import kind_of, plain_words, shown
from rampguard.jobs.store import COLUMNS, create, drop, has_full_text, put
from test_job_model import JOB


@pytest.fixture(scope="module")
def root(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Eighty jobs, and one whose captures are whole ones."""
    folder = tmp_path_factory.mktemp("shop") / "jobs"
    make_jobs(folder, 80, 20)
    make_whole_job(folder / "2026-014")
    (folder / "broken").mkdir()
    (folder / "broken" / "job.toml").write_text('number = "Q\n')
    return folder


def plainly(root: Path, *words: str) -> set[str]:
    """The jobs that have all these words, or words that begin so, in what is searched: by tomllib and a pattern."""
    found = set()
    for path in root.glob("**/job.toml"):
        try:
            job = tomllib.loads(path.read_text())
        except tomllib.TOMLDecodeError:
            continue
        unit = job["unit"]
        said = [job["number"], unit["title"], unit.get("serial", ""), unit["load_class"], job["complaint"]]
        said += [job["as_found"], job.get("cause", ""), *(one["what"] for one in job["work"])]
        said += [" ".join(map(str, one.values())) for one in job.get("part", [])]
        said += [
            str(value)
            for name in ("check", "caution", "picture")
            for one in job.get(name, [])
            for value in one.values()
        ]
        said += [one.get("note", "") for one in job.get("capture", [])]
        text = "\n".join(said).casefold()
        if all(re.search(rf"\b{word}", text) for word in words):
            found.add(path.parent.relative_to(root).as_posix())
    return found


def asked(root: Path, *words: str, **more: Any) -> list[str]:
    with index_at(root) as (index, _):
        return [one.folder for one in find(index.db, Question(words=words, **more))]


@pytest.mark.parametrize(
    "words", [("hum",), ("capac", "warm"), ("q8",), ("rebuilt",), ("grey", "receiver"), ("nowhere",), ("j-00017",)]
)
def test_by_words_as_a_plain_reading_of_all_finds_them(root: Path, words: tuple[str, ...]) -> None:
    expected = plainly(root, *words)
    assert bool(expected) == (words != ("nowhere",))
    assert set(asked(root, *words)) == expected


def test_without_full_text_the_same_jobs_the_newest_first(
    root: Path, monkeypatch: pytest.MonkeyPatch, capsys: Any
) -> None:
    questions = [("hum",), ("output", "left"), ("loudspeaker lead",)]
    ranked = [set(asked(root, *words)) for words in questions]
    for module in (store, updating):
        monkeypatch.setattr(module, "has_full_text", lambda: False)
    with index_at(root) as (index, _):
        assert "another version" in index.why_anew
        for words, expected in zip(questions, ranked, strict=True):
            found = find(index.db, Question(words=words))
            assert {one.folder for one in found} == expected
            assert [one.opened for one in found] == sorted((one.opened for one in found), reverse=True)
    assert main(["jobs", "find", str(root), "hum"]) == 0
    assert "no full text (FTS5)" in capsys.readouterr().err


def test_no_full_text_is_found_out_by_trying(monkeypatch: pytest.MonkeyPatch) -> None:
    assert has_full_text()

    class Without:
        def execute(self, _: str) -> None:
            raise sqlite3.OperationalError("no such module: fts5")

        def close(self) -> None: ...

    monkeypatch.setattr(sqlite3, "connect", lambda _: Without())
    assert not has_full_text()


LETTERS = st.text(alphabet="abAß éÉ\u0301ﬁ²Ωµ-_%*\"'10", max_size=8)


@settings(max_examples=150, deadline=None)
@given(
    texts=st.lists(st.lists(LETTERS, min_size=2, max_size=2), min_size=1, max_size=6),
    words=st.lists(LETTERS, min_size=1, max_size=2),
)
def test_full_text_and_going_through_all_find_the_same(texts: list[list[str]], words: list[str]) -> None:
    job = parse_job(JOB, "job.toml")
    found = []
    for full_text in (True, False):
        with closing(sqlite3.connect(":memory:")) as db:
            create(db, full_text=full_text)
            for number, (title, cause) in enumerate(texts):
                said = dict.fromkeys(COLUMNS, "") | {"title": plain_words(title), "cause": plain_words(cause)}
                put(db, JobFacts(folder=str(number), stamp="", job=job, words=said))
            drop(db, "0")
            try:
                found.append({one.folder for one in find(db, Question(words=tuple(words)))})
            except NoWord:
                found.append({"no word"})
    assert found[0] == found[1]


def test_words_are_compared_without_case_accents_and_signs() -> None:
    assert plain_words("Q701, left: 10 µF; Straße, ÉTÉ_x") == "q701 left 10 μf strasse ete x"
    assert plain_words("-- ... ☃") == ""
    assert (kind_of("Output transistor, left"), kind_of(", odd")) == ("output transistor", "odd")
    assert shown("a\x1b[2J\n\udcff") == "a\\x1b[2J\\x0a\\xdcff"


def test_by_unit_cause_part_and_date(root: Path) -> None:
    everything = asked(root)
    with index_at(root) as (index, _):
        jobs = {one.folder: one for one in find(index.db, Question())}
    assert set(asked(root, unit="grey amplifier")) == {
        name for name in everything if "grey" in jobs[name].title and "amplifier" in jobs[name].title
    }
    assert set(asked(root, cause="coffee")) == {name for name in everything if "coffee" in (jobs[name].cause or "")}
    by_day = asked(root, since=date(2022, 1, 1), until=date(2023, 6, 30))
    assert set(by_day) == {name for name in everything if "2022-01-01" <= jobs[name].opened <= "2023-06-30"}
    assert 5 < len(by_day) < 60
    assert asked(root, part="q701") == ["2026-014"]
    assert asked(root, part="q70") == []  # a designator is one, or it is another
    assert "2026-014" in asked(root, part="output trans")
    assert asked(root, cause="output-stage-short", unit="2026-014") == ["2026-014"]  # the guard named it
    with pytest.raises(NoWord, match="no letter"):
        asked(root, "--")


def test_the_best_come_first(tmp_path: Path) -> None:
    for name, text in (
        ("in-a-note", JOB + '[[caution]]\ntext = "the mains fuse was changed"\n'),
        ("in-its-cause", JOB.replace("format = 1\n", 'format = 1\ncause = "a wrong fuse"\n')),
    ):
        (tmp_path / name).mkdir()
        (tmp_path / name / "job.toml").write_text(text)
    assert asked(tmp_path, "wrong fuse") == ["in-its-cause"]
    assert asked(tmp_path, "fuse")[0] == "in-its-cause"


def test_what_is_printed(root: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["jobs", "find", str(root), "shelf", "--part", "q701"]) == 0
    out = capsys.readouterr().out
    assert f"  {root / '2026-014'}" in out  # with its cause behind it, where the line has room
    assert "CANNOT BE READ OR BELIEVED: 1 job\n" in out
    assert str(root / "broken") in out
    assert main(["jobs", "find", str(root), "--most", "3"]) == 0
    assert "\n3 of 81; --most 81 tells all\n" in capsys.readouterr().out
    assert main(["jobs", "find", str(root), "nowhere"]) == 0
    assert capsys.readouterr().out.startswith("no job found\n")
    assert main(["jobs", "find", str(root), "hum", "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["outcome"], told["found"]) == (1, "done", len(told["jobs"]))
    assert Path(told["jobs"][0]["path"]).is_dir()
    assert [one["folder"] for one in told["unreadable"]] == ["broken"]


def test_paths_are_told_whole_and_what_is_wrong_within_the_width(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folder = tmp_path / ("a folder whose name is so long that no line of a terminal holds it " * 2).strip() / "2026-014"
    make_whole_job(folder)
    (folder / "captures" / "empty").mkdir()
    assert main(["jobs", "find", str(tmp_path), "fuse"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert f"  {folder}" in lines
    where = lines.index(f"  {folder / 'captures' / 'empty'}")
    assert lines[where + 1] == "    datapackage.json: cannot be read (No such file or directory); is it a"
    assert all(len(line) < 80 for line in lines if str(folder) not in line)


def test_many_that_cannot_be_read_are_counted_and_told_where(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    for number in range(13):
        (tmp_path / f"b{number:02d}").mkdir()
        (tmp_path / f"b{number:02d}" / "job.toml").write_text("x")
    assert main(["jobs", "find", str(tmp_path)]) == 0
    out = capsys.readouterr().out
    assert "BELIEVED: 13 jobs" in out
    assert "and 3 more; rampguard jobs index" in out
    assert main(["jobs", "index", str(tmp_path)]) == 0
    assert capsys.readouterr().out.count("is not TOML") == 13


def test_a_search_says_that_it_had_to_build_anew(
    root: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    shutil.copytree(root, tmp_path / "jobs")
    path = tmp_path / "jobs" / ".rampguard-index.sqlite"
    assert main(["jobs", "index", str(tmp_path / "jobs")]) == 0
    path.write_bytes(path.read_bytes()[:9000])
    capsys.readouterr()
    assert main(["jobs", "find", str(tmp_path / "jobs"), "hum", "--json"]) == 0
    told = capsys.readouterr()
    assert "was built anew" in told.err
    assert json.loads(told.out)["found"] == len(plainly(root, "hum"))


def test_what_cannot_be_searched_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    for words in (["index", str(tmp_path / "no")], ["sums", str(tmp_path), "--as-is"], ["find", str(tmp_path), "?"]):
        assert main(["jobs", *words, "--json"]) == 2
        told = capsys.readouterr()
        assert json.loads(told.out)["outcome"] == "refused"
        assert told.err
    for words in (["--since", "soon"], ["--most", "0"]):
        with pytest.raises(SystemExit, match="2"):
            main(["jobs", "find", str(tmp_path), *words])


@pytest.mark.parametrize(
    "changed",
    [
        '"created": "\\ud800", "outcome": "\\udfff",',
        '"result": {"causes": [{"cause": "\\ud800"}]}, "outcome": "tripped",',
        '"result": {"causes": [[]]}, "outcome": "tripped",',
        '"nameplate_w": 1' + "0" * 400 + ",",
        '"nameplate_v": true, "unplugged": 7,',
        '"result": ' + '{"causes": ' * 20_000,
        '"result": ' + "[" * 100_000,
    ],
)
def test_one_odd_file_never_keeps_others_from_being_found(tmp_path: Path, changed: str) -> None:
    make_whole_job(tmp_path / "odd")
    make_whole_job(tmp_path / "sound")
    for path in (tmp_path / "odd" / "captures").glob("*/datapackage.json"):
        lines = path.read_text().rstrip().removesuffix("}").rstrip()
        path.write_text(f"{lines}, {changed.removesuffix(',')}}}")
        (path.parent / "seal.sha256").unlink()
    assert "sound" in asked(tmp_path, "fuse")
    with index_at(tmp_path) as (index, _):
        assert index.db.execute("SELECT count(*) FROM job").fetchone() == (2,)


def test_a_job_that_nests_without_end_is_told(tmp_path: Path) -> None:
    make_whole_job(tmp_path / "odd", f"a = {'[' * 50_000}")
    with index_at(tmp_path) as (index, _):
        assert [one.folder for one in unreadable(index.db)] == ["odd"]


def test_young_files_cost_a_reading_no_wrong_answer(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Changed twice within a tick of the clock: with stamps of what is young the second change would be missed."""
    monkeypatch.setattr(looking, "YOUNG_S", 60.0)
    make_jobs(tmp_path / "jobs", 2, 1)
    path = tmp_path / "jobs" / "000" / "j00001" / "job.toml"
    for number in ("J-11111", "J-22222"):
        path.write_text(path.read_text().replace(path.read_text().split('"')[1], number))
        assert asked(tmp_path / "jobs", number) == ["000/j00001"]
