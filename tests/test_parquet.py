"""Captures as Parquet: what pyarrow and another engine read back is what readings.csv says, number for number."""

from __future__ import annotations

import csv
import json
import math
import sys
from pathlib import Path
from typing import Any

import duckdb
import pyarrow.parquet as pq
import pytest
from hypothesis import given, settings

from archive_help import SIGNALS, captured, cut_short, row
from rampguard.archive.descriptor import field_of, unit_of
from rampguard.archive.rows import Row
from rampguard.cli import main
from rampguard.records import parquet
from rampguard.records.parquet import ExportRefused, write_parquet
from test_archive_capture import rows as any_rows

ROOT = Path(__file__).resolve().parent.parent
HEALTHY = ROOT / "captures" / "healthy-amplifier"


def as_the_table_says(capture: Path) -> list[dict[str, float | str | None]]:
    """readings.csv by Python's own csv module: numbers as floats, a blank as None."""
    with (capture / "readings.csv").open(encoding="utf-8", newline="") as stream:
        return [
            {
                name: None if cell == "" else float(cell) if field_of(name)["type"] == "number" else cell
                for name, cell in one.items()
            }
            for one in csv.DictReader(stream)
        ]


def without_run(rows: list[dict[str, Any]]) -> list[dict[str, Any]]:
    return [{name: value for name, value in one.items() if name != "run"} for one in rows]


@pytest.mark.parametrize("name", ["healthy-amplifier", "shorted-output"])
def test_what_is_read_back_is_the_table(tmp_path: Path, name: str) -> None:
    file = tmp_path / "x.parquet"
    written = write_parquet(ROOT / "captures" / name, file)
    table = pq.read_table(file)
    expected = as_the_table_says(ROOT / "captures" / name)
    assert without_run(table.to_pylist()) == expected
    assert set(table["run"].to_pylist()) == {written.run}
    assert (written.rows, written.columns) == (len(expected), len(expected[0]) + 1)


def test_another_engine_reads_the_same(tmp_path: Path) -> None:
    """By duckdb, which has a Parquet reader of its own."""
    file = tmp_path / "x.parquet"
    write_parquet(HEALTHY, file)
    found = duckdb.execute("SELECT * FROM read_parquet(?)", [str(file)])
    names = [column[0] for column in found.description]
    rows = [dict(zip(names, one, strict=True)) for one in found.fetchall()]
    assert without_run(rows) == as_the_table_says(HEALTHY)


def test_exports_stack_in_a_folder_even_with_other_channels(tmp_path: Path) -> None:
    for name in ("healthy-amplifier", "shorted-output"):
        write_parquet(ROOT / "captures" / name, tmp_path / f"{name}.parquet")
    write_parquet(captured(tmp_path, [row(0)], signals=SIGNALS[:2]), tmp_path / "two-signals.parquet")
    found = duckdb.execute(
        "SELECT run, count(*), max(line_voltage_v) FROM read_parquet(?, union_by_name=true) GROUP BY run ORDER BY 2",
        [f"{tmp_path}/*.parquet"],
    ).fetchall()
    assert [count for _, count, _ in found] == [1, 19, 1048]
    assert found[2][2] == max(one["line_voltage_v"] or 0.0 for one in as_the_table_says(HEALTHY))  # type: ignore[type-var]


def test_units_descriptions_and_the_run_are_in_the_file(tmp_path: Path) -> None:
    file = tmp_path / "x.parquet"
    write_parquet(HEALTHY, file)
    schema = pq.read_schema(file)
    told = {field.name: field.metadata for field in schema}
    assert told["line_current_a"][b"unit"] == b"A"
    assert told["line_current_a"][b"description"] == b"line current, in amperes rms"
    assert told["event_budget_j"][b"unit"] == b"J"
    assert told["band_fit"][b"unit"] == b"1"
    assert told["reason"][b"unit"] == b""
    about = json.loads(schema.metadata[b"rampguard"])
    assert (about["format"], about["unit"], about["nameplate_w"]) == (1, "healthy-amplifier", 300.0)
    assert (about["state"], about["outcome"], len(about["seal_sha256"])) == ("whole", "passed", 64)
    assert str(schema.field("time_s").type) == "double"
    assert str(schema.field("run").type).startswith("dictionary<values=string")
    assert str(schema.field("stage").type).startswith("dictionary<values=string")


def test_units_follow_from_names() -> None:
    names = ("time_s", "set_voltage_v", "expected_power_low_w", "temperature_sink_degc", "state", "nobodys")
    assert [unit_of(name) for name in names] == ["s", "V", "W", "degC", "", ""]


@settings(max_examples=25, deadline=None)
@given(one=any_rows())
def test_any_row_reads_back_bit_for_bit(tmp_path_factory: pytest.TempPathFactory, one: Row) -> None:
    into = tmp_path_factory.mktemp("any")
    capture = captured(into, [one])
    write_parquet(capture, into / "x.parquet")
    [back], [expected] = pq.read_table(into / "x.parquet").to_pylist(), as_the_table_says(capture)
    for name, value in expected.items():
        assert back[name] == value, name
        if isinstance(value, float):
            assert math.copysign(1.0, value) == math.copysign(1.0, back[name])


def test_of_a_record_cut_short_the_whole_rows_and_the_file_says_so(tmp_path: Path) -> None:
    folder = cut_short(captured(tmp_path, [row(number) for number in range(5)]))
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes()[:-4])
    written = write_parquet(folder, tmp_path / "x.parquet")
    assert (written.rows, str(written.state)) == (4, "cut-short")
    about = json.loads(pq.read_schema(tmp_path / "x.parquet").metadata[b"rampguard"])
    assert about["state"] == "cut-short"


def test_many_blocks_make_one_table(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(parquet, "_BLOCK_BYTES", 20_000)
    monkeypatch.setattr(parquet, "_GROUP_ROWS", 200)
    write_parquet(HEALTHY, tmp_path / "x.parquet")
    assert pq.ParquetFile(tmp_path / "x.parquet").num_row_groups == 4
    assert without_run(pq.read_table(tmp_path / "x.parquet").to_pylist()) == as_the_table_says(HEALTHY)


def test_a_torn_table_is_refused_and_leaves_nothing(tmp_path: Path) -> None:
    folder = captured(tmp_path, [row(number) for number in range(5)])
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"0.2,", b"0.2,what,", 1))
    with pytest.raises(ExportRefused, match="not written"):
        write_parquet(folder, tmp_path / "x.parquet")
    assert not list(tmp_path.glob("x.parquet*"))


def test_the_command(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "x.parquet"
    assert main(["export", str(HEALTHY), "--parquet", str(file), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert told["parquet"]["rows"] == 1048
    assert main(["export", str(HEALTHY), "--parquet", str(file)]) == 0
    assert "1048 rows, 27 columns" in capsys.readouterr().out
    assert main(["export", str(HEALTHY)]) == 2
    assert "--parquet FILE" in capsys.readouterr().err
    assert main(["export", str(tmp_path), "--parquet", str(file)]) == 2
    assert "name a capture folder" in capsys.readouterr().err
    assert main(["export", str(HEALTHY), "--parquet", str(tmp_path / "no" / "x.parquet")]) == 2


def test_without_pyarrow_it_says_what_to_install(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    assert main(["export", str(HEALTHY), "--parquet", str(tmp_path / "x.parquet")]) == 2
    assert "pip install 'rampguard[parquet]'" in capsys.readouterr().err
