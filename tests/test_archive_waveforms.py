"""Waveforms in a capture: whole, sealed, valid for others; cut short anywhere, what is whole is readable."""

from __future__ import annotations

import errno
import json
import os
import shutil
import subprocess
import threading
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import comtrade
import numpy as np
import pytest
from frictionless import validate

from archive_help import PASSED, create, row
from rampguard.archive import waveforms as waveforms_module
from rampguard.archive.errors import CaptureError
from rampguard.archive.found import look
from rampguard.archive.reader import Completeness, read_capture
from rampguard.archive.verdict import State, verdict
from rampguard.archive.waveforms import MOST_WAITING, TORN
from rampguard.waveform.keeper import Kept
from waves_help import capture_with_waves, kept_around


@pytest.fixture(scope="module")
def whole(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return capture_with_waves(tmp_path_factory.mktemp("whole"))


@pytest.fixture
def folder(whole: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(whole, tmp_path / whole.name))


@pytest.fixture(scope="module")
def a_trip() -> Kept:
    [kept] = kept_around({2.5: "trip"}, fault_s=2.41, tripped_s=2.53)
    return kept


def wait_for(condition: Callable[[], bool]) -> None:
    deadline_s = time.monotonic() + 20
    while not condition():
        assert time.monotonic() < deadline_s
        time.sleep(0.005)


def test_what_was_kept_reads_back(whole: Path, a_trip: Kept) -> None:
    capture = read_capture(whole)
    assert capture.completeness is Completeness.FINISHED
    press, trip = capture.waveforms()
    assert [path.name for path in sorted((whole / "waveforms").iterdir())] == [
        *("01-power-pressed.cfg", "01-power-pressed.dat", "02-trip.cfg", "02-trip.dat")
    ]
    assert (press.name, press.event, press.time_s, press.lost, press.problem) == (
        *("01-power-pressed", "power-pressed", 1.0, 0, ""),
    )
    assert (trip.event, trip.time_s, trip.events) == ("trip", 2.5, (("trip", 2.5),))
    record = trip.read()
    assert (record.begins, record.trigger) == (a_trip.record.begins, a_trip.record.trigger)
    assert record.trigger == trip.trigger
    assert (record.station, record.device, record.line_frequency_hz) == ("Test amplifier", "rampguard", 50.0)
    assert record.at_s == pytest.approx(a_trip.record.at_s, abs=1e-9)
    for read, put in zip(record.channels, a_trip.record.channels, strict=True):
        assert (read.name, read.unit) == (put.name, put.unit)
        assert np.array_equal(read.values, put.values.astype(np.float32))


def test_a_general_purpose_reader_reads_it(whole: Path, a_trip: Kept) -> None:
    """The package ``comtrade`` from PyPI."""
    [_, trip] = read_capture(whole).waveforms()
    read = comtrade.Comtrade()
    read.load(str(trip.path), str(trip.path.with_suffix(".dat")))
    assert (read.rev_year, read.ft, read.analog_channel_ids) == ("2013", "FLOAT32", ["line voltage", "line current"])
    assert read.trigger_time == pytest.approx(0.5, abs=0.005)
    assert np.asarray(read.analog[1]) == pytest.approx(a_trip.record.channels[1].values, rel=1e-6)


def test_samples_that_were_lost_are_missing_and_told(tmp_path: Path, a_trip: Kept) -> None:
    import dataclasses

    volts = a_trip.record.channels[0].values.copy()
    volts[100:150] = np.nan
    channels = (dataclasses.replace(a_trip.record.channels[0], values=volts), a_trip.record.channels[1])
    writer = create(tmp_path)
    writer.put_waveform(
        dataclasses.replace(a_trip, record=dataclasses.replace(a_trip.record, channels=channels), lost=50)
    )
    writer.finish(PASSED)
    [one] = read_capture(writer.folder).waveforms()
    assert one.lost == 50
    assert np.flatnonzero(np.isnan(one.read().channels[0].values)).tolist() == list(range(100, 150))
    [told] = [
        r for r in json.loads((writer.folder / "datapackage.json").read_text())["resources"] if r["format"] == "dat"
    ]
    assert told["description"].startswith("line voltage and line current around trip at 2.500 s, 50 samples lost")


def test_the_package_is_valid_while_recording_and_when_finished(tmp_path: Path, a_trip: Kept) -> None:
    writer = create(tmp_path)
    writer.put_row(row(0))
    writer.put_waveform(a_trip)
    descriptor = writer.folder / "datapackage.json"
    wait_for(lambda: "01-trip.dat" in descriptor.read_text())
    assert json.loads(descriptor.read_text())["outcome"] == "recording"
    for _ in ("recording", "finished"):
        report = validate(str(descriptor))
        assert report.valid, report.flatten(["rowNumber", "fieldNumber", "type", "note"])
        assert {"waveform-01-trip-cfg", "waveform-01-trip-dat"} <= {task.name for task in report.tasks}
        writer.finish(PASSED)
    assert read_capture(writer.folder).completeness is Completeness.FINISHED


@pytest.mark.parametrize("name", ["waveforms/02-trip.dat", "waveforms/02-trip.cfg"])
def test_seal_descriptor_and_verdict_cover_every_file(folder: Path, name: str) -> None:
    path = folder / name
    path.write_bytes(path.read_bytes()[:-1] + b"?")
    capture = read_capture(folder)
    assert capture.completeness is Completeness.TAMPERED
    assert capture.problems == (f"{name}: changed since it was sealed",)
    assert not validate(str(folder / "datapackage.json")).valid
    assert [problem.file for problem in verdict(look(folder)).problems] == [name]
    path.unlink()
    assert read_capture(folder).problems == (f"{name}: missing",)
    assert [problem.file for problem in verdict(look(folder)).problems] == [name]


def test_a_whole_capture_is_whole(folder: Path) -> None:
    assert verdict(look(folder)).state is State.WHOLE
    (folder / "waveforms" / "03-trip.dat").write_bytes(b"added")
    assert read_capture(folder).problems == ("waveforms/03-trip.dat: not sealed",)
    assert [problem.file for problem in verdict(look(folder)).problems] == ["waveforms/03-trip.dat"]


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_the_seal_is_one_that_sha256sum_checks(folder: Path) -> None:
    check = [shutil.which("sha256sum") or "", "-c", "--strict", "seal.sha256"]
    done = subprocess.run(check, cwd=folder, capture_output=True, text=True)
    assert (done.returncode, done.stdout.count("waveforms/")) == (0, 4)
    (folder / "waveforms" / "01-power-pressed.dat").write_bytes(b"other")
    assert subprocess.run(check, cwd=folder, capture_output=True).returncode == 1


@pytest.mark.parametrize("fails_at", ["01-trip.dat", "01-trip.cfg", "datapackage.json"])
@pytest.mark.parametrize("times", [1, 3])
def test_whichever_file_fails_it_is_tried_again(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, a_trip: Kept, fails_at: str, times: int
) -> None:
    from rampguard.archive import descriptor, writer

    recording, plain, failures = create(tmp_path), descriptor.write_atomically, 0

    def failing(path: Path, data: bytes) -> None:
        nonlocal failures
        if path.name == fails_at and failures < times:
            failures += 1
            raise OSError(errno.ENOSPC, "No space left on device")
        plain(path, data)

    for module in (waveforms_module, descriptor, writer):
        monkeypatch.setattr(module, "write_atomically", failing)
    recording.put_row(row(0))
    recording.put_waveform(a_trip)
    recording.put_row(row(1))
    recording.finish(PASSED)
    assert "No space left" in recording.failure
    assert (failures, recording.unwritten) == (times, 0)
    capture = read_capture(recording.folder)
    assert capture.completeness is Completeness.FINISHED
    assert [one.name for one in capture.waveforms()] == ["01-trip"]
    assert len(list(capture.rows())) == 2


def test_a_disk_that_takes_no_waveform_takes_rows_all_the_same_and_the_record_is_not_sealed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, a_trip: Kept
) -> None:
    def refuses(path: Path, data: bytes) -> None:
        raise OSError(errno.EIO, "gone")

    monkeypatch.setattr(waveforms_module, "write_atomically", refuses)
    recording = create(tmp_path)
    recording.put_waveform(a_trip)
    wait_for(lambda: bool(recording.failure))
    recording.put_row(row(0))
    wait_for(lambda: (recording.folder / "readings.csv").read_bytes().count(b"\n") == 2)
    recording.finish(PASSED, within_s=0.2)
    assert recording.unwritten == 1
    capture = read_capture(recording.folder)
    assert capture.completeness is Completeness.CUT_SHORT
    assert (capture.waveforms(), len(list(capture.rows()))) == ([], 1)


