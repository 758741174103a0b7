"""Disks that are full, slow, stuck or failing now and then: the caller never waits and never sees it raise."""

from __future__ import annotations

import errno
import os
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import IO, Any

import pytest

from archive_help import PASSED, create, row
from rampguard.archive import spool, writer
from rampguard.archive.errors import CaptureError
from rampguard.archive.reader import Completeness, read_capture
from rampguard.archive.spool import Line, Spool

Write = Callable[[IO[bytes], bytes], int]


class Disk:
    """A file on a disk that behaves as told: ``write`` is given the real file and the data."""

    def __init__(self, file: IO[bytes], write: Write) -> None:
        self._file, self._write = file, write

    def write(self, data: bytes) -> int:
        return self._write(self._file, data)

    def fileno(self) -> int:
        return self._file.fileno()

    def close(self) -> None:
        self._file.close()

    def __enter__(self) -> Disk:
        return self

    def __exit__(self, *_: object) -> None:
        self.close()


def full(file: IO[bytes], data: bytes) -> int:
    raise OSError(errno.ENOSPC, os.strerror(errno.ENOSPC))


@pytest.fixture
def on_disk(monkeypatch: pytest.MonkeyPatch) -> Callable[[Write], None]:
    """Have the readings of every new capture lie on such a disk."""
    plain = writer._open

    def put(write: Write) -> None:
        def opened(path: Path, first: bytes) -> Any:
            file = plain(path, first)
            return Disk(file, write) if path.name == "readings.csv" else file

        monkeypatch.setattr(writer, "_open", opened)

    return put


def times(folder: Path) -> list[float]:
    return [one.time_s for one in read_capture(folder).rows()]


