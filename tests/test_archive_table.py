"""Tables of readings as people have them: what is understood, what is refused, and that a row is read at a time."""

from __future__ import annotations

import contextlib
import csv
import io
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from rampguard.archive.errors import TableError
from rampguard.archive.rows import Row
from rampguard.archive.table import TableReader
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Accuracy, Quantity, Signal, Validity

HEAD = "time_s,line_voltage_v,line_current_a"


@pytest.fixture(autouse=True)
def _field_limit() -> Iterator[None]:
    """Others (the validator that another test uses) raise this limit for the whole process."""
    before = csv.field_size_limit(131_072)
    yield
    csv.field_size_limit(before)


def table(text: str, **stated: Accuracy) -> TableReader:
    accuracy = {Quantity(name): value for name, value in stated.items()}
    return TableReader(io.StringIO(text, newline=""), name="run.csv", accuracy=accuracy)


def read(text: str) -> list[Row]:
    return list(table(text))


def values(row: Row) -> dict[Signal, float | None]:
    return {reading.signal: reading.value for reading in row.readings}


def refused(text: str) -> str:
    with pytest.raises(TableError) as caught:
        read(text)
    return str(caught.value)


def test_the_least_table() -> None:
    [row] = read(f"{HEAD}\n0.5,23.0,0.1\n")
    assert row.time_s == 0.5
    assert row.set_voltage_v is None
    assert values(row) == {LINE_VOLTAGE: 23.0, LINE_CURRENT: 0.1}
    assert all(r.time_s == r.asked_s == 0.5 and r.bound == 0.0 for r in row.readings)


def test_columns_in_any_order_with_channels_and_power() -> None:
    [row] = read(
        "dc_offset_left_v,line_current_a,emitter_resistor_right_v,time_s,real_power_w,rail_plus_v,"
        "temperature_heat-sink_degc,line_voltage_v\n-0.01,0.1,0.016,0,5,40,31,23\n"
    )
    assert values(row) == {
        Signal(Quantity.DC_OFFSET, "left"): -0.01,
        LINE_CURRENT: 0.1,
        Signal(Quantity.EMITTER_RESISTOR, "right"): 0.016,
        REAL_POWER: 5.0,
        Signal(Quantity.RAIL, "plus"): 40.0,
        Signal(Quantity.TEMPERATURE, "heat-sink"): 31.0,
        LINE_VOLTAGE: 23.0,
    }


@pytest.mark.parametrize(
    "text",
    [
        "time_s;line_voltage_v;line_current_a\r\n0,5;23,0;0,1\r\n",
        "time_s;line_voltage_v;line_current_a\n0.5;23.0;0.1\n",
        "time_s\tline_voltage_v\tline_current_a\n0,5\t23,0\t0,1\n",
        '"time_s" , "line_voltage_v" ,line_current_a\n 0.5 ,"23.0", 0.1\n'.replace('" ,', '",').replace(', "', ',"'),
        "\ufefftime_s,line_voltage_v,line_current_a\n0.5,23.0,0.1",
        "time_s,line_voltage_v,line_current_a,\n0.5,23.0,0.1,\n",
        "time_s,line_voltage_v,line_current_a,,\n0.5,23.0,0.1,,\n,,,,\n",
        "time_s,line_voltage_v,line_current_a\n\n0.5,23.0,0.1,,\n\n",
        "time_s,line_voltage_v,line_current_a\r0.5,23.0,0.1\r",
        'time_s,line_voltage_v,line_current_a,"a; b; c; d; e"\n0.5,23.0,0.1,x\n',
        "time_s;line_voltage_v;line_current_a;a, b, c, d\n5e-1;2,3e1;+0,1;x\n",
    ],
    ids=[
        *("decimal-commas", "semicolons", "tabs", "quotes", "bom-and-no-last-line-end", "blank-column"),
        *("spreadsheet-leavings", "blank-lines", "carriage-returns", "semicolons-in-a-name", "commas-in-a-name"),
    ],
)
def test_ways_of_writing_the_same_row(text: str) -> None:
    [row] = read(text)
    assert row.time_s == 0.5
    assert values(row) == {LINE_VOLTAGE: 23.0, LINE_CURRENT: 0.1}


def test_a_blank_cell_is_no_reading() -> None:
    [row] = read(f"{HEAD},real_power_w\n0,,0.1,  \n")
    assert values(row) == {LINE_CURRENT: 0.1}


@pytest.mark.parametrize("text", ["nan", "NaN", "inf", "-Infinity", "1e999"])
def test_not_a_number_is_an_invalid_reading(text: str) -> None:
    [row] = read(f"{HEAD}\n0,23,{text}\n")
    assert [(r.value, r.validity) for r in row.readings] == [(23.0, Validity.VALID), (None, Validity.INVALID)]


