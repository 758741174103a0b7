"""Writing a job: comments kept, read back equal, whole or not at all, by one writer at a time."""

from __future__ import annotations

import datetime as dt
import os
import shutil
import threading
from pathlib import Path
from typing import IO, Any

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.archive import descriptor
from rampguard.job.edits import CannotEdit, with_entry, with_entry_changed, with_value
from rampguard.job.errors import JobChanged, JobError
from rampguard.job.fresh import Intake, fresh_job
from rampguard.job.model import Job, parse_job, read_job
from rampguard.job.writing import begin_job, change_job, leftovers
from rampguard.loads.classes import LOAD_CLASSES
from test_job_model import JOB

COMMENTED = """\
# A job of ours.
format = 1      # the first
number = "7"
opened = 2026-03-02

# What it is.
[unit]
title = "radio"
load_class = "receiver"
nameplate_w = 60.0   # as on its plate
mains_v = 230.0
mains_frequency_hz = 50.0
# serial: unreadable

# What was replaced.
[[part]]
designator = "C12"
what = "mains capacitor"
replaced_with = "class X2"
origin = "drawer"    # ask where it came from

# [[part]]
# designator = "R1"
# What was done.
[[work]]
date = 2026-03-03
what = "looked"
hours = 0.5
# the end
"""
SHORT = """\
format = 1  # short: it is cut at every byte
number = "7"
opened = 2026-03-02
[unit]
title = "r\u00e4dio"
load_class = "receiver"
nameplate_w = 60
mains_v = 230
mains_frequency_hz = 50
"""
WORK = {"date": dt.date(2026, 3, 4), "what": "soldered", "hours": 1.0}


def comments_of(text: str) -> list[str]:
    return [line[line.index("#") :] for line in text.splitlines() if "#" in line]


# -- comments and order ----------------------------------------------------------------------------------------------


def test_what_is_new_goes_behind_what_it_belongs_to_and_every_comment_stays() -> None:
    text = with_value(COMMENTED, ("complaint",), "hums")
    text = with_value(text, ("unit", "serial"), "41")
    text = with_entry(text, "part", {"designator": "R1", "what": "fuse", "replaced_with": "same", "origin": "new"})
    text = with_entry(text, "work", WORK)
    text = with_entry(text, "caution", {"text": "keep it dry"})
    text = with_value(text, ("quoted", "hours"), 3.0)
    text = with_entry_changed(text, "part", 0, {"lot": "9", "origin": "known", "matched_with": None})
    assert comments_of(text) == comments_of(COMMENTED)
    told = [line.split(" = ")[0].split("  ")[0] for line in text.splitlines()]
    assert told.index("complaint") < told.index("# What it is.") < told.index("[unit]") < told.index("serial")
    assert told.index("serial") < told.index("# serial: unreadable") < told.index("[[part]]")
    first, second = (place for place, line in enumerate(told) if line == "[[part]]")
    assert told.index("lot") < second < told.index("# [[part]]") < told.index("# What was done.")
    assert first < second < told.index("[[work]]")
    job = parse_job(text, "job.toml")
    assert [one.designator for one in job.part] == ["C12", "R1"]
    assert (job.part[0].lot, job.part[0].origin, job.hours_spent) == ("9", "known", 1.5)


def test_line_ends_stay_as_they_are(tmp_path: Path) -> None:
    (tmp_path / "job.toml").write_bytes(COMMENTED.replace("\n", "\r\n").encode())
    change_job(tmp_path, lambda text: with_value(text, ("unit", "title"), "set"), {"unit"})
    data = (tmp_path / "job.toml").read_bytes()
    assert data == COMMENTED.replace('"radio"', '"set"').replace("\n", "\r\n").encode()
    change_job(tmp_path, lambda text: with_value(text, ("cause",), "age\nand heat"), {"cause"})
    data = (tmp_path / "job.toml").read_bytes()
    assert data.count(b"\n") == data.count(b"\r\n") == COMMENTED.count("\n") + 2
    assert read_job(tmp_path).cause == "age\nand heat"


