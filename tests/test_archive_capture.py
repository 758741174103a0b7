"""Capture folders: what is written reads back bit for bit, is valid for others, and says how far it can be believed."""

from __future__ import annotations

import csv
import io
import json
import re
import shutil
import struct
import subprocess
import sys
import time
import tomllib
from pathlib import Path
from typing import Any

import pytest
from frictionless import validate
from hypothesis import given, settings
from hypothesis import strategies as st

from archive_help import BENCH, LIMITS, PASSED, PLUS_RAIL, SIGNALS, captured, create, cut_short, reading, row
from rampguard.archive.descriptor import RECORDED_FILES
from rampguard.archive.errors import CaptureError, TableError
from rampguard.archive.reader import Completeness, read_capture
from rampguard.archive.rows import Row, as_cells, columns, one_line
from rampguard.archive.seal import seal_text, verify_seal
from rampguard.archive.table import TableReader
from rampguard.quantities import Bounds, Cause, Expectation, Reading, Validity

FINITE = st.floats(allow_nan=False, allow_infinity=False)
BAD = st.sampled_from([Validity.OVER_RANGE, Validity.INVALID, Validity.MISSING])


def bits(value: float | None) -> bytes:
    return b"" if value is None else struct.pack("<d", value)


def whole(row: Row) -> tuple[Any, ...]:
    """All of a row, with its numbers bit for bit."""
    readings = [(r.signal, bits(r.value), bits(r.time_s), bits(r.asked_s), r.validity, r.bound) for r in row.readings]
    texts = (row.expected_event, row.stage, row.state, row.decision, row.reason)
    return bits(row.time_s), bits(row.set_voltage_v), readings, texts, row.expectation, bits(row.band_excess)


@st.composite
def expectations(draw: st.DrawFn) -> Expectation:
    bounds = st.none() | st.builds(Bounds, FINITE, FINITE)
    budget_j = draw(st.none() | FINITE)
    event_j = 0.0 if budget_j is None else draw(FINITE)
    why_not = draw(st.text(max_size=12).map(one_line))
    return Expectation(draw(bounds), draw(bounds), why_not, budget_j, event_j, draw(FINITE))


@st.composite
def rows(draw: st.DrawFn) -> Row:
    time_s = draw(FINITE)
    readings = []
    for signal in SIGNALS:
        kind = draw(st.sampled_from(["none", "value", "bad"]))
        if kind == "value":
            bound = draw(st.floats(0.0, 1e6))
            readings.append(Reading(signal, draw(FINITE), time_s, time_s, Validity.VALID, bound))
        elif kind == "bad":
            readings.append(Reading(signal, None, time_s, time_s, draw(BAD)))
    text = st.text(max_size=12).map(one_line)
    event, stage, state, decision, reason = (draw(text) for _ in range(5))
    expectation = draw(st.none() | expectations())
    excess = 0.0 if expectation is None else draw(st.floats(0.0, 1.0))
    set_v = draw(st.none() | FINITE)
    evidence = draw(st.dictionaries(st.sampled_from(list(Cause)[1:]), st.floats(1e-9, 1e9)))
    return Row(time_s, set_v, tuple(readings), event, expectation, excess, evidence, stage, state, decision, reason)


@settings(max_examples=200, deadline=None)
@given(row=rows())
def test_a_row_reads_back_bit_for_bit(row: Row) -> None:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows([columns(SIGNALS), as_cells(row, SIGNALS)])
    [again] = TableReader(io.StringIO(text.getvalue()), name="t")
    assert whole(again) == whole(row)


@settings(max_examples=100, deadline=None)
@given(text=st.text())
def test_no_text_breaks_a_line_or_cannot_be_encoded(text: str) -> None:
    single = one_line(text)
    assert len(single.splitlines()) <= 1
    assert single.encode().decode() == single
    assert one_line(single) == single


def test_a_capture_reads_back_with_its_facts_and_files(tmp_path: Path) -> None:
    written = [row(number) for number in range(30)]
    folder = captured(tmp_path, written)
    capture = read_capture(folder)
    assert capture.completeness is Completeness.FINISHED
    assert [whole(one) for one in capture.rows()] == [whole(one) for one in written]
    assert [(event.kind, event.text) for event in capture.events()] == [("energise", "permissives confirmed by flag")]
    assert capture.limits == LIMITS
    assert (folder / "bench.toml").read_bytes() == BENCH
    expected = {key: value for key, value in PASSED.items() if key != "capture"}
    assert capture.result == expected
    assert capture.descriptor["outcome"] == "passed"
    for key, value in (("unit", "Test amplifier"), ("nameplate_w", 300.0), ("permissives_confirmed", "by flag")):
        assert capture.descriptor[key] == value
    assert {path.name for path in folder.iterdir()} == {
        *("datapackage.json", "seal.sha256"),
        *(name for name, _ in RECORDED_FILES),
    }


