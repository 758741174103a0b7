"""`rampguard sums` as its user meets it: text of 79 columns, one JSON object, exit codes, files."""

from __future__ import annotations

import json
import math
import os
import shlex
import subprocess
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from live_help import RAMPGUARD
from rampguard.cli import main
from rampguard.ramp.plan import load_plan
from rampguard.sums.told import SumError, above_zero, duration, plain, refuse

LINES = [
    ("lamp --nameplate-w 300 --idle-w 25", 0),
    ("lamp --nameplate-w 40 --mains 120/60 --lamp-w 500", 0),
    ("fuse T1.6AL --current-a 8", 0),
    ("fuse T500mAH --multiple 30 --off-s 0.05", 0),
    ("fuse F2AL --current-a 100", 0),
    ("discharge --capacitance-uf 10000 --charged-v 65 --resistor-ohm 100", 0),
    ("discharge --capacitance-uf 220 --charged-v 450 --within-s 5", 0),
    ("discharge --capacitance-uf 1 --mains 230/50 --resistor-ohm 1e6", 0),
    ("discharge --capacitance-uf 1 --mains 230/50 --resistor-ohm 1e7", 2),
    ("reform --capacitance-uf 47 --rated-v 450", 0),
    ("reform --capacitance-uf 10000 --rated-v 63 --to-v 45 --fed-by transformer", 0),
    ("soft-start --resistor-ohm 47 --rating-w 10 --reservoir-uf 10000 --rail-v 45 --idle-w 150", 0),
    ("touch class-ii --reading normal/on=62mV", 2),
    ("touch class-ii", 2),
]


@pytest.mark.parametrize(("line", "code"), LINES)
def test_text_fits_and_begins_with_the_answer(line: str, code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sums", *shlex.split(line)]) == code
    out, err = capsys.readouterr()
    assert err == ""
    assert max(map(len, out.splitlines())) <= 79
    assert out.index("\nHow:\n") < out.index("\nMind:\n")
    assert "nan" not in out.lower().split()


@pytest.mark.parametrize(("line", "code"), LINES)
def test_json_is_one_object_and_nothing_else(line: str, code: int, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["sums", *shlex.split(line), "--json"]) == code
    out, err = capsys.readouterr()
    message = json.loads(out)
    assert (message["format"], message["sum"], err) == (1, line.split()[0], "")
    assert all(step["said"] and step["source"] for step in message["how"])
    assert message["answer"]
    assert message["cautions"]


@pytest.mark.parametrize(
    ("line", "said"),
    [
        ("fuse T2A --current-a 3", "L (low"),
        ("fuse T7AL --current-a 3", "no gates"),
        ("lamp --nameplate-w 30 --idle-w 40", "more than the nameplate"),
        ("discharge --capacitance-uf 1 --charged-v 30 --within-s 1", "already"),
        ("reform --capacitance-uf 1 --rated-v 30 --fed-by switch-mode", "never by the variac"),
        ("reform --capacitance-uf 1 --rated-v 30 --plan x.toml", "--fed-by transformer"),
        ("soft-start --resistor-ohm 47 --rating-w 10 --reservoir-uf 1 --rail-v 45 --idle-w 40 --rails 0", "rails"),
        ("touch class-ii --reading normal/on=62", "with its unit"),
    ],
)
def test_bad_input_is_refused_with_what_to_do(
    line: str, said: str, capsys: pytest.CaptureFixture[str], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.chdir(tmp_path)
    assert main(["sums", *shlex.split(line)]) == 2
    out, err = capsys.readouterr()
    assert out == ""
    assert said in err
    assert not list(tmp_path.iterdir())


@pytest.mark.parametrize(
    "line",
    [
        "lamp --nameplate-w nan",
        "lamp --nameplate-w -3",
        "fuse T2AL",
        "fuse T2AL --current-a 1 --multiple 2",
        "discharge --capacitance-uf 1 --charged-v 30 --mains 230/50 --within-s 1",
        "discharge --capacitance-uf 0 --charged-v 30 --within-s 1",
        "touch class-iii",
        "",
    ],
)
def test_bad_usage_exits_2(line: str, capsys: pytest.CaptureFixture[str]) -> None:
    with pytest.raises(SystemExit) as exited:
        main(["sums", *shlex.split(line)])
    assert exited.value.code == 2


def test_a_plan_is_written_once_and_never_over_another(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    file = tmp_path / "reform.toml"
    line = [
        "sums",
        "reform",
        "--capacitance-uf",
        "470",
        "--rated-v",
        "63",
        "--fed-by",
        "transformer",
        "--plan",
        str(file),
    ]
    assert main([*line, "--mains", "120/60"]) == 0
    assert load_plan(file).mains.voltage_v == 120.0
    before = file.read_bytes()
    assert main(line) == 2
    assert file.read_bytes() == before
    assert main([*line[:-1], str(tmp_path / "none" / "x.toml")]) == 2
    assert "choose another place" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("value", "said"),
    [(0.0, "0"), (1234.5, "1234"), (0.012345, "0.0123"), (150.0, "150"), (100.0, "100"), (2.0, "2"), (-3.456, "-3.46")],
)
def test_three_digits_and_no_powers_of_ten(value: float, said: str) -> None:
    assert plain(value) == said


@settings(deadline=None)
@given(st.floats(1e-6, 1e7))
def test_plain_is_the_number_to_half_a_percent(value: float) -> None:
    assert "e" not in plain(value)
    assert float(plain(value)) == pytest.approx(value, rel=0.0051)


@pytest.mark.parametrize(
    ("seconds", "said"),
    [(0.0, "0 ms"), (0.045, "45 ms"), (1.0, "1 s"), (119.0, "119 s"), (300.0, "5 min"), (7200.0, "2 h")],
)
def test_times_in_the_unit_that_suits(seconds: float, said: str) -> None:
    assert duration(seconds) == said


@settings(deadline=None)
@given(st.one_of(st.floats(max_value=0.0), st.just(math.nan), st.just(math.inf)))
def test_what_is_not_above_zero_is_named(value: float) -> None:
    [problem] = above_zero(some_v=value, other_v=1.0, not_given_v=None)
    assert problem.startswith("some_v = ")
    with pytest.raises(SumError):
        refuse([problem])


def test_a_reader_that_has_gone_is_no_traceback() -> None:
    reader, writer = os.pipe()
    os.close(reader)
    line = [*RAMPGUARD, "sums", "lamp", "--nameplate-w", "300"]
    done = subprocess.run(line, stdout=writer, stderr=subprocess.PIPE, text=True, timeout=60)
    os.close(writer)
    assert (done.returncode, done.stderr) == (1, "")
