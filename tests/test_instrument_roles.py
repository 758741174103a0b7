"""Instruments in their roles, over real sessions: what is sent, what is believed, what is told."""

from __future__ import annotations

import threading
import time
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path

import pytest

from instruments.bench import load_bench_file
from instruments.clock import AcceleratedClock, LockStepClock, WallClock
from instruments.connect import Which, close_bench, connect
from instruments.dialect import load_dialect
from instruments.errors import BadReply, CommandRefused, InstrumentError, LinkError
from instruments.instrument import MOST_QUEUED_ERRORS, ScpiButton, ScpiCutOff, ScpiMeter, ScpiSource, drain_errors
from instruments.roles import OutputState, Position
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.simulated.serve import SimulationOptions, serve
from instruments.visa import Link
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Quantity, Signal, Validity

NOWHERE = Path("none")
IDLE = Signal(Quantity.EMITTER_RESISTOR, "left")


@dataclass
class Served:
    """A served table of canned replies; what was asked is kept."""

    identity: str
    replies: dict[str, str]
    asked: list[str] = field(default_factory=list)

    def __post_init__(self) -> None:
        self.scpi = ScpiInstrument(self.identity, threading.RLock())
        for header in self.replies:
            self.scpi.add(header, self._handler(header))
        self.server = ScpiServer(self.scpi)
        self.link = Link(self.server.resource, name="test", deadline_s=0.3)

    def _handler(self, header: str):  # type: ignore[no-untyped-def]
        def handle(arguments: str) -> str | None:
            self.asked.append(f"{header} {arguments}".strip())
            return self.replies[header] if header.endswith("?") else None

        return handle


@pytest.fixture
def meter() -> Iterator[Served]:
    served = Served(
        "SIMULATED,POWER-METER,0,1",
        {
            "MEASure:VOLTage:AC?": "230.1",
            "MEASure:CURRent:AC?": "0.5",
            "MEASure:POWer?": "60",
            "VOLTage:RANGe": "",
            "VOLTage:RANGe?": "300",
            "CURRent:RANGe": "",
            "CURRent:RANGe?": "5",
        },
    )
    yield served
    served.link.close()
    served.server.close()


def _power_meter(served: Served) -> ScpiMeter:
    return ScpiMeter(
        served.link,
        load_dialect("scpi-power-meter", NOWHERE),
        WallClock(),
        position=Position.AFTER_CUT_OFF,
        ranges={Quantity.LINE_CURRENT: 5.0},
    )


class TestMeter:
    def test_readings_carry_value_bound_time_and_place(self, meter: Served) -> None:
        readings = _power_meter(meter).read()
        assert [r.signal for r in readings] == [LINE_VOLTAGE, LINE_CURRENT, REAL_POWER]
        assert [r.value for r in readings] == [230.1, 0.5, 60.0]
        volts = readings[0]
        # 0.1 % of 230.1 V, 0.05 % of 300 V, half a count of 1 mV
        assert volts.bound == pytest.approx(0.2301 + 0.15 + 0.0005)
        assert volts.asked_s <= volts.time_s
        assert volts.instrument == "test"

    @pytest.mark.parametrize(
        ("reply", "validity"),
        [("9.9E37", Validity.OVER_RANGE), ("9.91E37", Validity.INVALID), ("6.5", Validity.OVER_RANGE)],
    )
    def test_what_is_no_reading_says_so(self, meter: Served, reply: str, validity: Validity) -> None:
        meter.replies["MEASure:CURRent:AC?"] = reply
        current = _power_meter(meter).read()[1]
        assert (current.value, current.validity) == (None, validity)

    @pytest.mark.parametrize("reply", ["garbage", "1;2", ""])
    def test_a_reply_that_cannot_be_ends_the_session(self, meter: Served, reply: str) -> None:
        power_meter = _power_meter(meter)
        power_meter.read()
        meter.replies["MEASure:CURRent:AC?"] = reply
        with pytest.raises(BadReply):
            power_meter.read()
        meter.replies["MEASure:CURRent:AC?"] = "0.5"
        assert power_meter.read()[1].value == 0.5
        assert meter.link.generation == 2

    def test_ranges_are_locked_and_read_back(self, meter: Served) -> None:
        _power_meter(meter).lock_ranges()
        assert "CURRent:RANGe 5" in meter.asked
        meter.replies["CURRent:RANGe?"] = "20"
        with pytest.raises(InstrumentError, match="reads back 20"):
            _power_meter(meter).lock_ranges()

    def test_a_multimeter_reads_what_it_is_wired_to(self) -> None:
        served = Served("SIMULATED,MULTIMETER,0,1", {"READ?": "0.0121"})
        dialect = load_dialect("scpi-multimeter", NOWHERE)
        [reading] = ScpiMeter(served.link, dialect, WallClock(), wired_to=IDLE).read()
        assert (reading.signal, reading.value) == (IDLE, 0.0121)
        with pytest.raises(InstrumentError, match="needs the signal"):
            ScpiMeter(served.link, dialect, WallClock())
        served.link.close()
        served.server.close()