def test_an_entry_goes_into_a_list_that_is_written_in_line_too() -> None:
    text = 'caution = [{ text = "a" }]\n' + COMMENTED
    assert [one.text for one in parse_job(with_entry(text, "caution", {"text": "b"}), "x").caution] == ["a", "b"]


# -- read back equal -------------------------------------------------------------------------------------------------

LETTERS = st.characters(exclude_categories=("Cc", "Cs"))
LINES = st.text(LETTERS, min_size=1, max_size=40).filter(lambda text: text.strip() != "" and "\n" not in text)
SAID = st.text(st.one_of(LETTERS, st.sampled_from('\n\t"\\#[]')), min_size=1, max_size=80).filter(
    lambda text: text.strip() != ""
)
DAYS = st.dates(dt.date(2026, 1, 1), dt.date(2027, 1, 1))
HOURS = st.floats(0.01, 24.0)
PARTS = st.fixed_dictionaries(
    {"designator": LINES, "what": LINES, "replaced_with": LINES, "origin": LINES},
    optional={"matched_with": LINES, "lot": LINES},
)
WORKS = st.fixed_dictionaries({"date": DAYS, "what": SAID, "hours": HOURS})
CHECKS = st.one_of(
    st.fixed_dictionaries(
        {"what": LINES, "result": st.sampled_from(["passed", "failed"]), "date": DAYS},
        optional={"limit": LINES, "by": LINES},
    ),
    st.fixed_dictionaries(
        {
            "what": LINES,
            "result": st.just("passed"),
            "date": DAYS,
            "value": st.floats(-1e9, 1e9),
            "unit": st.sampled_from(["ohm", "Mohm", "mA"]),
            "over_range": st.booleans(),
        }
    ),
)
CAUTIONS = st.fixed_dictionaries({"text": SAID})
PICTURES = st.fixed_dictionaries({"file": st.just("pictures/a b.png"), "says": SAID})
ENTRIES = st.lists(
    st.one_of(
        st.tuples(st.just("part"), PARTS),
        st.tuples(st.just("work"), WORKS),
        st.tuples(st.just("check"), CHECKS),
        st.tuples(st.just("caution"), CAUTIONS),
        st.tuples(st.just("picture"), PICTURES),
    ),
    max_size=8,
)
INTAKES = st.builds(
    Intake,
    number=st.from_regex(r"\A[A-Za-z0-9][\w-]{0,20}\Z"),
    opened=st.just(dt.date(2026, 1, 1)),
    title=LINES,
    load_class=st.sampled_from(sorted(LOAD_CLASSES)),
    nameplate_w=st.floats(0.1, 20_000),
    mains=st.tuples(st.floats(90, 260), st.sampled_from([50.0, 60.0])),
    nameplate_v=st.none() | st.floats(90, 260),
    serial=st.none() | LINES,
    channels=st.lists(LINES, max_size=4, unique=True).map(tuple),
    complaint=st.just("") | SAID,
    as_found=st.just("") | SAID,
)


@settings(max_examples=40, deadline=None)
@given(INTAKES, ENTRIES, SAID)
def test_any_job_that_is_written_is_read_back_equal_and_keeps_its_comments(
    intake: Intake, entries: list[tuple[str, dict[str, Any]]], cause: str
) -> None:
    text = fresh_job(intake)
    before = [line for line in text.splitlines() if line.startswith("#")]
    for name, values in entries:
        text = with_entry(text, name, values)
    text = with_value(text, ("cause",), cause)
    job = parse_job(text, "job.toml")
    assert (job.number, job.unit.title, job.unit.serial, job.cause) == (
        intake.number,
        intake.title,
        intake.serial,
        cause,
    )
    assert (job.unit.nameplate_w, job.unit.nameplate_v) == (intake.nameplate_w, intake.nameplate_v)
    assert (job.unit.channels, job.complaint, job.as_found) == (intake.channels, intake.complaint, intake.as_found)
    for name in ("part", "work", "check", "caution", "picture"):
        wanted = [values for one, values in entries if one == name]
        told = [entry.model_dump(exclude_unset=True) for entry in getattr(job, name)]
        assert told == wanted
    assert [line for line in text.splitlines() if line in before] == before