def test_a_stuck_disk_holds_up_nobody_and_no_more_than_a_few_wait(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, a_trip: Kept
) -> None:
    """Were `put_waveform` to wait, this test would never end."""
    released, plain = threading.Event(), waveforms_module.write_atomically

    def stuck(path: Path, data: bytes) -> None:
        released.wait()
        plain(path, data)

    monkeypatch.setattr(waveforms_module, "write_atomically", stuck)
    recording = create(tmp_path)
    for _ in range(3 * MOST_WAITING):
        recording.put_waveform(a_trip)
    released.set()
    recording.finish(PASSED)
    assert not recording.failure
    assert len(read_capture(recording.folder).waveforms()) == MOST_WAITING
    assert (recording.folder / "engine.log").read_text().count("is left out") == 2 * MOST_WAITING


def test_a_disk_that_keeps_up_takes_as_many_as_there_are(tmp_path: Path, a_trip: Kept) -> None:
    recording = create(tmp_path)
    for number in range(1, MOST_WAITING + 3):
        recording.put_waveform(a_trip)
        wait_for(lambda: f"{number:02d}-trip.dat" in (recording.folder / "datapackage.json").read_text())  # noqa: B023
    recording.finish(PASSED)
    assert len(read_capture(recording.folder).waveforms()) == MOST_WAITING + 2