@pytest.mark.parametrize("failing", range(1, 9))
def test_whichever_write_fails_once_every_row_is_there_once(
    tmp_path: Path, on_disk: Callable[[Write], None], failing: int
) -> None:
    """Fail the n-th write, for every n, half way through its line: what was written is not written again."""
    count = 0

    def write(file: IO[bytes], data: bytes) -> int:
        nonlocal count
        count += 1
        if count == failing:
            return file.write(data[: len(data) // 2])
        if count == failing + 1:
            full(file, data)
        return file.write(data)

    on_disk(write)
    recording = create(tmp_path)
    for number in range(6):
        recording.put_row(row(number))
    recording.finish(PASSED)
    assert times(recording.folder) == [number / 10 for number in range(6)]
    assert ("No space left" in recording.failure) == (failing < count)
    assert recording.unwritten == 0
    assert read_capture(recording.folder).completeness is Completeness.FINISHED


def test_a_disk_that_stays_full_is_reported_at_once_and_the_record_is_not_sealed(
    tmp_path: Path, on_disk: Callable[[Write], None]
) -> None:
    space, noticed = 2500, threading.Event()

    def write(file: IO[bytes], data: bytes) -> int:
        nonlocal space
        if not space:
            noticed.set()
            full(file, data)
        taken = file.write(data[:space])
        space -= taken
        return taken

    on_disk(write)
    recording = create(tmp_path)
    recording.put_pids(engine=1, watchdog=2)
    for number in range(60):
        recording.put_row(row(number))
    assert noticed.wait(20)
    recording.put_row(row(60))
    recording.finish(PASSED, within_s=0.3)
    assert recording.failure == f"the capture cannot be written: {os.strerror(errno.ENOSPC)}"
    there = times(recording.folder)
    assert there == [number / 10 for number in range(len(there))]
    assert recording.unwritten == 61 - len(there)
    capture = read_capture(recording.folder)
    assert capture.completeness is Completeness.CUT_SHORT
    assert capture.result is not None
    assert capture.result["unwritten_lines"] == recording.unwritten
    assert not (recording.folder / "pids.json").exists()


def test_a_stuck_disk_holds_up_neither_a_row_nor_the_end(tmp_path: Path, on_disk: Callable[[Write], None]) -> None:
    """Rows are put and `finish` returns while a write hangs; were they to wait, this test would never end."""
    released = threading.Event()

    def write(file: IO[bytes], data: bytes) -> int:
        released.wait()
        return file.write(data)

    on_disk(write)
    recording = create(tmp_path)
    for number in range(2000):
        recording.put_row(row(number))
        recording.put_event(number / 10, "warn", "a warning")
        recording.log("a line")
    recording.finish(PASSED, within_s=0.1)
    assert recording.failure == "the capture cannot be written: the disk did not take it in time"
    assert read_capture(recording.folder).completeness is Completeness.CUT_SHORT
    released.set()


def test_a_slow_disk_gets_everything_in_the_end(tmp_path: Path, on_disk: Callable[[Write], None]) -> None:
    released = threading.Event()

    def write(file: IO[bytes], data: bytes) -> int:
        released.wait()
        return file.write(data)

    on_disk(write)
    recording = create(tmp_path)
    for number in range(500):
        recording.put_row(row(number))
    released.set()
    recording.finish(PASSED)
    assert not recording.failure
    assert len(times(recording.folder)) == 500


def test_a_disk_too_slow_to_get_everything_is_said_to_be(tmp_path: Path, on_disk: Callable[[Write], None]) -> None:
    """Every write succeeds, late: no error tells of the lines for which no time was left."""

    def write(file: IO[bytes], data: bytes) -> int:
        time.sleep(0.02)
        return file.write(data)

    on_disk(write)
    recording = create(tmp_path)
    for number in range(500):
        recording.put_row(row(number))
    recording.finish(PASSED, within_s=0.1)
    assert recording.unwritten
    assert recording.failure == "the capture cannot be written: the disk did not take it in time"
    assert read_capture(recording.folder).completeness is Completeness.CUT_SHORT


def test_what_comes_after_the_end_is_dropped(tmp_path: Path) -> None:
    recording = create(tmp_path)
    recording.put_row(row(0))
    recording.finish(PASSED)
    recording.put_row(row(1))
    recording.finish({"outcome": "tripped"})
    assert times(recording.folder) == [0.0]
    assert read_capture(recording.folder).descriptor["outcome"] == "passed"


@pytest.mark.parametrize("result", [{"outcome": "passed", "max_line_voltage_v": float("nan")}, {"outcome": {1, 2}}])
def test_a_result_that_cannot_be_written_is_reported_not_raised(tmp_path: Path, result: dict[str, Any]) -> None:
    recording = create(tmp_path)
    recording.finish(result)
    assert recording.failure.startswith("the capture cannot be written")
    assert read_capture(recording.folder).completeness is Completeness.CUT_SHORT


def test_the_end_is_tried_again_until_it_can_be_written(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    recording, plain, failures = create(tmp_path), writer.write_descriptor, 0

    def refuses_twice(folder: Path, descriptor: Any) -> None:
        nonlocal failures
        failures += 1
        if failures <= 2:
            raise PermissionError(errno.EACCES, "another program has it open")
        plain(folder, descriptor)

    monkeypatch.setattr(writer, "write_descriptor", refuses_twice)
    recording.finish(PASSED)
    assert failures == 3
    assert "another program has it open" in recording.failure
    assert read_capture(recording.folder).completeness is Completeness.FINISHED


def test_an_end_that_can_never_be_written_is_given_up(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def refuses(folder: Path, descriptor: Any) -> None:
        raise OSError("gone")

    recording = create(tmp_path)
    monkeypatch.setattr(writer, "write_descriptor", refuses)
    recording.finish(PASSED, within_s=0.2)
    assert recording.failure == "the capture cannot be written: gone"
    assert read_capture(recording.folder).completeness is Completeness.CUT_SHORT


@pytest.mark.parametrize("name", ["plan.toml", "datapackage.json", "readings.csv", "engine.log"])
def test_a_disk_that_fails_at_the_start_leaves_no_half_made_folder(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, name: str
) -> None:
    def failing(plain: Callable[..., Any]) -> Callable[..., Any]:
        def maybe(path: Path, *rest: Any) -> Any:
            if path.name == name or (path.is_dir() and name == "datapackage.json"):
                raise OSError(errno.ENOSPC, "full")
            return plain(path, *rest)

        return maybe

    for function in ("write_atomically", "write_descriptor", "_open"):
        monkeypatch.setattr(writer, function, failing(getattr(writer, function)))
    with pytest.raises(CaptureError, match=r"full\); choose another folder"):
        create(tmp_path)
    assert list(tmp_path.iterdir()) == []


def test_a_first_line_that_cannot_be_written_closes_the_file(tmp_path: Path) -> None:
    if not Path("/dev/full").exists():
        pytest.skip("no device here that is always full")
    (tmp_path / "link").symlink_to("/dev/full")
    plain = Path.open

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Path, "open", lambda self, mode, buffering: plain(self, "wb", buffering=0))
        with pytest.raises(OSError, match="No space"):
            writer._open(tmp_path / "link", b"head")


def test_process_ids_that_cannot_be_written_are_an_error(tmp_path: Path) -> None:
    recording = create(tmp_path)
    (recording.folder / "pids.json").mkdir()
    with pytest.raises(CaptureError, match="no capture can be written"):
        recording.put_pids(engine=1, watchdog=2)


def test_a_change_of_state_reaches_the_disk_at_once(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced = threading.Event()
    monkeypatch.setattr(spool.os, "fsync", lambda descriptor: synced.set())
    monkeypatch.setattr(spool, "FSYNC_EVERY_S", 1e9)
    with (tmp_path / "f").open("wb", buffering=0) as file:
        spooled = Spool({"f": file})
        spooled.put(Line("f", b"a\n"))
        spooled.put(Line("f", b"b\n", urgent=True))
        assert synced.wait(20)
        assert (tmp_path / "f").read_bytes() == b"a\nb\n"
        spooled.close(lambda unwritten: None, 5.0)


def test_an_idle_record_reaches_the_disk_within_its_time(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    synced = threading.Event()
    monkeypatch.setattr(spool.os, "fsync", lambda descriptor: synced.set())
    monkeypatch.setattr(spool, "FSYNC_EVERY_S", 0.02)
    with (tmp_path / "f").open("wb", buffering=0) as file:
        spooled = Spool({"f": file})
        spooled.put(Line("f", b"a\n"))
        assert synced.wait(20)
        spooled.close(lambda unwritten: None, 5.0)


@pytest.mark.skipif(os.name == "nt", reason="an open file cannot be removed there")
def test_files_that_were_removed_are_reported_though_writing_to_them_goes_on(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(spool, "FSYNC_EVERY_S", 0.05)
    spooled = Spool({"f": (tmp_path / "f").open("wb", buffering=0)})
    spooled.put(Line("f", b"a\n", urgent=True))
    (tmp_path / "f").unlink()
    for _ in range(100):
        spooled.put(Line("f", b"b\n", urgent=True))
        if spooled.failure:
            break
        threading.Event().wait(0.05)
    spooled.close(lambda unwritten: None, 5.0)
    assert spooled.failure == "the capture cannot be written: its files were removed"


def test_failures_to_sync_and_to_close_are_reported(tmp_path: Path) -> None:
    class Bad(Disk):
        def fileno(self) -> int:
            raise OSError(errno.EIO, "no sync")

        def close(self) -> None:
            super().close()
            raise OSError(errno.EIO, "no close")

    done: list[int] = []
    spooled = Spool({"f": Bad((tmp_path / "f").open("wb", buffering=0), lambda file, data: file.write(data))})  # type: ignore[dict-item]
    spooled.put(Line("f", b"a\n"))
    spooled.close(done.append, 5.0)
    assert done == [0]
    assert spooled.failure == "the capture cannot be written: no sync"
    assert (tmp_path / "f").read_bytes() == b"a\n"