@settings(max_examples=40, deadline=None)
@given(st.lists(st.tuples(st.sampled_from(["part", "work", "caution"]), st.integers(0, 9)), max_size=6), SAID)
def test_a_job_written_by_hand_keeps_its_comments_whatever_is_added(adds: list[tuple[str, int]], said: str) -> None:
    values: dict[str, dict[str, Any]] = {
        "part": {"designator": "Q1", "what": "x", "replaced_with": "y", "origin": "z"},
        "work": {**WORK, "what": said},
        "caution": {"text": said},
    }
    text = COMMENTED
    for name, _ in adds:
        text = with_entry(text, name, values[name])
    ours = set(comments_of(COMMENTED))
    assert [line for line in comments_of(text) if line in ours] == comments_of(COMMENTED)
    names = [name for name, _ in adds]
    job = parse_job(text, "job.toml")
    assert (len(job.part), len(job.work)) == (1 + names.count("part"), 1 + names.count("work"))


# -- whole or not at all ---------------------------------------------------------------------------------------------


class Cut(BaseException):
    """The machine lost its power."""


class CutFile:
    """A file that takes so many bytes, and then the power is gone."""

    def __init__(self, file: IO[bytes], left: list[int]) -> None:
        self._file, self._left = file, left

    def write(self, data: bytes) -> int:
        taken = self._file.write(data[: self._left[0]])
        self._left[0] -= taken
        self._file.flush()
        if taken < len(data):
            raise Cut
        return taken

    def flush(self) -> None:
        self._file.flush()

    def fileno(self) -> int:
        return self._file.fileno()

    def __enter__(self) -> CutFile:
        return self

    def __exit__(self, *_: object) -> None:
        self._file.close()


def add_work(folder: Path) -> Job:
    return change_job(folder, lambda text: with_entry(text, "work", WORK), {"work"})


def assert_old_or_new(folder: Path, old: str, new: str) -> None:
    """What stands in the folder is one of the two, whole; what is left of the other is told, and written over."""
    there = (folder / "job.toml").read_text(encoding="utf-8")
    assert there in (old, new)
    assert read_job(folder) == parse_job(there, "job.toml")
    assert bool(leftovers(folder)) == any(folder.glob("*.part"))
    begun = len(read_job(folder).work)
    assert len(add_work(folder).work) == begun + 1
    assert (folder / "job.toml.before").read_text(encoding="utf-8") == there


