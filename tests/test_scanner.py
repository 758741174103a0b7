"""A scanner reads one input after the other; sensors of temperature are turned into degrees."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path

import pytest

from instruments.bench import load_bench_file
from instruments.dialect import Dialect, load_dialect
from instruments.errors import BenchFileError, InstrumentError
from instruments.instrument import ScpiMeter
from instruments.simulated.bench_text import scanned
from instruments.simulated.serve import SimulationOptions, fleet_of
from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from instruments.temperature import pt100_ohm, type_k_mv
from rampguard.engine.acquire import read_once
from rampguard.quantities import Quantity, Signal, Validity

LEFT, RIGHT = (Signal(Quantity.EMITTER_RESISTOR, name) for name in ("left", "right"))
OFFSET = Signal(Quantity.DC_OFFSET, "left")


@dataclass
class Told:
    """A wire that keeps what it was told, and answers as it is told to."""

    answers: dict[str, str]
    name: str = "meter"
    said: list[str] = field(default_factory=list)

    def query(self, text: str, deadline_s: float | None = None) -> str:
        """The answer."""
        self.said.append(text)
        return self.answers.get(text, '0,"No error"')

    def write(self, text: str) -> None:
        """Kept."""
        self.said.append(text)

    def close(self) -> None:
        """Nothing."""


class Still:
    """A clock that stands."""

    def now_s(self) -> float:
        """Nought."""
        return 0.0

    def sleep(self, duration_s: float) -> None:
        """Nothing."""


def _scanner(wire: Told) -> ScpiMeter:
    return ScpiMeter(
        wire,
        load_dialect("scpi-scanner"),
        Still(),
        wired_to={"101": LEFT, "102": RIGHT, "201": OFFSET},
        ranges={Quantity.EMITTER_RESISTOR: 0.1, Quantity.DC_OFFSET: 10.0},
    )


def test_one_input_a_reading_in_turn() -> None:
    wire = Told({f"ROUT:CLOS (@{n});:READ?": f"{value}" for n, value in ((101, 0.01), (102, 0.02), (201, 0.3))})
    meter = _scanner(wire)
    read = [meter.read() for _ in range(4)]
    assert [[(r.signal, r.value) for r in each] for each in read] == [
        [(LEFT, 0.01)],
        [(RIGHT, 0.02)],
        [(OFFSET, 0.3)],
        [(LEFT, 0.01)],
    ]
    assert meter.signals == (LEFT, RIGHT, OFFSET)


def test_each_input_has_its_own_range_locked_and_read_back() -> None:
    wire = Told({"VOLT:DC:RANG? (@101)": "0.1", "VOLT:DC:RANG? (@102)": "0.1", "VOLT:DC:RANG? (@201)": "10"})
    _scanner(wire).lock_ranges()
    assert any("CONF:VOLT:DC 0.1,(@101)" in said for said in wire.said)
    assert any("CONF:VOLT:DC 10,(@201)" in said for said in wire.said)
    wire.answers["VOLT:DC:RANG? (@201)"] = "100"
    with pytest.raises(InstrumentError, match="dc_offset_left_v: range 10"):
        _scanner(wire).lock_ranges()


def test_the_simulated_scanner_reads_what_each_input_is_wired_to(tmp_path: Path) -> None:
    options = SimulationOptions(unit="seven-channel-receiver", bench_file=tmp_path / "bench.toml", scanner=True)
    world = World(make_unit(options.unit, 1, 230.0, 50.0), 230.0, 50.0)
    scanner = fleet_of(world, options)["scanner"]
    inputs = scanned(world.unit)
    assert len(inputs) == 21
    world.set_contactor(closed=True)
    world.set_output(on=True)
    world.set_voltage(230.0)
    world.advance(1.0)
    world.press_power()
    world.advance(3.0)
    for number, signal in inputs.items():
        seen = float(scanner.execute(f"ROUT:CLOS (@{number});:READ?") or "nan")
        assert seen == pytest.approx(world.window.dc[signal], abs=0.02)
    assert float(scanner.execute("ROUT:CLOS (@101);:READ?") or "nan") > 0.005
    scanner.execute("ROUT:CLOS (@999)")
    assert "-222" in (scanner.execute("SYST:ERR?") or "")


BENCH = """
format = 1
title = "Scanner"
off_floor_v = 5.0

[mains]
voltage_v = 230.0
frequency_hz = 50.0

[instruments.power-meter]
dialect = "scpi-power-meter"
resource = "TCPIP0::127.0.0.1::5001::SOCKET"
position = "after-cut-off"

[instruments.scanner]
dialect = "scpi-scanner"
resource = "TCPIP0::127.0.0.1::5002::SOCKET"
{scanner}

[instruments.contactor]
dialect = "scpi-relay"
resource = "TCPIP0::127.0.0.1::5003::SOCKET"

