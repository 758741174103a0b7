"""docs/jobs.md: its query over many captures runs in another engine, and its words are the program's."""

from __future__ import annotations

import re
from pathlib import Path

import duckdb
import pytest

from hand_back_help import CAPTURES, make_job
from rampguard.archive.reader import whole_lines
from rampguard.archive.table import TableReader
from rampguard.cli import main
from rampguard.quantities import LINE_VOLTAGE, REAL_POWER

PAGE = (Path(__file__).resolve().parent.parent / "docs" / "jobs.md").read_text(encoding="utf-8")


def test_the_query_over_a_folder_of_exports(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("healthy-amplifier", "shorted-output"):
        assert main(["export", str(CAPTURES / name), "--parquet", str(tmp_path / f"{name}.parquet")]) == 0
    monkeypatch.chdir(tmp_path)
    [query] = re.findall(r"```sql\n(.*?)```", PAGE, re.DOTALL)
    healthy, shorted = duckdb.execute(query).fetchall()
    assert healthy[:2] == ("Power-up of healthy-amplifier", "passed")
    assert shorted[:2] == ("Power-up of shorted-output", "tripped")
    assert shorted[4] is None
    assert healthy[3] == max(_values("healthy-amplifier", 0.0)[0])
    watts = sorted(_values("healthy-amplifier", 0.99 * 230.0)[1])
    middle = len(watts) // 2
    assert healthy[4] == pytest.approx((watts[middle] + watts[~middle]) / 2)


def _values(name: str, above_v: float) -> tuple[list[float], list[float]]:
    """Line voltages and powers of the rows above a line voltage, by our own reader."""
    with whole_lines(CAPTURES / name / "readings.csv") as lines:
        rows = [{one.signal: one.value for one in row.readings} for row in TableReader(lines, name=name)]
    kept = [row for row in rows if (row.get(LINE_VOLTAGE) or 0.0) > above_v and row.get(REAL_POWER) is not None]
    return [row[LINE_VOLTAGE] or 0.0 for row in kept], [row[REAL_POWER] or 0.0 for row in kept]


def test_what_it_shows_of_a_search_is_what_is_printed(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    make_job(tmp_path / "jobs" / "2026-014")
    monkeypatch.chdir(tmp_path)
    [shown] = re.findall(r"```text\n(.*?)```", PAGE, re.DOTALL)
    assert main(["jobs", "find", "jobs", "fuse", "output transistor"]) == 0
    assert capsys.readouterr().out == shown