def test_what_no_record_can_hold_is_left_out_and_is_no_failure(tmp_path: Path, a_trip: Kept) -> None:
    import dataclasses

    recording = create(tmp_path)
    recording.put_waveform(dataclasses.replace(a_trip, record=dataclasses.replace(a_trip.record, station="a,b")))
    recording.put_waveform(a_trip)
    wait_for(lambda: "no comma" in (recording.folder / "engine.log").read_text())
    recording.finish(PASSED)
    assert (recording.failure, recording.unwritten) == ("", 0)
    assert [one.name for one in read_capture(recording.folder).waveforms()] == ["02-trip"]


# -- cut short ---------------------------------------------------------------------------------------------------------


def killed_after(folder: Path, files: dict[str, bytes]) -> Path:
    """As a writer leaves it that was killed while it wrote the second waveform: so much of it there."""
    (folder / "seal.sha256").unlink()
    path = folder / "datapackage.json"
    told: dict[str, Any] = json.loads(path.read_text()) | {"outcome": "recording", "result": None}
    told["resources"] = [one for one in told["resources"] if "02-trip" not in one["path"]]
    path.write_text(json.dumps(told), encoding="utf-8")
    for ending in ("cfg", "dat"):
        (folder / "waveforms" / f"02-trip.{ending}").unlink()
    for name, data in files.items():
        (folder / "waveforms" / name).write_bytes(data)
    return folder


