"""`replay`: any table of readings, judged row by row, with the JSON and the exit codes that scripts rely on."""

from __future__ import annotations

import json
import shutil
import subprocess
from pathlib import Path
from typing import Any

import pytest

from live_help import RAMPGUARD

HEADER = "time_s,line_voltage_v,line_current_a,real_power_w\n"
GIVEN = ["--load-class", "linear-amplifier", "--nameplate-w", "300", "--mains", "230/50"]


def _rows(current_a: float, count: int = 50) -> str:
    """A ramp of 1 V a tenth of a second; power as a capacitor-input load would have it."""
    rows = [(t / 10, 1.0 * t, current_a * t / 50) for t in range(count)]
    return HEADER + "".join(f"{t},{v},{a:.6f},{0.55 * v * a:.6f}\n" for t, v, a in rows)


def _replay(tmp_path: Path, text: str, *options: str) -> tuple[int, dict[str, Any] | None, str]:
    path = tmp_path / "run.csv"
    path.write_text(text, encoding="utf-8")
    return _call(str(path), "--json", *options)


def _call(*arguments: str, stdin: str | None = None) -> tuple[int, dict[str, Any] | None, str]:
    done = subprocess.run([*RAMPGUARD, "replay", *arguments], input=stdin, capture_output=True, text=True, timeout=60)
    return done.returncode, json.loads(done.stdout) if done.stdout.count("\n") == 1 else None, done.stderr


def test_a_healthy_run_passes(tmp_path: Path) -> None:
    code, result, _ = _replay(tmp_path, _rows(0.2), *GIVEN)
    assert code == 0
    assert result is not None
    causes = result["causes"]
    assert causes[0]["cause"] == "no-fault"
    assert sum(found["probability"] for found in causes) == pytest.approx(1.0)
    assert result | {"warnings": [], "causes": [], "not_evaluated": []} == {
        "format": 1,
        "outcome": "passed",
        "readings": 50,
        "load_class": "linear-amplifier",
        "trip": None,
        "warnings": [],
        "causes": [],
        "not_evaluated": [],
    }


def test_too_much_current_trips_with_time_voltage_layer_and_reason(tmp_path: Path) -> None:
    code, result, _ = _replay(tmp_path, _rows(3.0), *GIVEN)
    assert code == 3
    assert result is not None
    assert result["outcome"] == "tripped"
    trip = result["trip"]
    assert trip["layer"] == "band"  # long before its ceiling
    assert trip["line_voltage_v"] == pytest.approx(10 * trip["time_s"])
    assert "line current" in trip["reason"]
    assert result["readings"] == 50


def test_without_a_nameplate_the_ceilings_are_not_evaluated_and_that_is_said(tmp_path: Path) -> None:
    code, result, _ = _replay(tmp_path, _rows(3.0))
    assert code == 0
    assert result is not None
    assert "line current: no ceiling is set" in result["not_evaluated"]


def test_semicolons_commas_other_order_and_extra_columns(tmp_path: Path) -> None:
    rows = "".join(f"{t / 10:.1f};x;0,05;{t};1,0\n".replace(".", ",") for t in range(40))
    text = "time_s;remark;line_current_a;line_voltage_v;dc_offset_left_v\n" + rows
    code, result, said = _replay(tmp_path, text, *GIVEN)
    assert code == 0, said
    assert result is not None
    assert result["readings"] == 40
    assert "remark" in said


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("time_s,line_voltage_v,line_current_ma\n0,1,2\n", "line_current_a"),
        (HEADER + "0,1,0.1,0\n1,2,0.1,0\n0.5,2,0.1,0\n", "line 4"),
        (HEADER + "0,1,zero,1\n", "line 2"),
        ("", "no header"),
        (HEADER, "no rows"),
    ],
)
def test_bad_tables_are_refused_by_line_and_column(tmp_path: Path, text: str, says: str) -> None:
    code, result, said = _replay(tmp_path, text, *GIVEN)
    assert code == 2
    assert result is None
    assert says in said
    assert "run.csv" in said


@pytest.mark.parametrize(
    "options",
    [
        ["--load-class", "toaster"],
        ["--meter", "v=1"],
        ["--meter", "x=1%+0"],
        ["--mains", "230"],
        ["--nameplate-w", "-3"],
    ],
)
def test_bad_options_are_refused(tmp_path: Path, options: list[str]) -> None:
    assert _replay(tmp_path, _rows(0.1), *options)[0] == 2


def test_a_coarse_meter_is_granted_its_accuracy(tmp_path: Path) -> None:
    rows = "".join(f"{t / 10},100,0.5,53\n" for t in range(5))
    assert _replay(tmp_path, HEADER + rows)[0] == 3  # 53 W is more than 50 VA
    assert _replay(tmp_path, HEADER + rows, "--meter", "v=0.5%+0.5,a=1%+0.02,w=1%+0.5")[0] == 0


def test_standard_input_is_decided_row_by_row(tmp_path: Path) -> None:
    """The trip is told as soon as its row is there, while the pipe stays open."""
    process = subprocess.Popen(
        [*RAMPGUARD, "replay", "-", "--json", *GIVEN], stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True
    )
    assert process.stdin is not None
    assert process.stdout is not None
    process.stdin.write(HEADER + "0,5,0.1,0.2\n0.1,6,0.9,3\n")
    process.stdin.flush()
    result = json.loads(process.stdout.readline())
    assert result["trip"]["time_s"] == 0.1
    assert result["readings"] == 2
    process.stdin.close()
    assert process.wait(10.0) == 3
    process.stdout.close()


def test_several_files_give_a_line_each_and_the_highest_code(tmp_path: Path) -> None:
    for name, current_a in (("a", 0.2), ("b", 3.0)):
        (tmp_path / name).write_text(_rows(current_a), encoding="utf-8")
    done = subprocess.run(
        [*RAMPGUARD, "replay", str(tmp_path / "b"), str(tmp_path / "a"), "--json", *GIVEN],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert [json.loads(line)["outcome"] for line in done.stdout.splitlines()] == ["tripped", "passed"]
    assert done.returncode == 3


def test_text_tells_the_same(tmp_path: Path) -> None:
    (tmp_path / "b").write_text(_rows(3.0), encoding="utf-8")
    done = subprocess.run(
        [*RAMPGUARD, "replay", str(tmp_path / "b"), *GIVEN], capture_output=True, text=True, timeout=60
    )
    assert "TRIPPED" in done.stdout
    assert "[band]" in done.stdout


def test_what_a_run_was_tripped_for_that_no_reading_shows_is_said_not_to_be_evaluated(tmp_path: Path) -> None:
    capture = tmp_path / "capture"
    shutil.copytree(Path(__file__).parent.parent / "captures" / "healthy-amplifier", capture)
    descriptor = json.loads((capture / "datapackage.json").read_text(encoding="utf-8"))
    trip = {"time_s": 3.0, "line_voltage_v": 6.9, "layer": "reading", "reason": "the watchdog is gone"}
    descriptor["outcome"], descriptor["result"]["trip"] = "tripped", trip
    (capture / "datapackage.json").write_text(json.dumps(descriptor), encoding="utf-8")
    done = subprocess.run([*RAMPGUARD, "replay", str(capture)], capture_output=True, text=True, timeout=60)
    assert done.returncode == 0
    assert "not evaluated: what the run itself was tripped for, at 3.00 s: the watchdog is gone" in done.stdout