[roles]
line_meters = ["power-meter"]
dc_meters = ["scanner"]
cut_off = ["contactor"]
"""


@pytest.mark.parametrize(
    ("lines", "wanted"),
    [
        ("", "inputs: missing"),
        ('inputs = { left = "emitter_resistor_left_v" }', "an input is a number"),
        ('inputs = { 101 = "emitter_resistor_left" }', "nothing that a DC meter reads"),
        ('inputs = { 101 = "line_voltage_v" }', "nothing that a DC meter reads"),
        ('inputs = { 101 = "dc_offset_left_v", 102 = "dc_offset_left_v" }', "is input 101 already"),
        ('inputs = { 101 = "dc_offset_left_v" }\nmeasures = "rail"\nchannel = "plus"', "belong to a multimeter"),
        ('inputs = { 101 = "dc_offset_left_v" }\nranges = { rail = 10.0 }', "it does not measure that"),
    ],
)
def test_what_is_wrong_with_its_inputs_is_said(tmp_path: Path, lines: str, wanted: str) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.format(scanner=lines), encoding="utf-8")
    with pytest.raises(BenchFileError, match=wanted):
        load_bench_file(path)


def test_a_bench_file_with_a_scanner_is_read(tmp_path: Path) -> None:
    path = tmp_path / "bench.toml"
    lines = 'inputs = { 101 = "emitter_resistor_left_v" }\nranges = { emitter_resistor = 0.1 }'
    path.write_text(BENCH.format(scanner=lines), encoding="utf-8")
    assert load_bench_file(path).instruments["scanner"].wired_to == {"101": LEFT}
    with pytest.raises(BenchFileError, match="clip all of them to one"):
        load_bench_file(path).clipped_to("right")


def _thermometer(unit: str, sensor: str, reference_degc: float = 0.0) -> Dialect:
    return Dialect.model_validate(
        {
            "format": 1,
            "name": "sensor",
            "title": "a sensor on a multimeter",
            "measurements": [
                {
                    "quantity": "as-wired",
                    "query": "READ?",
                    "unit": unit,
                    "measuring_time_s": 0.1,
                    "sensor": sensor,
                    "reference_degc": reference_degc,
                    "ranges": [{"full": 1000.0, "absolute": 0.05}],
                }
            ],
        }
    )


SINK = Signal(Quantity.TEMPERATURE, "heat-sink")


def test_a_thermocouple_read_in_millivolts_and_a_pt100_read_in_ohms_are_degrees() -> None:
    """Type K at 100 degC against 0: 4.096 mV (ITS-90 table); Pt100 at 100 degC: 138.51 ohm (IEC 60751)."""
    [couple] = ScpiMeter(Told({"READ?": "4.096"}), _thermometer("mV", "type-k"), Still(), wired_to=SINK).read()
    assert couple.value == pytest.approx(100.0, abs=0.02)
    # 0.05 mV are some 1.2 K at 41 uV/K.
    assert couple.bound == pytest.approx(1.2, abs=0.05)
    [resistor] = ScpiMeter(Told({"READ?": "138.51"}), _thermometer("ohm", "pt100"), Still(), wired_to=SINK).read()
    assert resistor.value == pytest.approx(100.0, abs=0.03)
    assert resistor.bound == pytest.approx(0.05 / 0.379, rel=0.02)


def test_the_couples_other_end_counts() -> None:
    dialect = _thermometer("mV", "type-k", reference_degc=22.0)
    [read] = ScpiMeter(
        Told({"READ?": f"{type_k_mv(60.0) - type_k_mv(22.0):.6f}"}), dialect, Still(), wired_to=SINK
    ).read()
    assert read.value == pytest.approx(60.0, abs=0.01)


def test_an_open_sensor_is_no_temperature() -> None:
    [read] = ScpiMeter(Told({"READ?": "900"}), _thermometer("ohm", "pt100"), Still(), wired_to=SINK).read()
    assert (read.value, read.validity) == (None, Validity.INVALID)
    assert pt100_ohm(850.0) < 900.0


@pytest.mark.parametrize(("unit", "sensor"), [("ohm", "type-k"), ("mV", "pt100"), ("degC", "pt100")])
def test_a_sensor_gives_what_it_gives(unit: str, sensor: str) -> None:
    with pytest.raises(ValueError, match="is not what a"):
        _thermometer(unit, sensor)


@pytest.mark.parametrize(
    ("dialect", "lines", "wanted"),
    [
        ("scpi-multimeter", 'measures = "temperature"\nchannel = "heat-sink"', "reads V, but temperature is in degC"),
        ("scpi-thermometer", 'measures = "rail"\nchannel = "plus"', "reads degC, but rail is in V"),
    ],
)
def test_what_it_is_wired_to_is_in_the_unit_that_it_reads(
    tmp_path: Path, dialect: str, lines: str, wanted: str
) -> None:
    path = tmp_path / "bench.toml"
    path.write_text(BENCH.format(scanner=lines).replace("scpi-scanner", dialect), encoding="utf-8")
    with pytest.raises(BenchFileError, match=wanted):
        load_bench_file(path)


def test_a_reply_that_is_lost_is_of_the_input_that_was_asked_for() -> None:
    wire = Told({"ROUT:CLOS (@101);:READ?": "0.01", "ROUT:CLOS (@102);:READ?": "what"})
    meter = _scanner(wire)
    assert [reading.value for reading in read_once(meter, Still()).readings] == [0.01]
    batch = read_once(meter, Still())
    assert [(reading.signal, reading.validity) for reading in batch.readings] == [(RIGHT, Validity.MISSING)]
    assert batch.problem