@pytest.mark.parametrize("there", [["dat.part"], ["dat"], ["dat", "cfg.part"], ["dat", "cfg"]])
def test_a_half_written_waveform_is_told_and_the_others_are_readable(folder: Path, there: list[str]) -> None:
    data = {ending: (folder / "waveforms" / f"02-trip.{ending}").read_bytes() for ending in ("cfg", "dat")}
    parts = {f"02-trip.{name}": data[name[:3]][: 100 if "part" in name else None] for name in there}
    capture = read_capture(killed_after(folder, parts))
    assert capture.completeness is Completeness.CUT_SHORT
    assert verdict(look(folder)).state is State.CUT_SHORT
    press, trip = capture.waveforms()
    assert len(press.read().at_s) > 1000
    assert (trip.event, trip.time_s, trip.problem) == ("trip", None, TORN)
    if there == ["dat", "cfg"]:
        assert len(trip.read().at_s) > 1000
    else:
        with pytest.raises(CaptureError, match="was being written when the record ended"):
            trip.read()


def test_cut_at_any_move_of_a_file_the_record_is_cut_short_and_what_is_named_is_readable(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, a_trip: Kept
) -> None:
    """The folder as it was just before each file was moved into its place, and just after."""
    plain, seen = os.replace, []

    def moves(source: Path, target: Path) -> None:
        for act in (lambda: None, lambda: plain(source, target)):
            act()
            seen.append(Path(shutil.copytree(recording.folder, tmp_path / f"cut-{len(seen)}" / recording.folder.name)))

    recording = create(tmp_path)
    with monkeypatch.context() as patch:
        patch.setattr(os, "replace", moves)
        recording.put_row(row(0))
        recording.put_waveform(a_trip)
        wait_for(lambda: len(seen) == 6)
        recording.put_waveform(a_trip)
        recording.finish(PASSED)
    assert len(seen) == 16  # two waveforms of three files each, the descriptor once more, and the seal
    assert [path.name for path in (seen[1] / "waveforms").iterdir()] == ["01-trip.dat"]  # samples come first
    whole = []
    for folder in seen[:-1]:
        capture = read_capture(folder)
        assert capture.completeness is Completeness.CUT_SHORT
        assert verdict(look(folder)).state is State.CUT_SHORT, folder
        named = [one for one in capture.waveforms() if not one.problem]
        assert all(len(one.read().at_s) == len(a_trip.record.at_s) for one in named)
        whole.append(len(named))
    assert whole == sorted(whole)
    assert (whole[0], whole[5], whole[-1]) == (0, 1, 2)
    assert verdict(look(seen[-1])).state is State.WHOLE


@pytest.mark.parametrize("kept", [0, 16, 1000, 1007])
def test_a_torn_data_file_is_refused(folder: Path, kept: int) -> None:
    path = folder / "waveforms" / "02-trip.dat"
    path.write_bytes(path.read_bytes()[:kept])
    [_, trip] = read_capture(folder).waveforms()
    with pytest.raises(CaptureError, match=r"02-trip"):
        trip.read()


@pytest.mark.parametrize("path", ["waveforms/../../x.cfg", "/etc/01-trip.cfg", "waveforms/01-Trip.cfg", 3])
def test_a_descriptor_leads_nowhere_else(folder: Path, path: object) -> None:
    file = folder / "datapackage.json"
    told = json.loads(file.read_text())
    told["resources"] = [{"path": path, "event": "trip", "time_s": 1.0}, 5]
    file.write_text(json.dumps(told))
    assert [one.problem for one in read_capture(folder).waveforms()] == [TORN, TORN]


@pytest.mark.parametrize(
    "change", [{"time_s": "soon"}, {"trigger": "today"}, {"events": 3}, {"event": None, "events": [1]}]
)
def test_a_resource_that_was_changed_says_so(folder: Path, change: dict[str, object]) -> None:
    file = folder / "datapackage.json"
    told = json.loads(file.read_text())
    told["resources"] = [r | change if r["path"].endswith("02-trip.cfg") else r for r in told["resources"]]
    file.write_text(json.dumps(told))
    [_, trip] = read_capture(folder).waveforms()
    assert "is not described as we do it" in trip.problem