def test_every_file_of_ours_says_its_format(tmp_path: Path) -> None:
    writer = create(tmp_path)
    writer.put_pids(engine=1, watchdog=2)
    folder = writer.folder
    assert json.loads((folder / "pids.json").read_text()) == {"format": 1, "engine": 1, "watchdog": 2}
    assert json.loads((folder / "datapackage.json").read_text())["format"] == 1
    assert tomllib.loads((folder / "limits.toml").read_text())["format"] == 1
    writer.finish(PASSED)
    assert not (folder / "pids.json").exists()


def wait_for_lines(path: Path, number: int) -> None:
    deadline_s = time.monotonic() + 20
    while path.read_bytes().count(b"\n") < number:
        assert time.monotonic() < deadline_s
        time.sleep(0.005)


def test_it_is_valid_for_others_while_recording_and_when_finished(tmp_path: Path) -> None:
    writer = create(tmp_path)
    awkward = row(3, reason='a comma, a "quote"; and\na line break', decision="warn")
    missing = row(4, readings=(reading(SIGNALS[1], None, 0.4, Validity.OVER_RANGE),), set_voltage_v=None)
    for one in (row(0), row(1), awkward, missing):
        writer.put_row(one)
    writer.put_event(0.4, "warn", "line current is over-range")
    wait_for_lines(writer.folder / "readings.csv", 5)
    wait_for_lines(writer.folder / "events.csv", 2)
    descriptor = writer.folder / "datapackage.json"
    assert json.loads(descriptor.read_text())["outcome"] == "recording"
    for _ in ("recording", "finished"):
        report = validate(str(descriptor))
        assert report.valid, report.flatten(["rowNumber", "fieldNumber", "type", "note"])
        assert {task.name for task in report.tasks} == {name.partition(".")[0] for name, _ in RECORDED_FILES}
        writer.finish(PASSED)
    assert read_capture(writer.folder).completeness is Completeness.FINISHED


def test_others_see_a_changed_reading_too(tmp_path: Path) -> None:
    folder = captured(tmp_path, [row(0), row(1)])
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"2.3,", b"2.4,"))
    assert not validate(str(folder / "datapackage.json")).valid


@pytest.mark.skipif(shutil.which("sha256sum") is None, reason="no sha256sum here")
def test_the_seal_is_one_that_sha256sum_checks(tmp_path: Path) -> None:
    folder = captured(tmp_path, [row(0)])
    check = [shutil.which("sha256sum") or "", "-c", "--strict", "seal.sha256"]
    assert subprocess.run(check, cwd=folder, capture_output=True).returncode == 0
    (folder / "events.csv").write_bytes(b"other")
    assert subprocess.run(check, cwd=folder, capture_output=True).returncode == 1


@pytest.mark.parametrize("name", ["datapackage.json", *(name for name, _ in RECORDED_FILES)])
def test_every_recorded_file_is_under_the_seal(tmp_path: Path, name: str) -> None:
    folder = captured(tmp_path, [row(0)])
    path = folder / name
    original = path.read_bytes()
    path.write_bytes(original + b"\n")
    capture = read_capture(folder)
    assert capture.completeness is Completeness.TAMPERED
    assert capture.problems == (f"{name}: changed since it was sealed",)
    path.unlink()
    assert verify_seal(folder) == [f"{name}: missing"]
    path.write_bytes(original)
    assert read_capture(folder).completeness is Completeness.FINISHED


@pytest.mark.parametrize(
    ("change", "problem"),
    [
        (lambda text: "", "readings.csv: not sealed"),
        (lambda text: "\n".join(line for line in text.splitlines() if "readings" not in line), "readings.csv: not"),
        (lambda text: text + "00  ../elsewhere\n", "is no line of a seal"),
        (lambda text: text + "word\n", "is no line of a seal"),
    ],
)
def test_a_seal_that_was_changed_itself_does_not_hold(tmp_path: Path, change: Any, problem: str) -> None:
    folder = captured(tmp_path, [row(0)])
    seal = folder / "seal.sha256"
    seal.write_text(change(seal.read_text()))
    capture = read_capture(folder)
    assert capture.completeness is Completeness.TAMPERED
    assert any(problem in one for one in capture.problems)


