"""What docs/sums.md says of the sums is what they say: worked figures, gates, limits."""

from __future__ import annotations

import re
import shlex
from pathlib import Path

import pytest

from rampguard.cli import main
from rampguard.sums.gates import TABLE, Gate
from rampguard.sums.told import duration
from rampguard.sums.touch import LIMITS

PAGE = (Path(__file__).resolve().parent.parent / "docs" / "sums.md").read_text(encoding="utf-8")
WORKED = {
    "lamp --nameplate-w 300 --idle-w 30": ("150 W", "0.652 A", "209 to 219 V"),
    "fuse T1.6AL --current-a 8": ("20 ms", "3 s"),
    "discharge --capacitance-uf 10000 --charged-v 65 --resistor-ohm 100": ("80 ms", "3.48 s", "42.2 W", "21.1 J"),
    "discharge --capacitance-uf 1 --mains 230/50 --resistor-ohm 1e6": ("44 V",),
    "reform --capacitance-uf 47 --rated-v 450": ("100 kohm",),
    "soft-start --resistor-ohm 47 --rating-w 10 --reservoir-uf 10000 --rail-v 45 --idle-w 150": (
        "20.2 J",
        "6.92 A",
        "63.7 W",
        "3.72 s",
    ),
    "touch class-ii --reading normal/on=62mV --reading normal/off=58mV --reading reversed/on=71mV"
    " --reading reversed/off=65mV": ("0.142 mA", "passed"),
}


@pytest.mark.parametrize(("line", "figures"), WORKED.items())
def test_worked_examples(line: str, figures: tuple[str, ...], capsys: pytest.CaptureFixture[str]) -> None:
    assert f"rampguard sums {line}\n" in PAGE
    assert main(["sums", *shlex.split(line)]) == 0
    said, page = " ".join(capsys.readouterr().out.split()), " ".join(PAGE.split())
    for figure in figures:
        assert figure in said
        assert figure in page


def test_every_sum_has_its_example() -> None:
    shown = {line.split()[2] for line in re.findall(r"^rampguard sums .*$", PAGE, re.MULTILINE)}
    assert shown == set(re.findall(r"^\| `([a-z-]+)` \| [^0-9]", PAGE, re.MULTILINE))


def _cell(gate: Gate | None) -> str:
    if gate is None:
        return ""
    return " / ".join("-" if seconds is None else duration(seconds) for seconds in (gate.least_s, gate.longest_s))


def test_the_table_of_gates_is_the_code() -> None:
    rows = [line.strip("|").split("|") for line in PAGE.splitlines() if re.match(r"\| [TF], [LH]", line)]
    told = [row for row in TABLE if row.sheet != 2]  # sheets 1 and 2 are one row
    assert len(rows) == len(told)
    for cells, row in zip(rows, told, strict=True):
        by_multiple = {gate.multiple: gate for gate in row.gates}
        for multiple, cell in zip((1.5, 2.1, 2.75, 4, 10), cells[1:6], strict=True):
            assert cell.strip() in (_cell(by_multiple.get(multiple)), "-", "not stated")
            assert (multiple in by_multiple) == (cell.strip() not in ("-", "not stated"))
        if row.sheet not in (1, 2):
            assert f"{row.from_a:g} to {row.to_a:g} A" in cells[0]


def test_the_table_of_limits_is_the_code() -> None:
    rows = dict(re.findall(r"^\| `([a-z0-9-]+)` \| (\d.*?) \|", PAGE, re.MULTILINE))
    assert rows == {name: f"{limit.ma:g} {'peak' if limit.peak else 'rms'}" for name, limit in LIMITS.items()}
