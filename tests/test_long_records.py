"""Long records: read, drawn and judged a row at a time, without the whole of them in memory."""

from __future__ import annotations

import sys
import tracemalloc
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archive_help import captured, row
from rampguard.archive import reader
from rampguard.archive.reader import WholeLines, read_capture
from rampguard.report import thin
from rampguard.report.ramp_plot import ramp_figure
from rampguard.report.thin import COLUMNS, MOST, ROWS, shown

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

import million_rows


def test_rows_are_read_as_they_are_asked_for(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """Causal: a row is there before the next line is read."""
    folder = captured(tmp_path, [row(number) for number in range(50)])
    lines = 0

    class Counted(WholeLines):
        def readline(self) -> str:
            nonlocal lines
            lines += 1
            return super().readline()

    monkeypatch.setattr(reader, "WholeLines", Counted)
    for number, _ in enumerate(read_capture(folder).rows()):
        assert lines == number + 2  # the header, and this row's own


def memory_of(folder: Path) -> int:
    """The most that reading every row takes at once, bytes."""
    tracemalloc.start()
    try:
        for _ in read_capture(folder).rows():
            pass
        return tracemalloc.get_traced_memory()[1]
    finally:
        tracemalloc.stop()


def test_memory_does_not_grow_with_the_rows(tmp_path: Path) -> None:
    short, long = (captured(tmp_path, [row(number) for number in range(count)]) for count in (100, 4000))
    memory_of(short)  # what is kept once and for all
    assert memory_of(long) < 1.5 * memory_of(short) + 20_000


def test_the_long_capture_of_the_benchmark_is_a_whole_one_and_goes_every_way(tmp_path: Path) -> None:
    folder, _ = million_rows.make(tmp_path, 1500)
    assert str(read_capture(folder).completeness) == "finished"
    for name in ("plain read by numpy", "verify", "read every row", "replay, frozen band", "export to Parquet"):
        assert million_rows.WAYS[name](folder) == 1500, name
    assert million_rows.WAYS["compare (one side)"](folder) == 11


# -- what a picture shows -----------------------------------------------------------------------------------------


def test_short_records_are_drawn_whole() -> None:
    x = np.arange(float(MOST))
    assert np.array_equal(shown(x, x), np.arange(MOST))


def wave(count: int) -> tuple[np.ndarray, np.ndarray]:
    x = np.linspace(0.0, 1.0, count)
    return x, np.sin(40.0 * x) + 0.01 * np.sin(1e5 * x)


@settings(max_examples=30, deadline=None)
@given(at=st.integers(0, 99_999), height=st.floats(-50, 50).filter(lambda h: abs(h) > 3))
def test_a_single_peak_of_a_long_record_is_drawn(at: int, height: float) -> None:
    x, y = wave(100_000)
    y[at] = height
    few = shown(x, y)
    assert at in few
    assert len(few) < len(x) / 2


def test_no_point_is_further_from_a_drawn_one_than_a_cell() -> None:
    x, y = wave(100_000)
    few = shown(x, y)
    drawn = {(int(a), int(b)) for a, b in zip(*cells(x[few], y[few], x, y), strict=True)}
    assert {(int(a), int(b)) for a, b in zip(*cells(x, y, x, y), strict=True)} <= drawn
    assert few[0] == 0
    assert few[-1] == len(x) - 1
    assert np.all(np.diff(few) > 0)


def cells(x: np.ndarray, y: np.ndarray, of_x: np.ndarray, of_y: np.ndarray) -> Iterator[np.ndarray]:
    """The cells of points, worked out here anew."""
    for values, span, count in ((x, of_x, COLUMNS), (y, of_y, ROWS)):
        yield np.floor((values - span.min()) / ((span.max() - span.min()) / count))


def test_gaps_stay_and_a_flat_line_is_a_line() -> None:
    x, y = wave(100_000)
    y[40_000:60_000] = np.nan
    few = shown(x, y)
    assert np.isnan(y[few]).any()
    assert len(shown(x, np.zeros(100_000))) <= COLUMNS + 2
    assert len(shown(np.zeros(100_000), np.full(100_000, np.nan))) == 2


def test_a_picture_of_a_long_record_has_few_points_and_its_peak(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(thin, "MOST", 500)
    monkeypatch.setattr(thin, "COLUMNS", 200)
    monkeypatch.setattr(thin, "ROWS", 100)
    folder, _ = million_rows.make(tmp_path, 3000)
    figure = ramp_figure(read_capture(folder))
    longest = max(len(np.asarray(line.get_xdata())) for axes in figure.axes for line in axes.lines)
    assert longest < 2000
    peak = max(reading.value or 0.0 for one in read_capture(folder).rows() for reading in one.readings[1:2])
    drawn = [np.asarray(line.get_ydata(), dtype=float) for axes in figure.axes for line in axes.lines]
    assert any(len(ys) and np.isclose(ys.max(), peak, rtol=0.01) for ys in drawn)