def test_the_picture_and_a_note_beside_the_record_break_no_seal(tmp_path: Path) -> None:
    folder = captured(tmp_path, [row(0)])
    (folder / "ramp.png").write_bytes(b"drawn later")
    (folder / "note.txt").write_text("customer called")
    assert verify_seal(folder) == []


def test_a_sealed_record_that_says_it_is_recording_is_cut_short(tmp_path: Path) -> None:
    folder = cut_short(captured(tmp_path, [row(0)]))
    (folder / "seal.sha256").write_text(seal_text(folder))
    assert read_capture(folder).completeness is Completeness.CUT_SHORT


def test_a_record_cut_at_any_byte_of_its_last_lines_gives_its_whole_lines(tmp_path: Path) -> None:
    """Read as a capture, and as the table that a replay opens."""
    folder = cut_short(captured(tmp_path, [row(n, reason="a, b" if n % 2 else "") for n in range(6)]))
    path = folder / "readings.csv"
    data = path.read_bytes()
    start = len(b"".join(data.splitlines(keepends=True)[:-3]))
    for length in range(start, len(data) + 1):
        path.write_bytes(data[:length])
        expected = data[:length].count(b"\n") - 1
        capture = read_capture(folder)
        assert capture.completeness is Completeness.CUT_SHORT
        assert [one.time_s for one in capture.rows()] == [n / 10 for n in range(expected)]
        with path.open(encoding="utf-8-sig", newline="") as stream:
            table = TableReader(stream, name="t")
            assert len(list(table)) == expected
            assert bool(table.notes) == (not data[:length].endswith(b"\n"))


def test_events_cut_at_any_byte_give_their_whole_lines(tmp_path: Path) -> None:
    folder = cut_short(captured(tmp_path, [row(0)], also=lambda w: w.put_event(0.1, "warn", 'a "b", ä')))
    path = folder / "events.csv"
    data = path.read_bytes()
    for length in range(data.index(b"\n") + 1, len(data) + 1):
        path.write_bytes(data[:length])
        assert len(read_capture(folder).events()) == data[:length].count(b"\n") - 1


WRITING = """
import sys
from pathlib import Path
sys.path.insert(0, {tests!r})
from archive_help import create, row
writer = create(Path({into!r}))
writer.put_pids(engine=1, watchdog=2)
print(writer.folder, flush=True)
number = 0
while True:
    for _ in range(20):
        writer.put_row(row(number, reason="something, with a comma"))
        number += 1
    writer.put_event(number / 10, "stage", f"{{number}} rows")
    print(number, flush=True)
    sys.stdin.readline()
"""


@pytest.mark.parametrize("batches", [0, 1, 7, 40])
def test_a_killed_writer_leaves_a_record_that_says_it_was_cut_short(tmp_path: Path, batches: int) -> None:
    code = WRITING.format(tests=str(Path(__file__).parent), into=str(tmp_path))
    process = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdin is not None
    assert process.stdout is not None
    folder = Path(process.stdout.readline().strip())
    for _ in range(batches):
        process.stdout.readline()
        process.stdin.write("\n")
        process.stdin.flush()
    process.kill()
    process.communicate()
    capture = read_capture(folder)
    assert capture.completeness is Completeness.CUT_SHORT
    assert capture.result is None
    assert capture.descriptor["outcome"] == "recording"
    assert (folder / "pids.json").exists()
    times = [one.time_s for one in capture.rows()]
    assert times == [number / 10 for number in range(len(times))]
    capture.events()
    assert json.loads((folder / "datapackage.json").read_text())["format"] == 1
    if (folder / "readings.csv").read_bytes().endswith(b"\n"):
        assert validate(str(folder / "datapackage.json")).valid


def test_what_was_on_the_way_a_second_ago_is_there_after_a_kill(tmp_path: Path) -> None:
    code = WRITING.format(tests=str(Path(__file__).parent), into=str(tmp_path))
    process = subprocess.Popen([sys.executable, "-c", code], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True)
    assert process.stdout is not None
    folder = Path(process.stdout.readline().strip())
    assert process.stdout.readline() == "20\n"
    wait_for_lines(folder / "readings.csv", 21)
    process.kill()
    process.communicate()
    assert len(list(read_capture(folder).rows())) == 20


