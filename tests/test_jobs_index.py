"""The index over a folder of jobs: up to date, whole or rebuilt, and never the truth."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from jobs_help import BEYOND_INDEX, answers, as_built_anew, index_at, make_job, make_jobs
from rampguard.jobs import looking, store, updating
from rampguard.jobs.place import INDEX_NAME, place_of
from rampguard.jobs.updating import NoJobs


@pytest.fixture
def root(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """Thirty jobs, none of which is too young to be stamped."""
    monkeypatch.setattr(looking, "YOUNG_S", -1e9)
    make_jobs(tmp_path / "jobs", 30, 7)
    return tmp_path / "jobs"


def index_of(root: Path) -> Path:
    found = place_of(root)
    assert found == root / INDEX_NAME
    return found


def job_file(root: Path, number: int) -> Path:
    return root / "000" / f"j{number:05d}" / "job.toml"


def test_what_did_not_change_is_not_read_again_and_the_file_stays(root: Path) -> None:
    with index_at(root) as (first, _):
        before = answers(first.db)
        assert (first.read, first.why_anew) == (30, "there was none")
    written = index_of(root).stat()
    with index_at(root) as (second, said):
        assert (second.read, second.gone, second.why_anew, said) == (0, 0, "", [])
        assert answers(second.db) == before
    assert index_of(root).stat().st_ino == written.st_ino
    assert before == as_built_anew(root)


def test_what_is_too_young_to_be_told_from_its_times_is_read_again(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(looking, "YOUNG_S", 3600.0)
    for _ in range(2):
        with index_at(root) as (index, _):
            assert index.read == 30


def test_after_any_changes_it_answers_as_one_built_anew(root: Path) -> None:
    rng, plain = random.Random(11), root.parent / "jobs-plain"

    def changed(path: Path) -> None:
        path.write_text(path.read_text().replace("a blown fuse", "hum").replace("silence", "a blown fuse"))

    def broken(path: Path) -> None:
        path.write_text("number = ")

    def unsealed(path: Path) -> None:
        for seal in path.parent.glob("captures/*/seal.sha256"):
            seal.unlink()

    def anew(path: Path) -> None:
        shutil.rmtree(path.parent, ignore_errors=True)
        make_job(path.parent, rng.randrange(1000), rng, plain)

    changes: list[Callable[[Path], object]] = [changed, broken, unsealed, anew, lambda p: shutil.rmtree(p.parent)]
    copy = root.parent / "as-it-was.sqlite"
    as_built_anew(root)
    for _ in range(12):
        for path in rng.sample(sorted(root.glob("*/*/job.toml")), 3):
            rng.choice(changes)(path)
        with index_at(root) as (index, _):
            assert (index.read + index.gone < 15, index.why_anew) == (True, "")
            assert index.db.execute("PRAGMA integrity_check").fetchall() == [("ok",)]
            found = answers(index.db)
        shutil.copy(index_of(root), copy)
        whole = sqlite3.connect(copy)
        whole.execute("INSERT INTO full_text (full_text, rank) VALUES ('integrity-check', 1)")
        whole.close()
        assert found == as_built_anew(root)
        shutil.copy(copy, index_of(root))  # and on from the one that grew


def test_a_change_of_the_same_length_with_its_time_put_back_is_seen(root: Path) -> None:
    with index_at(root):
        pass
    path = job_file(root, 3)
    then = path.stat()
    path.write_text(path.read_text().replace("J-00003", "J-99993"))
    os.utime(path, ns=(then.st_atime_ns, then.st_mtime_ns))
    with index_at(root) as (index, _):
        assert index.read == 1


def test_captures_are_read_once(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with index_at(root) as (index, _):
        before = answers(index.db)[1].healthy
    assert before
    monkeypatch.setattr("rampguard.compare.gather.side_of", lambda *_: pytest.fail("rows were read again"))
    for path in root.glob("*/*/job.toml"):
        path.write_text(path.read_text() + "\n# a remark\n")
    with index_at(root) as (index, _):
        assert index.read == 30
        assert answers(index.db)[1].healthy == before


def test_a_long_reading_says_how_far_it_is(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(updating, "_TOLD_EVERY", 10)
    with index_at(root) as (_, said):
        assert said == [f"{count} of 30 job folders read" for count in (10, 20, 30)]


def test_one_that_is_not_as_it_was_written_at_once_is_not_believed(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = as_built_anew(root)
    index_of(root).unlink()
    replace = os.replace

    def torn(part: Path, into: Path) -> None:
        os.truncate(part, 5000)
        replace(part, into)

    monkeypatch.setattr("os.replace", torn)
    with index_at(root) as (index, said):
        assert (index.place, answers(index.db)) == (None, expected)
    assert "is its disk sound?" in said[0]


def test_nothing_private_enters_it(root: Path) -> None:
    assert any(BEYOND_INDEX in path.read_text() for path in root.glob("*/*/private.toml"))
    unreadable = next(root.glob("*/*/private.toml"))
    unreadable.unlink()
    unreadable.mkdir()  # whoever opened it would fail
    with index_at(root) as (index, _):
        assert not answers(index.db)[2]
    assert BEYOND_INDEX.encode() not in index_of(root).read_bytes()
    assert b"customer" not in index_of(root).read_bytes()


def test_two_at_once_leave_a_whole_one_that_the_next_search_completes(
    root: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    as_built_anew(root)
    job_file(root, 1).write_text(job_file(root, 1).read_text().replace("J-00001", "J-11111"))
    fill = updating._fill

    def meanwhile(*args: Any, **how: Any) -> None:
        """Another sees one more change, and is done before this one goes on."""
        monkeypatch.setattr(updating, "_fill", fill)
        job_file(root, 2).write_text(job_file(root, 2).read_text().replace("J-00002", "J-22222"))
        with index_at(root) as (other, _):
            assert other.read == 2
        fill(*args, **how)

    monkeypatch.setattr(updating, "_fill", meanwhile)
    with index_at(root) as (index, _):
        assert index.read == 1
    with index_at(root) as (index, _):
        assert (index.read, index.why_anew) == (1, "")
        found = answers(index.db)
    assert found == as_built_anew(root)


def test_what_killed_ones_left_is_swept_away_a_day_later(root: Path) -> None:
    old, young = (root / f"{INDEX_NAME}.{name}.part" for name in ("1-1", "2-2"))
    for path in (old, young):
        path.write_bytes(b"half")
    os.utime(old, (1e9, 1e9))
    with index_at(root):
        pass
    assert (old.exists(), young.exists()) == (False, True)


def test_a_disk_that_takes_no_index_costs_time_not_answers(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    expected = as_built_anew(root)
    index_of(root).unlink()

    def full(*_: Any) -> None:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("os.replace", full)
    with index_at(root) as (index, said):
        assert answers(index.db) == expected
        assert index.place is None
    assert "No space left" in said[0]
    assert not list(root.glob(f"{INDEX_NAME}*"))


def test_where_the_folder_is_read_only_it_is_kept_in_the_cache_or_nowhere(
    root: Path, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    expected = as_built_anew(root)
    for name in ("HOME", "XDG_CACHE_HOME", "LOCALAPPDATA"):
        monkeypatch.setenv(name, str(tmp_path / "cache"))
    monkeypatch.setattr("os.access", lambda path, _: path != root)
    for read in (30, 0):
        with index_at(root) as (index, _):
            assert index.place is not None
            assert index.place.is_relative_to(tmp_path / "cache")
            assert index.read == read
            assert answers(index.db) == expected
    monkeypatch.setattr("os.access", lambda *_: False)
    with index_at(root) as (index, said):
        assert (index.place, answers(index.db)) == (None, expected)
    assert "no place" in said[0]
    with pytest.raises(NoJobs, match="no place"), index_at(root, as_is=True):
        pass


def test_as_it_is_means_without_a_look(root: Path) -> None:
    with pytest.raises(NoJobs, match="there is none"), index_at(root, as_is=True):
        pass
    before = as_built_anew(root)
    shutil.rmtree(root / "000" / "j00001")
    with index_at(root, as_is=True) as (index, _):
        assert answers(index.db) == before
    index_of(root).write_bytes(index_of(root).read_bytes()[:-1])
    with pytest.raises(NoJobs, match="cut short"), index_at(root, as_is=True):
        pass


def test_one_of_another_version_is_made_anew(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    with index_at(root):
        pass
    monkeypatch.setattr(store, "__version__", "999")
    with index_at(root) as (index, _):
        assert "another version" in index.why_anew


@pytest.mark.parametrize("junk", [b"x" * 5000, b"SQLite format 3\0" + bytes(84)])
def test_another_file_of_that_name_is_no_index(root: Path, junk: bytes) -> None:
    index_of(root).write_bytes(junk)
    with index_at(root) as (index, _):
        assert index.why_anew
        assert index.read == 30


def test_a_sealed_database_of_others_is_no_index(root: Path) -> None:
    db = sqlite3.connect(index_of(root))
    db.execute("CREATE TABLE about (name TEXT, something TEXT)")
    db.close()
    store.seal(index_of(root))
    with index_at(root) as (index, _):
        assert "no index of ours" in index.why_anew


def test_which_folders_are_jobs(root: Path, tmp_path: Path) -> None:
    shutil.rmtree(root)
    make_jobs(tmp_path / "shop", 1, 1)
    shop = tmp_path / "shop"
    job = shop / "000" / "j00000"
    shutil.copytree(job, shop / "2026" / "spring" / "deep")
    shutil.copytree(job, job / "inside" / "another")  # a copy somebody put into a job is no job of its own
    shutil.copytree(job, shop / ".hidden")
    shutil.copytree(job, tmp_path / "elsewhere")
    (shop / "linked").symlink_to(tmp_path / "elsewhere")
    (shop / "round").symlink_to(shop)
    (shop / "lost").mkdir()
    (shop / "lost" / "job.toml.before").write_text("")
    (shop / "notes").mkdir()
    with index_at(shop) as (index, _):
        rows = index.db.execute("SELECT folder, problem FROM job ORDER BY folder").fetchall()
    assert [folder for folder, _ in rows] == ["000/j00000", "2026/spring/deep", "linked", "lost"]
    assert [bool(problem) for _, problem in rows] == [False, False, False, True]
    for wrong, why in ((job, "is one job"), (tmp_path / "none", "No such"), (job / "job.toml", "Not a dir")):
        with pytest.raises(NoJobs, match=why), index_at(wrong):
            pass


def test_a_folder_whose_name_is_no_text_is_told(root: Path) -> None:
    if os.name == "nt":
        pytest.skip("names are text there")
    bad = Path(os.fsdecode(os.fsencode(root) + b"/odd-\xff"))
    try:
        shutil.copytree(job_file(root, 1).parent, bad)
    except OSError:
        pytest.skip("this file system takes no such name")
    with index_at(root) as (index, _):
        [one] = [one for one in answers(index.db)[2] if one.is_job]
    assert (one.folder, one.problem) == ("odd-\\xff", "its name is no text in UTF-8; rename the folder")


def test_a_folder_that_cannot_be_looked_into_is_told(root: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    closed, scandir = root / "closed", os.scandir
    closed.mkdir()

    def refused(path: Any) -> Any:
        if Path(path) == closed:
            raise PermissionError(13, "Permission denied")
        return scandir(path)

    monkeypatch.setattr("os.scandir", refused)
    for read in (31, 0):
        with index_at(root) as (index, _):
            assert index.read == read
            assert [one.folder for one in answers(index.db)[2] if one.is_job] == ["closed"]
