"""Transports over their real protocols: serial lines over pseudo-terminals, streams, Modbus TCP and RTU.

The Modbus servers are pymodbus's own, which no one here wrote.
"""

from __future__ import annotations

import asyncio
import os
import struct
import sys
import threading
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest
from pymodbus.server import ModbusSerialServer, ModbusTcpServer
from pymodbus.simulator import DataType, SimData, SimDevice

from instruments.clock import WallClock
from instruments.connect import session_of
from instruments.dialect import Dialect, parse_dialect
from instruments.errors import BadReply, BenchFileError, LinkError, LinkLost, LinkTimeout
from instruments.instrument import ScpiCutOff, ScpiMeter
from instruments.modbus import BadRegister, Registers, all_registers_of, registers_of, write_of
from instruments.roles import OutputState
from instruments.simulated.scpi_server import ScpiInstrument
from instruments.simulated.wires import SerialServer
from instruments.visa import Link
from rampguard.quantities import Quantity, Signal, Validity

if sys.platform == "win32":
    pytest.skip("pseudo-terminals are not there on Windows", allow_module_level=True)

import pty
import tty

RAIL = Signal(Quantity.RAIL, "plus")


def dialect(text: str) -> Dialect:
    return parse_dialect(f'format = 1\nname = "mine"\ntitle = "Mine"\n{text}'.encode(), Path("mine.toml"))


def link(resource: str, spoken: Dialect) -> Link:
    return Link(
        resource,
        name="meter",
        deadline_s=spoken.link.reply_deadline_s,
        identity=spoken.identity,
        identity_query=spoken.link.identity_query,
        open_session=lambda: session_of(resource, spoken.link),
    )


class Terminal:
    """One end of a serial line; the other is ``resource``."""

    def __init__(self) -> None:
        self.near, far = pty.openpty()
        tty.setraw(far)
        self.device = os.ttyname(far)
        self._far = far
        self.resource = f"ASRL{self.device}::INSTR"

    def close(self) -> None:
        for descriptor in (self.near, self._far):
            os.close(descriptor)


@pytest.fixture
def terminal() -> Iterator[Terminal]:
    made = Terminal()
    yield made
    made.close()


# -- serial ------------------------------------------------------------------------------------------------------------

MULTIMETER = """
identity = "METER"
[link]
exclusive = true
serial = { baud_rate = 19200 }
[[measurements]]
quantity = "as-wired"
query = "READ?"
unit = "mV"
measuring_time_s = 0.1
ranges = [{ full = 50000.0, percent_of_reading = 0.1 }]
"""


def test_a_meter_on_a_serial_line() -> None:
    instrument = ScpiInstrument("SIMULATED,METER,0,1", threading.RLock())
    instrument.add("READ?", lambda _: "12345.0")
    server = SerialServer(instrument)
    spoken = dialect(MULTIMETER)
    wire = link(server.resource, spoken)
    meter = ScpiMeter(wire, spoken, WallClock(), wired_to=RAIL)
    (reading,) = meter.read()
    assert (reading.value, reading.validity) == (pytest.approx(12.345), Validity.VALID)
    assert "METER" in wire.identified_as
    wire.close()
    server.close()


def test_a_serial_line_on_which_nobody_answers(terminal: Terminal) -> None:
    spoken = dialect(MULTIMETER)
    with pytest.raises(LinkTimeout):
        link(terminal.resource, spoken).open()


def test_a_serial_line_that_is_not_there() -> None:
    spoken = dialect(MULTIMETER)
    with pytest.raises(LinkLost, match="nowhere"):
        link("ASRL/dev/nowhere::INSTR", spoken).open()


STREAMING = r"""
[link]
kind = "streaming"
read_terminator = "\r\n"
reply_deadline_s = 1.0
[[measurements]]
quantity = "as-wired"
query = "newest line"
pattern = 'DC\s*([+-]?[0-9.]+)\s*V'
over_range_reply = "OL"
unit = "V"
measuring_time_s = 0.3
ranges = [{ full = 60.0, percent_of_reading = 0.5, resolution = 0.01 }]
"""


def test_a_streaming_multimeter_gives_its_newest_whole_line(terminal: Terminal) -> None:
    os.write(terminal.near, b"DC 99.00 V\r\nDC 98.0")  # before it was opened: of any age
    spoken = dialect(STREAMING)
    wire = link(terminal.resource, spoken)
    wire.open()
    meter = ScpiMeter(wire, spoken, WallClock(), wired_to=RAIL)
    os.write(terminal.near, b"0 V\r\nDC 1.00 V\r\nDC 2.00 V\r\nDC 3.0")
    time.sleep(0.1)
    assert meter.read()[0].value == pytest.approx(2.0)
    os.write(terminal.near, b"0 V\r\n")
    assert meter.read()[0].value == pytest.approx(3.0)
    os.write(terminal.near, b"DC  OL V\r\n")
    assert meter.read()[0].validity is Validity.OVER_RANGE
    os.write(terminal.near, b"HELLO\r\n")
    with pytest.raises(BadReply, match="does not look like"):
        meter.read()