@pytest.mark.parametrize("text", ["0.1 A", "n/a", "1_000", "--", "0,1x", "1.2.3", "ten", "1,5"])
def test_a_cell_that_is_no_number_is_refused_with_its_place(text: str) -> None:
    message = refused(f'{HEAD}\n0,23,0.1\n1,24,"{text}"\n')
    assert message.startswith("run.csv, line 3, column line_current_a: ")
    assert "is not a number; write the value alone" in message


@pytest.mark.parametrize(("cell", "words"), [("", "must have its time"), ("nan", "finite"), ("inf", "finite")])
def test_a_row_without_a_time_is_refused(cell: str, words: str) -> None:
    message = refused(f"{HEAD}\n{cell},23,0.1\n")
    assert message.startswith("run.csv, line 2, column time_s: ")
    assert words in message


def test_a_set_point_that_is_no_number_is_refused() -> None:
    assert "column set_voltage_v" in refused(f"{HEAD},set_voltage_v\n0,23,0.1,nan\n")


def test_time_may_stand_still_but_not_run_backwards() -> None:
    assert [row.time_s for row in read(f"{HEAD}\n1,2,3\n1,2,3\n1.5,2,3\n")] == [1.0, 1.0, 1.5]
    assert "run.csv, line 4: time runs backwards, 1.4 s after 1.5 s" in refused(f"{HEAD}\n1,2,3\n1.5,2,3\n1.4,2,3\n")


def test_rows_before_a_bad_one_are_given() -> None:
    rows = iter(table(f"{HEAD}\n1,2,3\nx,2,3\n"))
    assert next(rows).time_s == 1.0
    with pytest.raises(TableError, match="line 3"):
        next(rows)


@pytest.mark.parametrize(
    ("head", "words"),
    [
        (
            "time_s,line_voltage_v,line_current_ma",
            "if 'line_current_ma' is it, convert it to amperes rms and name it l",
        ),
        ("time_ms,line_voltage_v,line_current_a", "if 'time_ms' is it, convert it to seconds and name it time_s"),
        ("Time_s,line_voltage_v,line_current_a", "if 'Time_s' is it, convert it to seconds and name it time_s"),
        ("time_s,V,line_current_a", "if 'V' is it, convert it to volts rms and name it line_voltage_v"),
        ("time_s,mains voltage,line_current_a", "if 'mains voltage' is it, convert it to volts rms"),
        ("time_s,set_voltage_v,line_current_a", "no column line_voltage_v; found 'time_s', 'set_voltage_v', 'li"),
        ("time_s,dc_offset_left_v,line_current_a", "; add it, in volts rms"),
        ("a,b", "no column time_s, line_voltage_v, line_current_a; found 'a', 'b'"),
        ("time_s,line_voltage_v,line_current_a,time_s", "column time_s is there twice; keep one"),
        ("", "line 1: no header"),
        ("\ufeff", "line 1: no header"),
        ("  ", "line 1: no header"),
        ("x" * 200_000, "line 1: is not a line of a table"),
    ],
)
def test_a_header_that_will_not_do_says_what_would(head: str, words: str) -> None:
    message = refused(f"{head}\n1,2,3\n" if head else "")
    assert message.startswith("run.csv, line 1: ")
    assert words in message


def test_other_columns_are_left_alone_with_a_note_that_tells_a_wrong_unit() -> None:
    reader = table(f"{HEAD},comment,real_power_kw,dc_offset_left_mv,reason\n0,23,0.1,no number,x,y,z\n")
    assert reader.notes == [
        "column 'comment' is not one of ours, left alone",
        "column 'real_power_kw' is not one of ours, left alone; if it is a real power, convert it to watts and name it"
        " real_power_w",
        "column 'dc_offset_left_mv' is not one of ours, left alone; if it is a dc offset, convert it to volts and name"
        " it dc_offset_<channel>_v",
    ]
    assert reader.signals == (LINE_VOLTAGE, LINE_CURRENT)
    assert len(list(reader)) == 1


@pytest.mark.parametrize("line", ["1,2", "1,2,3,4", '1,"2,3'])
def test_a_line_with_too_few_or_too_many_cells_is_refused(line: str) -> None:
    assert "cells under 3 columns; the line is torn, or a text with a ','" in refused(f"{HEAD}\n{line}\n")


def test_a_cell_without_end_is_refused() -> None:
    assert "line 2: is not a line of a table" in refused(f"{HEAD},x\n1,2,3,{'y' * 200_000}\n")


@pytest.mark.parametrize("data", [b"time_s,\xff\n", f"{HEAD}\n1,2,3\n".encode() + b"2,3,\xe9\n"])
def test_what_is_not_utf_8_is_refused(data: bytes) -> None:
    with pytest.raises(TableError, match=r"run\.csv, line \d: is not text in UTF-8 .* save the table as CSV in UTF-8"):
        list(TableReader(io.TextIOWrapper(io.BytesIO(data), encoding="utf-8"), name="run.csv"))


# -- what our own captures hold ------------------------------------------------------------------------------------