@pytest.mark.parametrize(
    "unit", ["CON", "aux.", 'a/b\\c:d*e?"f<g>|', "Verstärker 受信機", "", "   ", "x" * 500, "../../up", "tab\tend\n"]
)
def test_a_folder_name_is_one_that_every_system_takes(tmp_path: Path, unit: str) -> None:
    folder = captured(tmp_path, [], unit=unit)
    assert re.fullmatch(r"\d{8}T\d{6}Z-[a-z0-9]+(-[a-z0-9]+)*", folder.name)
    assert len(folder.name) < 100
    assert folder.parent == tmp_path
    assert json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))["unit"] == unit


def test_a_capture_never_takes_a_folder_that_exists(tmp_path: Path) -> None:
    folders = [captured(tmp_path, []) for _ in range(4)]
    assert len(set(folders)) == 4


def test_where_nothing_can_be_written_it_says_so_and_leaves_nothing(tmp_path: Path) -> None:
    (tmp_path / "file").write_text("in the way")
    with pytest.raises(CaptureError, match=r"no capture can be written there .*--into"):
        create(tmp_path / "file")


def test_a_reading_without_a_column_is_left_out_and_noted_once(tmp_path: Path) -> None:
    stray = row(1, signals=[*SIGNALS, PLUS_RAIL])
    bad = row(2, readings=(reading(PLUS_RAIL, None, 0.2, Validity.MISSING),))
    folder = captured(tmp_path, [stray, stray, bad])
    assert [len(one.readings) for one in read_capture(folder).rows()] == [5, 5, 0]
    assert (folder / "engine.log").read_text().count("rail_plus_v has no column") == 1


def test_log_entries_keep_their_lines_together(tmp_path: Path) -> None:
    folder = captured(tmp_path, [], also=lambda writer: writer.log("first\nsecond \udc80"))
    lines = (folder / "engine.log").read_text().splitlines()
    assert lines[-2].endswith("Z first")
    assert lines[-1] == "    second \\udc80"


def read_all(folder: Path) -> None:
    capture = read_capture(folder)
    capture.events()
    list(capture.rows())


@pytest.mark.parametrize(
    ("name", "content", "message"),
    [
        ("datapackage.json", None, "is .* a capture folder"),
        ("datapackage.json", b"{", "is not JSON"),
        ("datapackage.json", b"\xff\xfe", "is not JSON"),
        ("datapackage.json", b"[]", "format 1"),
        ("datapackage.json", b'{"format": 2}', "format 1"),
        ("datapackage.json", b'{"format": 1, "result": 3}', "its result is not an object"),
        ("limits.toml", None, "limits.toml: cannot be read"),
        ("limits.toml", b"limits", "is not TOML"),
        ("limits.toml", b"\xff", "is not TOML"),
        ("limits.toml", b"limits = 3", r"no table \[limits\]"),
        ("events.csv", None, "events.csv: cannot be read"),
        ("events.csv", b"a,b\n", "not those of events"),
        ("events.csv", b"time_s,wall_time,kind,text\n1,b\n", "line 2: is no event"),
        ("events.csv", b"time_s,wall_time,kind,text\nx,b,c,d\n", "line 2: is no event"),
        ("events.csv", b'time_s,wall_time,kind,text\n1,"b"c,c,d\n', "line 2: is no event"),
        ("readings.csv", b"\xff\n", "is not text in UTF-8"),
        ("readings.csv", b"", "no header"),
    ],
)
def test_a_damaged_folder_is_refused_with_the_file_and_the_reason(
    tmp_path: Path, name: str, content: bytes | None, message: str
) -> None:
    folder = captured(tmp_path, [row(0)])
    (folder / name).unlink()
    if content is not None:
        (folder / name).write_bytes(content)
    with pytest.raises((CaptureError, TableError), match=message) as caught:
        read_all(folder)
    assert name in str(caught.value)


def test_a_seal_that_cannot_be_read_is_said(tmp_path: Path) -> None:
    folder = captured(tmp_path, [row(0)])
    (folder / "seal.sha256").unlink()
    (folder / "seal.sha256").mkdir()
    with pytest.raises(CaptureError, match="the seal cannot be checked"):
        read_capture(folder)