def test_a_stream_that_stops_is_a_lost_link_and_comes_back(terminal: Terminal) -> None:
    spoken = dialect(STREAMING.replace("reply_deadline_s = 1.0", "reply_deadline_s = 0.2"))
    wire = link(terminal.resource, spoken)
    meter = ScpiMeter(wire, spoken, WallClock(), wired_to=RAIL)
    with pytest.raises(LinkError):
        meter.read()
    stop = threading.Event()

    def stream() -> None:
        while not stop.wait(0.02):
            os.write(terminal.near, b"DC 5.00 V\r\n")

    thread = threading.Thread(target=stream)
    thread.start()
    try:
        assert meter.read()[0].value == pytest.approx(5.0)
        assert wire.generation >= 2, "that there was a gap must show"
    finally:
        stop.set()
        thread.join()
        wire.close()


# -- Modbus ------------------------------------------------------------------------------------------------------------


def words(value: float) -> list[int]:
    return list(struct.unpack(">HH", struct.pack(">f", value)))


def device() -> SimDevice:
    high, low = words(229.5)
    return SimDevice(
        id=1,
        simdata=(
            [SimData(0, values=[False] * 16, datatype=DataType.BITS)],
            [SimData(0, values=[True] + [False] * 15, datatype=DataType.BITS)],
            [SimData(0, values=[7, 65535, 0, 0, 0, 0], datatype=DataType.REGISTERS)],
            [SimData(0, values=[high, low, *reversed(words(1.25)), 0xFFFF, 0xFF38], datatype=DataType.REGISTERS)],
        ),
    )


@contextmanager
def served(make: Callable[[], ModbusTcpServer | ModbusSerialServer]) -> Iterator[Callable[[], None]]:
    """A pymodbus server in a thread of its own; the context's value stops it."""
    loop = asyncio.new_event_loop()
    ready = threading.Event()
    made: list[ModbusTcpServer | ModbusSerialServer] = []

    async def serve() -> None:
        made.append(make())
        await made[0].listen()
        ready.set()

    def run() -> None:
        asyncio.set_event_loop(loop)
        loop.run_until_complete(serve())
        loop.run_forever()

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(5.0)
    stopped = threading.Event()

    def stop() -> None:
        if not stopped.is_set():
            stopped.set()
            asyncio.run_coroutine_threadsafe(made[0].shutdown(), loop).result(5.0)
            loop.call_soon_threadsafe(loop.stop)
            thread.join(5.0)
            loop.close()

    try:
        yield stop
    finally:
        stop()


def free_port() -> int:
    import socket

    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


MODBUS = """
[link]
kind = "modbus"
reply_deadline_s = 0.5
[[measurements]]
quantity = "line_voltage"
query = "input 0 float32"
unit = "V"
measuring_time_s = 0.2
ranges = [{ full = 300.0, percent_of_reading = 0.5 }]
[[measurements]]
quantity = "line_current"
query = "input 2 float32 low"
unit = "A"
measuring_time_s = 0.2
ranges = [{ full = 10.0, percent_of_reading = 0.5 }]
[[measurements]]
quantity = "real_power"
query = "input 4 int32 * -0.1"
unit = "W"
measuring_time_s = 0.2
ranges = [{ full = 3000.0, percent_of_reading = 1.0 }]
[cut_off]
off = "coil 3 = 0"
close = "coil 3 = 1"
query = "coil 3"
off_reply = "0"
on_reply = "1"
"""


def test_registers_of_one_moment_are_read_in_one_go() -> None:
    port = free_port()
    spoken = dialect(MODBUS)
    with served(lambda: ModbusTcpServer(device(), address=("127.0.0.1", port))):
        wire = link(f"MODBUS-TCP::127.0.0.1::{port}::1", spoken)
        assert wire.query("input 0 float32;input 2 float32 low;input 4 int32 * -0.1") == "229.5;1.25;20"
        wire.close()
    for text in ("input 0 float32;holding 0 uint16", "coil 0;coil 1", "input 0 uint16;input 200 uint16"):
        with pytest.raises(BadRegister, match="in one go"):
            all_registers_of(text)