def test_a_capture_gives_the_guard_what_it_was_given() -> None:
    reader = table(
        f"{HEAD},real_power_w,set_voltage_v,reading_faults,reading_bounds,expected_event\n"
        "1,23,,,46,line_current_a:over-range real_power_w:missing,line_voltage_v:0.25,power-pressed\n"
    )
    assert reader.has_set_voltage
    assert reader.notes == []
    [row] = reader
    assert row.set_voltage_v == 46.0
    assert row.expected_event == "power-pressed"
    assert [(r.signal, r.value, r.validity, r.bound) for r in row.readings] == [
        (LINE_VOLTAGE, 23.0, Validity.VALID, 0.25),
        (LINE_CURRENT, None, Validity.OVER_RANGE, 0.0),
        (REAL_POWER, None, Validity.MISSING, 0.0),
    ]


@pytest.mark.parametrize(
    ("column", "cell", "words"),
    [
        ("reading_faults", "line_current_a:broken", "'broken' is none of valid, over-range"),
        ("reading_faults", "rail_plus_v:missing", "'rail_plus_v:missing' names no reading's column"),
        ("reading_faults", "missing", "'missing' names no reading's column"),
        ("reading_bounds", "line_current_a:-1", "'-1' is no bound"),
        ("reading_bounds", "line_current_a:", "'' is no bound"),
        ("reading_bounds", "line_current_a:nan", "not a finite number"),
        ("reading_bounds", "line_current_a:x", "not a number"),
    ],
)
def test_a_fault_or_bound_that_is_not_understood_is_refused(column: str, cell: str, words: str) -> None:
    message = refused(f"{HEAD},{column}\n1,23,0.1,{cell}\n")
    assert message.startswith(f"run.csv, line 2, column {column}: ")
    assert words in message


def test_a_stated_accuracy_goes_before_the_recorded_bound() -> None:
    stated = Accuracy(percent_of_reading=1.0, absolute=0.5)
    [row] = table(
        f"{HEAD},reading_bounds\n1,-200,0.1,line_voltage_v:9 line_current_a:0.02\n",
        line_voltage=stated,
    )
    assert [r.bound for r in row.readings] == [2.5, 0.02]
    [bad] = table(f"{HEAD}\n2,nan,0.1\n", line_voltage=stated)
    assert [r.bound for r in bad.readings] == [0.0, 0.0]


def test_only_a_captures_last_line_may_be_torn() -> None:
    ours = f"{HEAD},stage,state,decision,reason\n"
    reader = table(f"{ours}1,23,0.1,a,live,safe,\n2,24,0.1,a,live,sa")
    assert [row.time_s for row in reader] == [1.0]
    assert reader.notes == ["line 3 was torn when the writing ended, left out"]
    assert len(read(f"{HEAD}\n1,2,3\n2,3,4")) == 2
    assert "torn" in refused(f"{ours}1,23,0.1,a,live,sa\n2,24,0.1,a,live,safe,\n")


# -- a row at a time, and nothing else than a TableError -------------------------------------------------------------

ECHO = """
import sys
from rampguard.archive.table import TableReader
for row in TableReader(sys.stdin, name="-"):
    print(row.time_s, flush=True)
"""


def test_each_row_of_a_pipe_is_given_before_the_next_is_written() -> None:
    process = subprocess.Popen(
        [sys.executable, "-c", ECHO], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True, bufsize=1
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(f"{HEAD}\n")
    for number in range(20):
        process.stdin.write(f"{number},2,3\n")
        process.stdin.flush()
        assert process.stdout.readline() == f"{number}.0\n"
    assert process.communicate()[0] == ""
    assert process.returncode == 0


def test_no_line_is_read_before_its_row_is_asked_for(tmp_path: Path) -> None:
    class Watched(io.StringIO):
        lines = 0

        def readline(self, size: int | None = -1, /) -> str:  # type: ignore[override]
            self.lines += 1
            return super().readline(-1)

    stream = Watched(f"{HEAD}\n1,2,3\n2,3,4\n3,4,5\n")
    rows = iter(TableReader(stream, name="t"))
    assert stream.lines == 1
    next(rows)
    assert stream.lines == 2
    next(rows)
    assert stream.lines == 3


@settings(max_examples=300, deadline=None)
@given(
    head=st.sampled_from([HEAD, f"{HEAD},stage,state,decision,reason,reading_faults", HEAD.replace(",", ";")]),
    body=st.text(alphabet=st.sampled_from('0123456789.,;:"\n\r\t enai-+_xé\x00'), max_size=60),
)
def test_garbage_is_read_or_refused_and_nothing_else(head: str, body: str) -> None:
    with contextlib.suppress(TableError):
        last_s = float("-inf")
        for row in table(f"{head}\n{body}"):
            assert last_s <= row.time_s < float("inf")
            last_s = row.time_s


@settings(max_examples=100, deadline=None)
@given(head=st.text(max_size=25))
def test_any_header_is_read_or_refused(head: str) -> None:
    with contextlib.suppress(TableError):
        table(head)
        raise AssertionError("no text this short names all that is required")
