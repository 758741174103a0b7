"""The whole guard, all layers, over recordings that are changed: what must hold whatever the readings are."""

from __future__ import annotations

import csv
import io
import random
from pathlib import Path
from typing import Any

import pytest

from golden_help import FOLDER, golden, judged

GOLDEN = golden()
TRIPS = ("shorted-output", "one-sided-short", "shorted-rectifier", "shorted-switch", "shorted-turns", "open-fuse")
Table = list[dict[str, str]]


def _table(name: str) -> Table:
    return list(csv.DictReader(io.StringIO((FOLDER / f"{name}.csv").read_text(encoding="utf-8"))))


def _judged(tmp_path: Path, name: str, table: Table, columns: list[str] | None = None) -> dict[str, Any]:
    text = io.StringIO()
    writer = csv.DictWriter(text, columns or list(table[0]), lineterminator="\n")
    writer.writeheader()
    writer.writerows(table)
    path = tmp_path / "changed.csv"
    path.write_text(text.getvalue(), encoding="utf-8")
    return judged(path, GOLDEN[name])


@pytest.mark.parametrize("name", [name for name in TRIPS if name != "open-fuse"])
@pytest.mark.parametrize("factor", [1.02, 1.3, 2.0, 10.0])
def test_more_current_never_turns_a_trip_into_a_pass(tmp_path: Path, name: str, factor: float) -> None:
    table = _table(name)
    for row in table:
        row["line_current_a"] = f"{factor * float(row['line_current_a']):.4f}"
        row["real_power_w"] = f"{factor * float(row['real_power_w']):.2f}"
    assert _judged(tmp_path, name, table)["outcome"] == "tripped"


@pytest.mark.parametrize("name", TRIPS)
def test_the_trip_of_a_prefix_is_the_trip_of_the_whole(tmp_path: Path, name: str) -> None:
    table = _table(name)
    whole = _judged(tmp_path, name, table)
    at = next(n for n, row in enumerate(table) if float(row["time_s"]) >= whole["trip"]["time_s"])
    assert _judged(tmp_path, name, table[: at + 1])["trip"] == whole["trip"]
    assert _judged(tmp_path, name, table[: at + 1])["causes"] == whole["causes"]
    if at:
        before = _judged(tmp_path, name, table[:at])
        assert before["trip"] is None
        assert before["warnings"] == [w for w in whole["warnings"] if w["time_s"] < whole["trip"]["time_s"]]


@pytest.mark.parametrize("seed", range(6))
def test_shuffled_columns_gaps_and_doubled_rows_never_crash(tmp_path: Path, seed: int) -> None:
    generator = random.Random(seed)
    name = generator.choice(TRIPS)
    table = _table(name)
    plain = _judged(tmp_path, name, table)
    columns = list(table[0])
    generator.shuffle(columns)
    assert _judged(tmp_path, name, table, columns) == plain
    changed: Table = []
    for row in table:
        kind = generator.random()
        if kind < 0.1:
            continue  # a gap
        changed.append(row)
        if kind > 0.9:
            changed.append(dict(row))  # told twice
        if 0.85 < kind <= 0.9:
            changed[-1] = {**row, generator.choice(["line_current_a", "real_power_w"]): ""}
    found = _judged(tmp_path, name, changed, columns)
    assert found["readings"] == len(changed)
    assert sum(cause["probability"] for cause in found["causes"]) == pytest.approx(1.0)