def check_modbus(resource: str) -> Link:
    spoken = dialect(MODBUS)
    wire = link(resource, spoken)
    values = [reading.value for reading in ScpiMeter(wire, spoken, WallClock()).read()]
    assert values == [pytest.approx(229.5), pytest.approx(1.25), pytest.approx(20.0)]
    relay = ScpiCutOff(wire, spoken)
    relay.close()
    assert relay.state() is OutputState.ON
    relay.off()
    assert relay.state() is OutputState.OFF
    return wire


def test_a_meter_and_a_relay_over_modbus_tcp_that_drop_and_come_back() -> None:
    port = free_port()
    resource = f"MODBUS-TCP::127.0.0.1::{port}::1"
    with served(lambda: ModbusTcpServer(device(), address=("127.0.0.1", port))) as stop:
        wire = check_modbus(resource)
        stop()
        with pytest.raises(LinkError):
            wire.query("coil 3")
    with pytest.raises(LinkLost, match="nobody answers"):
        wire.query("coil 3")
    with served(lambda: ModbusTcpServer(device(), address=("127.0.0.1", port))):
        assert wire.query("coil 3") == "0"
        assert wire.generation == 2
        with pytest.raises(BadReply, match="refused"):
            wire.query("input 900 uint16")
        wire.close()


@contextmanager
def joined(a: Terminal, b: Terminal) -> Iterator[None]:
    """Two serial lines, their near ends joined."""

    def pump(source: int, target: int) -> None:
        try:
            while data := os.read(source, 1024):
                os.write(target, data)
        except OSError:
            return

    for source, target in ((a.near, b.near), (b.near, a.near)):
        threading.Thread(target=pump, args=(source, target), daemon=True).start()
    yield


def test_a_meter_and_a_relay_over_modbus_rtu() -> None:
    ours, theirs = Terminal(), Terminal()
    try:
        with (
            joined(ours, theirs),
            served(lambda: ModbusSerialServer(device(), port=theirs.device, baudrate=9600)),
        ):
            check_modbus(f"MODBUS-RTU::{ours.device}::1").close()
    finally:
        ours.close()
        theirs.close()


def test_a_mute_modbus_unit_is_a_time_out_within_its_deadline(terminal: Terminal) -> None:
    wire = link(f"MODBUS-RTU::{terminal.device}::1", dialect(MODBUS))
    began_s = time.monotonic()
    with pytest.raises(LinkError):
        wire.query("input 0 float32")
    assert time.monotonic() - began_s < 2.5


@pytest.mark.parametrize(
    ("text", "expected"),
    [
        ("input 0 float32", Registers("input", 0, "float32")),
        ("holding 6 uint32 low * 0.01", Registers("holding", 6, "uint32", low_first=True, factor=0.01)),
        ("discrete 12", Registers("discrete", 12)),
    ],
)
def test_register_lines(text: str, expected: Registers) -> None:
    assert registers_of(text) == expected
    assert expected.count == (2 if expected.kind.endswith("32") else 1)


@pytest.mark.parametrize(
    "text", ["", "input 0", "input 70000 uint16", "coil 1 float32", "holding 1 uint16 * 0", "*IDN?"]
)
def test_lines_that_name_no_register(text: str) -> None:
    with pytest.raises(BadRegister):
        registers_of(text)


@pytest.mark.parametrize("text", ["coil 0 = 2", "holding 1 = 65536", "input 0 = 1", "coil 70000 = 1", "coil 0"])
def test_lines_that_set_nothing(text: str) -> None:
    with pytest.raises(BadRegister):
        write_of(text)
    assert write_of("holding 4 = 256") == ("holding", 4, 256)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ('query = "input 0 float32"|query = "MEAS?"', "names no register"),
        ('off = "coil 3 = 0"|off = "OUTP OFF"', "sets nothing"),
        ("format = 1|format = 1", ""),
    ],
)
def test_a_modbus_dialect_is_checked_before_anything_is_spoken(change: str, says: str) -> None:
    old, _, new = change.partition("|")
    if not says:
        assert dialect(MODBUS).link.identity_query == ""
        return
    with pytest.raises(BenchFileError, match=says):
        dialect(MODBUS.replace(old, new))


@pytest.mark.parametrize(
    ("text", "says"),
    [
        (STREAMING.replace("([+-]?[0-9.]+)", "[+-]?[0-9.]+"), "has 0 groups"),
        (STREAMING.replace("([+-]?", "([+-]?("), "no regular expression"),
        ('identity = "X"\n' + STREAMING, "give both or neither"),
    ],
)
def test_a_streaming_dialect_is_checked(text: str, says: str) -> None:
    with pytest.raises(BenchFileError, match=says):
        dialect(text)
