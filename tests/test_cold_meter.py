"""A multimeter reads ohms and diode tests for a cold sheet, and is not set to them at anything charged."""

from __future__ import annotations

import subprocess
from pathlib import Path

import pytest

from cold_help import sheet_text
from instruments.cold_meter import ColdMeter
from instruments.dialect import load_dialect
from instruments.errors import InstrumentError
from live_help import RAMPGUARD, served_bench
from rampguard.cold.sheet import load_cold_sheet


class _Wire:
    """A multimeter that answers as it was told to, and keeps what it was asked."""

    name = "dmm"

    def __init__(self, *replies: str) -> None:
        self.replies, self.asked, self.closed = list(replies), list[str](), False

    def query(self, text: str, deadline_s: float | None = None) -> str:
        self.asked.append(text)
        return '0,"No error"' if text.endswith("SYST:ERR?") else self.replies.pop(0)

    def write(self, text: str) -> None:
        raise AssertionError(text)

    def close(self) -> None:
        self.closed = True


MULTIMETER = load_dialect("scpi-multimeter")


@pytest.mark.parametrize(
    ("wires", "said", "reads"), [(2, "CONF:RES", "2.2E-1"), (4, "CONF:FRES", "9.9E37"), (4, "CONF:FRES", "1.0E3")]
)
def test_a_meter_is_set_to_ohms_only_where_it_reads_no_volts(wires: int, said: str, reads: str) -> None:
    wire = _Wire("0.5", "0.01", "77", reads)  # the first reading after each change of function is not taken
    assert ColdMeter(wire, MULTIMETER).resistance_ohm(wires=wires) == (float("inf") if "37" in reads else float(reads))
    told = [text.split(";")[0] for text in wire.asked[1:]]
    assert told == ["CONF:VOLT:DC 100", "READ?", "READ?", said, "READ?", "READ?"]


@pytest.mark.parametrize("volts", ["2.01", "-45.0", "9.9E37"])
def test_a_meter_at_something_charged_is_not_set_to_ohms(volts: str) -> None:
    wire = _Wire("0.0", volts)
    with pytest.raises(InstrumentError, match="so it was not set to ohms"):
        ColdMeter(wire, MULTIMETER).diode_v()
    assert not any("DIOD" in text for text in wire.asked)


def test_a_meter_is_put_back_to_volts_at_the_end() -> None:
    wire = _Wire()
    ColdMeter(wire, MULTIMETER).close()
    assert wire.asked[-1].startswith("CONF:VOLT:DC 100")
    assert wire.closed


def test_a_dialect_without_ohms_says_so() -> None:
    with pytest.raises(InstrumentError, match="reads no ohms"):
        ColdMeter(_Wire(), load_dialect("scpi-thermometer"))
    no_four = MULTIMETER.model_copy(update={"cold": MULTIMETER.cold.model_copy(update={"four_wire": None})})  # type: ignore[union-attr]
    with pytest.raises(InstrumentError, match="knows no four-wire ohms; say wires = 2"):
        ColdMeter(_Wire(), no_four).resistance_ohm(wires=4)


def test_the_simulated_multimeter_reads_an_emitter_resistor(tmp_path: Path) -> None:
    path = tmp_path / "cold.toml"
    path.write_text(sheet_text(("left",), {"left": {"re": None}}), encoding="utf-8")
    with served_bench(tmp_path) as bench:
        command = [*RAMPGUARD, "cold", str(path), "--ask", "--bench", str(bench.bench_file)]
        done = subprocess.run(command, input="\n", capture_output=True, text=True, timeout=60)
        assert done.returncode == 0, done.stderr
        assert load_cold_sheet(path).values("re")["left"] == pytest.approx(0.22, rel=0.06)  # four wires: no leads in it
        other = subprocess.run([*command, "--meter", "contactor"], input="", capture_output=True, text=True, timeout=60)
    assert other.returncode == 2
    assert "contactor: reads no ohms" in other.stderr
