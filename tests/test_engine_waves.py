"""The engine's waveforms: blocks from one thread, events from another, nobody waits, records in the capture."""

from __future__ import annotations

import threading
from pathlib import Path
from typing import Any

import numpy as np
import pytest

from archive_help import PASSED, create
from rampguard.archive.reader import Completeness, read_capture
from rampguard.archive.writer import CaptureWriter
from rampguard.engine import waves as waves_module
from rampguard.engine.waves import MOST_BLOCKS, MOST_EVENTS, Waves
from waves_help import BEGAN, ABlock, blocks

ZERO_S = 100.0


def waves_of(capture: CaptureWriter, **changes: Any) -> Waves:
    facts = {"unit": "A, b", "line_frequency_hz": 50.0, "zero_s": ZERO_S, "began": BEGAN}
    return Waves(capture, **facts | changes)


def fed(waves: Waves, seconds: float = 4.0, skip: range = range(0)) -> None:
    """From bench second 99 on: the digitiser was started a second before the run began."""
    for number, block in enumerate(blocks(ZERO_S + seconds, rate_hz=2000.0, size=100, begins_s=ZERO_S - 1.0)):
        if number not in skip:
            waves.feed(block)


def logged(capture: CaptureWriter) -> str:
    return (capture.folder / "engine.log").read_text()


def test_two_threads_tell_it_and_the_capture_has_the_records(tmp_path: Path) -> None:
    capture = create(tmp_path)
    waves = waves_of(capture, lock_step=True)
    for kind, time_s in (("power-pressed", 0.5), ("cut-off", 0.6), ("trip", 2.0)):
        waves.event(kind, time_s)  # before their samples: a run's come at most a little after them
    digitiser = threading.Thread(target=fed, args=(waves,))
    digitiser.start()
    digitiser.join()
    waves.finish()
    capture.finish(PASSED)
    read = read_capture(capture.folder)
    assert read.completeness is Completeness.FINISHED
    press, trip = read.waveforms()
    assert [(one.event, one.time_s, one.lost) for one in (press, trip)] == [("power-pressed", 0.5, 0), ("trip", 2.0, 0)]
    record = trip.read()
    assert (record.station, (record.trigger - BEGAN).total_seconds()) == ("A b", 2.0)
    assert (record.trigger - record.begins).total_seconds() == pytest.approx(0.5, abs=0.006)
    assert "waveforms:" not in logged(capture)


def test_the_same_run_in_lock_step_keeps_the_same_samples(tmp_path: Path) -> None:
    kept = []
    for _ in range(2):
        capture = create(tmp_path)
        waves = waves_of(capture, lock_step=True)
        for number, block in enumerate(blocks(ZERO_S + 8.0, rate_hz=2000.0, size=200, begins_s=ZERO_S)):
            waves.feed(block)
            if number % 3 == 1:
                waves.event(("warn", "stage", "power-pressed")[number % 9 // 3], number / 10)
        waves.finish()
        capture.finish(PASSED)
        there = sorted((capture.folder / "waveforms").iterdir())
        kept.append([(path.name, path.read_bytes()) for path in there])
    assert len(kept[0]) > 4
    assert kept[0] == kept[1]


def test_a_block_that_finds_no_room_is_lost_and_said_and_nobody_waits(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The thread is held up; were `feed` or `event` to wait for it, this test would never end."""
    capture, released = create(tmp_path), threading.Event()
    plain = waves_module.Keeper.feed

    def held_up(self: Any, block: ABlock) -> Any:
        released.wait()
        return plain(self, block)

    monkeypatch.setattr(waves_module.Keeper, "feed", held_up)
    waves = waves_of(capture)
    many = list(blocks(ZERO_S + 2.0, rate_hz=2000.0, size=10, begins_s=ZERO_S))
    for block in many:
        waves.feed(block)
    for _ in range(MOST_EVENTS + 5):
        waves.event("note", 0.5)
    assert len(many) - MOST_BLOCKS - 2 <= waves.lost_blocks <= len(many) - MOST_BLOCKS
    assert waves.lost_events == 5
    released.set()
    while waves._inbox.qsize():
        threading.Event().wait(0.005)
    waves.feed(ABlock(2000.0, many[-1].first + 10, np.ones(100), np.ones(100), ZERO_S + 2.05))
    waves.event("trip", 2.0)
    waves.finish()
    capture.finish(PASSED)
    assert f"{waves.lost_blocks} blocks of samples were lost" in logged(capture)
    assert "5 events were not taken" in logged(capture)
    assert read_capture(capture.folder).waveforms()[-1].lost > 0


def test_blocks_that_never_reached_it_are_missing_in_the_record(tmp_path: Path) -> None:
    capture = create(tmp_path)
    waves = waves_of(capture, lock_step=True)
    waves.event("trip", 2.0)
    fed(waves, skip=range(58, 60))
    waves.finish()
    capture.finish(PASSED)
    [trip] = read_capture(capture.folder).waveforms()
    assert trip.lost == 200


def test_a_bad_block_ends_nothing(tmp_path: Path) -> None:
    capture = create(tmp_path)
    waves = waves_of(capture, lock_step=True)
    waves.feed(ABlock(2000.0, 0, np.zeros(3), np.zeros(4), 0.0))
    waves.event("trip", 2.0)
    fed(waves)
    waves.finish()
    capture.finish(PASSED)
    assert "must be taken together" in logged(capture)
    assert len(read_capture(capture.folder).waveforms()) == 1


def test_a_block_that_lies_about_its_place_ends_nothing(tmp_path: Path) -> None:
    """A number that no array can have was an OverflowError, which ended the thread, and nobody said so."""
    capture = create(tmp_path)
    waves = waves_of(capture, lock_step=True)
    waves.feed(ABlock(2000.0, 10**30, np.zeros(4), np.zeros(4), 0.0))
    waves.event("trip", 2.0)
    fed(waves)
    waves.finish()
    capture.finish(PASSED)
    assert len(read_capture(capture.folder).waveforms()) == 1


def test_what_could_not_be_kept_is_in_the_log_and_what_comes_after_the_end_is_dropped(tmp_path: Path) -> None:
    capture = create(tmp_path)
    waves = waves_of(capture)
    waves.event("trip", 2.0)
    waves.finish()
    waves.finish()
    waves.event("trip", 3.0)
    fed(waves)
    capture.finish(PASSED)
    assert read_capture(capture.folder).waveforms() == []
    assert logged(capture).count("1 records could not be made: there were no samples") == 1
    assert waves.lost_blocks == 0