def test_cut_at_every_byte_of_what_is_written_the_old_job_stands_whole(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """First the copy of what stood there is cut, at every byte, then the new file; whole files are the next test's."""
    new = with_entry(SHORT, "work", WORK)
    plain, left = Path.open, [0]

    def opened(path: Path, mode: str = "r", *args: Any, **more: Any) -> Any:
        file = plain(path, mode, *args, **more)
        return CutFile(file, left) if mode == "wb" else file

    (tmp_path / "job.toml").write_text(SHORT, encoding="utf-8")
    for count in range(len(SHORT.encode()) + len(new.encode())):
        for part in tmp_path.glob("*.part"):
            part.unlink()
        left[0] = count
        with monkeypatch.context() as patch:
            patch.setattr(Path, "open", opened)
            with pytest.raises(Cut):
                add_work(tmp_path)
        assert (tmp_path / "job.toml").read_text(encoding="utf-8") == SHORT
        [told] = leftovers(tmp_path)
        assert told.startswith("job.toml.part:") == (count >= len(SHORT.encode()))
        if count % 50 == 0:
            again = tmp_path / str(count)
            again.mkdir()
            for file in tmp_path.glob("job.toml*"):
                shutil.copy(file, again)
            assert_old_or_new(again, SHORT, new)


@pytest.mark.parametrize("call", ["fsync", "replace"])
@pytest.mark.parametrize("number", [1, 2])
@pytest.mark.parametrize("when", ["before", "after"])
def test_cut_around_every_call_that_makes_it_last_the_job_is_the_old_or_the_new(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, call: str, number: int, when: str
) -> None:
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    plain, count = getattr(os, call), [0]

    def cut(*args: Any) -> Any:
        count[0] += 1
        if count[0] == number and when == "before":
            raise Cut
        done = plain(*args)
        if count[0] == number:
            raise Cut
        return done

    new = with_entry(JOB, "work", WORK)
    with monkeypatch.context() as patch:
        patch.setattr(descriptor.os, call, cut)
        with pytest.raises(Cut):
            add_work(tmp_path)
    text = (tmp_path / "job.toml").read_text(encoding="utf-8")
    assert text == (new if (call, number, when) == ("replace", 2, "after") else JOB)
    assert_old_or_new(tmp_path, JOB, new)


def test_a_disk_that_is_full_says_so_and_the_job_is_as_it_was(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")

    def full(handle: int) -> None:
        raise OSError(28, os.strerror(28))

    monkeypatch.setattr(descriptor.os, "fsync", full)
    with pytest.raises(JobError, match=r"No space left.*it is as it was"):
        add_work(tmp_path)
    assert (tmp_path / "job.toml").read_text(encoding="utf-8") == JOB


# -- two writers -----------------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path


def test_who_read_an_older_text_is_refused_and_what_the_other_wrote_stands(folder: Path) -> None:
    add_work(folder)
    theirs = (folder / "job.toml").read_text(encoding="utf-8")
    with pytest.raises(JobChanged, match="somebody else"):
        change_job(folder, lambda text: with_value(text, ("cause",), "age"), {"cause"}, read=JOB)
    assert (folder / "job.toml").read_text(encoding="utf-8") == theirs


@pytest.mark.skipif(os.name == "nt", reason="no lock there")
def test_of_two_who_write_at_once_nothing_is_lost(folder: Path) -> None:
    def write(who: str) -> None:
        for number in range(15):
            entry = {**WORK, "what": f"{who} {number}"}
            change_job(folder, lambda text, entry=entry: with_entry(text, "work", entry), {"work"})

    writers = [threading.Thread(target=write, args=(who,)) for who in ("one", "two", "three")]
    for writer in writers:
        writer.start()
    for writer in writers:
        writer.join()
    written = [entry.what for entry in read_job(folder).work[2:]]
    assert sorted(written) == sorted(f"{who} {n}" for who in ("one", "two", "three") for n in range(15))


def test_a_change_that_makes_no_job_of_it_is_refused_with_every_problem(folder: Path) -> None:
    with pytest.raises(JobError) as refused:
        change_job(folder, lambda text: with_entry(text, "work", {"what": "", "hours": 99.0}), {"work"})
    told = str(refused.value)
    assert "job.toml, not written: [[work]] 3: date: missing" in told
    assert "[[work]] 3: hours: " in told
    assert (folder / "job.toml").read_text(encoding="utf-8") == JOB
    assert not (folder / "job.toml.before").exists()


def test_a_change_that_cannot_be_made_says_so(folder: Path) -> None:
    def edit(text: str) -> str:
        raise CannotEdit("change it by hand")

    with pytest.raises(JobError, match=r"job\.toml: change it by hand"):
        change_job(folder, edit, {"work"})


def test_a_change_that_would_touch_something_else_is_refused(folder: Path) -> None:
    with pytest.raises(JobError, match="number would be changed too"):
        change_job(folder, lambda text: with_value(text, ("number",), "8"), {"cause"})
    assert read_job(folder).number == "2026-014"


def test_what_stands_before_a_change_is_kept_and_no_change_writes_nothing(folder: Path) -> None:
    change_job(folder, lambda text: text, ())
    assert not (folder / "job.toml.before").exists()
    add_work(folder)
    assert (folder / "job.toml.before").read_text(encoding="utf-8") == JOB


def test_a_job_is_begun_once(tmp_path: Path) -> None:
    assert begin_job(tmp_path / "new", JOB).number == "2026-014"
    with pytest.raises(JobError, match="is there already; nothing was written"):
        begin_job(tmp_path / "new", JOB)
    with pytest.raises(JobError, match="unit: missing"):
        begin_job(tmp_path / "other", 'format = 1\nnumber = "1"\nopened = 2026-01-01\n')
    assert not (tmp_path / "other").exists()
    (tmp_path / "file").write_text("")
    with pytest.raises(JobError, match="cannot be written"):
        begin_job(tmp_path / "file", JOB)