@pytest.fixture
def source() -> Iterator[Served]:
    served = Served(
        "SIMULATED,AC-SOURCE,0,1",
        {
            "VOLTage": "",
            "VOLTage?": "0.0",
            "FREQuency": "",
            "FREQuency?": "50.0",
            "CURRent": "",
            "CURRent?": "1.2",
            "OUTPut:TIMer": "",
            "OUTPut:TIMer?": "900",
            "OUTPut": "",
            "OUTPut?": "0",
        },
    )
    yield served
    served.link.close()
    served.server.close()


def _source(served: Served) -> ScpiSource:
    return ScpiSource(served.link, load_dialect("scpi-ac-source", NOWHERE))


ORDER = {"frequency_hz": 50.0, "current_limit_a": 1.2, "run_time_limit_s": 900.0}


class TestSource:
    def test_it_is_off_and_at_zero_before_anything_is_set(self, source: Served) -> None:
        _source(source).prepare(**ORDER)
        commands = [text for text in source.asked if "?" not in text]
        assert commands == ["OUTPut OFF", "VOLTage 0.0", "FREQuency 50.00", "CURRent 1.200", "OUTPut:TIMer 900"]

    @pytest.mark.parametrize(
        ("query", "reply"), [("OUTPut?", "1"), ("VOLTage?", "12.0"), ("FREQuency?", "60.0"), ("CURRent?", "2.0")]
    )
    def test_what_reads_back_otherwise_is_refused(self, source: Served, query: str, reply: str) -> None:
        source.replies[query] = reply
        with pytest.raises(InstrumentError, match="reads back"):
            _source(source).prepare(**ORDER)

    def test_set_points_are_rounded_to_its_resolution_and_bounded(self, source: Served) -> None:
        _source(source).set_line_voltage(23.456)
        assert source.asked[-1] == "VOLTage 23.5"
        for volts in (-0.1, 270.1, float("nan")):
            with pytest.raises(InstrumentError, match="not between 0 and 270"):
                _source(source).set_line_voltage(volts)

    def test_the_error_queue_is_drained_and_told(self, source: Served) -> None:
        source.scpi.queue_error(-222, "Data out of range")
        source.scpi.queue_error(-113, "Undefined header")
        with pytest.raises(CommandRefused, match="-222, Data out of range; -113, Undefined header"):
            _source(source).set_line_voltage(10.0)
        assert drain_errors(source.link, load_dialect("scpi-ac-source", NOWHERE)) == []

    def test_a_queue_that_never_empties_is_read_so_often_and_no_more(self, source: Served) -> None:
        source.scpi._commands.insert(0, (source.scpi._commands[3][0], lambda _: '-1,"again"'))
        assert len(drain_errors(source.link, load_dialect("scpi-ac-source", NOWHERE))) == MOST_QUEUED_ERRORS

    def test_an_output_that_does_not_come_on_is_told(self, source: Served) -> None:
        with pytest.raises(InstrumentError, match="was switched on and reads back off"):
            _source(source).output_on()


class TestCutOff:
    @pytest.fixture
    def relay(self) -> Iterator[Served]:
        served = Served("SIMULATED,RELAY,0,1", {"ROUTe:OPEN": "", "ROUTe:CLOSe": "", "ROUTe:CLOSe?": "0"})
        yield served
        served.link.close()
        served.server.close()

    def test_off_is_the_first_thing_said(self, relay: Served) -> None:
        cut_off = ScpiCutOff(relay.link, load_dialect("scpi-relay", NOWHERE))
        cut_off.off()
        assert cut_off.state() is OutputState.OFF
        assert relay.asked == ["ROUTe:OPEN (@1)", "ROUTe:CLOSe? (@1)"]

    def test_its_word_decides(self, relay: Served) -> None:
        cut_off = ScpiCutOff(relay.link, load_dialect("scpi-relay", NOWHERE))
        relay.replies["ROUTe:CLOSe?"] = "1"
        assert cut_off.state() is OutputState.ON
        relay.replies["ROUTe:CLOSe?"] = "2"
        with pytest.raises(BadReply, match="neither '0' nor '1'"):
            cut_off.state()

    def test_a_contactor_that_does_not_close_is_told(self, relay: Served) -> None:
        with pytest.raises(InstrumentError, match="was told to close and reads back off"):
            ScpiCutOff(relay.link, load_dialect("scpi-relay", NOWHERE)).close()

    def test_a_dialect_without_the_part_is_refused(self, relay: Served) -> None:
        with pytest.raises(InstrumentError, match="is no source"):
            ScpiSource(relay.link, load_dialect("scpi-relay", NOWHERE))
        with pytest.raises(InstrumentError, match="is no cut-off"):
            ScpiCutOff(relay.link, load_dialect("scpi-multimeter", NOWHERE))


