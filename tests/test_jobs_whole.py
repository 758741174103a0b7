"""The index over a folder of jobs, cut, damaged, or killed while it is written: whole, or made anew."""

from __future__ import annotations

import os
import random
import shutil
import sqlite3
from collections.abc import Callable
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import pytest

from jobs_help import answers, as_built_anew, index_at, make_jobs
from rampguard.jobs import store, updating
from rampguard.jobs.place import INDEX_NAME
from test_jobs_index import index_of, job_file, root

__all__ = ["root"]

PAGE = 4096


def test_cut_anywhere_it_is_made_anew_and_says_so(root: Path) -> None:
    expected = as_built_anew(root)
    path = index_of(root)
    whole = path.read_bytes()
    rng = random.Random(3)
    cuts = {
        *range(0, len(whole), PAGE),
        *range(0, 100, 9),
        len(whole) - 1,
        *(rng.randrange(len(whole)) for _ in range(20)),
    }
    for cut in sorted(cuts):
        path.write_bytes(whole[:cut])
        with pytest.raises(store.NotWhole):
            store.open_whole(path)
    for cut in (0, 50, PAGE, len(whole) // 2, len(whole) - 1):
        path.write_bytes(whole[:cut])
        with index_at(root) as (index, _):
            assert "it was cut short" in index.why_anew
            assert answers(index.db) == expected
        with index_at(root) as (index, _):
            assert index.why_anew == ""


def test_a_bit_that_fell_over_anywhere_is_seen(root: Path) -> None:
    with index_at(root):
        pass
    path = index_of(root)
    whole = path.read_bytes()
    for at in {60, 63, *range(7, len(whole), 997)}:
        path.write_bytes(whole[:at] + bytes([whole[at] ^ 4]) + whole[at + 1 :])
        with pytest.raises(store.NotWhole):
            store.open_whole(path)
    path.write_bytes(whole + b"\0")
    with pytest.raises(store.NotWhole):
        store.open_whole(path)
    path.write_bytes(whole)
    store.open_whole(path).close()


@pytest.mark.parametrize("ending", ["-journal", "-wal", "-shm"])
def test_a_journal_that_lies_beside_it_has_no_part_in_it(root: Path, ending: str) -> None:
    expected = as_built_anew(root)
    beside = root / f"{INDEX_NAME}{ending}"
    for junk in (b"", b"\xd9\xd5\x05\xf9\x20\xa1\x63\xd7" + bytes(600), b"\x37\x7f\x06\x82" * 300):
        beside.write_bytes(junk)
        with index_at(root) as (index, _):
            assert index.why_anew == ""
            assert answers(index.db) == expected


class Killed(BaseException):
    """What ends a program there and then: nothing of ours catches it."""


class Dying:
    """Counts what is done to files; ends the program ahead of the n-th step."""

    def __init__(self, left: int) -> None:
        self.left = left

    def step(self, do: Callable[..., Any]) -> Callable[..., Any]:
        def done(*args: Any, **more: Any) -> Any:
            self.left -= 1
            if self.left < 0:
                raise Killed
            return do(*args, **more)

        return done

    def connection(self, *args: Any) -> Any:
        db = sqlite3.connect(*args)
        names = ("execute", "executemany", "executescript", "commit", "close")
        return SimpleNamespace(**{name: self.step(getattr(db, name)) for name in names})


@pytest.mark.parametrize("there_was_one", [False, True])
def test_killed_at_any_step_it_is_the_old_one_or_the_new_one(
    root: Path, monkeypatch: pytest.MonkeyPatch, there_was_one: bool
) -> None:
    shutil.rmtree(root)
    make_jobs(root.with_name("few"), 4, 5)
    root = root.with_name("few")
    old = None
    if there_was_one:
        as_built_anew(root)
        old = index_of(root).read_bytes()
    job_file(root, 1).write_text(job_file(root, 1).read_text().replace("J-00001", "J-55555"))
    with index_at(root) as (index, _):
        expected = answers(index.db)
    index_of(root).unlink()
    if old is not None:
        index_of(root).write_bytes(old)
    kills = 0
    for step in range(10_000):
        dying = Dying(step)
        with monkeypatch.context() as patch:
            patch.setattr(updating, "sqlite3", SimpleNamespace(**vars(sqlite3) | {"connect": dying.connection}))
            for name in ("replace", "open", "close", "fsync"):
                patch.setattr(f"os.{name}", dying.step(getattr(os, name)))
            patch.setattr(shutil, "copyfile", dying.step(shutil.copyfile))
            try:
                with index_at(root):
                    pass
            except Killed:
                kills += 1
            else:
                break
        now = index_of(root).read_bytes() if index_of(root).exists() else None
        if now != old:  # it is in its place already, whole
            store.open_whole(index_of(root)).close()
        with index_at(root) as (index, _):  # whoever searches next gets what is so
            assert answers(index.db) == expected
        index_of(root).unlink()
        if old is not None:
            index_of(root).write_bytes(old)
    assert kills > 15
    assert any(path.suffix == ".part" for path in root.iterdir())