@pytest.fixture
def bench_file(tmp_path: Path) -> Iterator[Path]:
    path, stop = tmp_path / "bench.toml", threading.Event()
    options = SimulationOptions(unit="healthy-amplifier", bench_file=path, lock_step=True)
    server = threading.Thread(target=serve, args=(options, stop), daemon=True)
    server.start()
    while not path.exists():
        stop.wait(0.01)
    yield path
    stop.set()
    server.join(5.0)


class TestButton:
    def test_it_presses_holds_and_lets_go(self) -> None:
        served = Served("SIMULATED,BUTTON,0,1", {"ROUTe:CLOSe": "", "ROUTe:OPEN": ""})
        dialect = load_dialect("scpi-button", NOWHERE)
        assert dialect.button is not None
        began_s = time.monotonic()
        ScpiButton(served.link, dialect).press()
        assert time.monotonic() - began_s >= dialect.button.held_s
        assert served.asked == ["ROUTe:CLOSe (@1)", "ROUTe:OPEN (@1)"]
        served.link.close()
        served.server.close()

    def test_a_dialect_without_a_button_is_none(self, meter: Served) -> None:
        with pytest.raises(InstrumentError, match="no power button"):
            ScpiButton(meter.link, load_dialect("scpi-power-meter", NOWHERE))


class TestConnect:
    def test_a_bench_has_its_roles_each_with_a_session_of_its_own(self, bench_file: Path) -> None:
        bench = connect(load_bench_file(bench_file, NOWHERE))
        assert bench.source is not None
        assert [c.name for c in bench.cut_offs] == ["contactor", "source"]
        assert [m.name for m in bench.meters] == [
            *("power-meter", "idle-meter", "offset-meter", "plus-rail-meter", "minus-rail-meter"),
        ]
        assert bench.button is not None
        assert bench.button.name == "button"
        assert bench.meters[0].position is Position.AFTER_CUT_OFF
        assert isinstance(bench.clock, LockStepClock)
        before_s = bench.clock.now_s()
        bench.clock.sleep(0.1)
        assert bench.clock.now_s() == pytest.approx(before_s + 0.1)
        assert all(r.validity is Validity.VALID for m in bench.meters for r in m.read())
        close_bench(bench)

    def test_the_watchdogs_bench_is_the_cut_offs_and_what_proves_them(self, bench_file: Path) -> None:
        bench = connect(load_bench_file(bench_file, NOWHERE), which=Which.WATCHDOGS)
        assert (bench.source, bench.button) == (None, None)
        assert [m.name for m in bench.meters] == ["power-meter"]
        assert len(bench.cut_offs) == 2
        close_bench(bench)

    def test_an_exclusive_instrument_shares_one_session_and_is_not_the_watchdogs(self, bench_file: Path) -> None:
        text = bench_file.read_text(encoding="utf-8")
        text = text.replace('dialect = "scpi-ac-source"', 'dialect = "scpi-ac-source"\nexclusive = true')
        bench_file.write_text(text, encoding="utf-8")
        bench = connect(load_bench_file(bench_file, NOWHERE))
        assert bench.source is not None
        assert bench.source._link is bench.cut_offs[1]._link  # type: ignore[attr-defined]
        close_bench(bench)
        watchdog = connect(load_bench_file(bench_file, NOWHERE), which=Which.WATCHDOGS)
        assert [c.name for c in watchdog.cut_offs] == ["contactor"]
        close_bench(watchdog)

    def test_what_was_opened_is_closed_when_one_fails(self, bench_file: Path) -> None:
        text = bench_file.read_text(encoding="utf-8")
        text = text.replace("[instruments.contactor]", '[instruments.contactor]\nidentity = "NOT-THIS"')
        bench_file.write_text(text, encoding="utf-8")
        with pytest.raises(LinkError, match="contactor"):
            connect(load_bench_file(bench_file, NOWHERE))


def test_an_accelerated_clock_runs_faster() -> None:
    clock = AcceleratedClock(100.0)
    before_s = clock.now_s()
    clock.sleep(2.0)
    assert 2.0 <= clock.now_s() - before_s < 100.0
