"""Against a SCPI server that no one here wrote, scpipy 1.5.1 (MIT, from PyPI): identify, read, set, drop, come back.

Its parser, its framing and its error queue are its own; what the commands do is in `others_source`. Modbus against
pymodbus's servers is in `test_transports`.
"""

from __future__ import annotations

import socket
import subprocess
import sys
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import pytest

from instruments.clock import WallClock
from instruments.dialect import load_dialect
from instruments.errors import InstrumentError, LinkError, LinkTimeout, WrongInstrument
from instruments.instrument import ScpiCutOff, ScpiMeter, ScpiSource, command
from instruments.roles import OutputState
from instruments.visa import Link
from live_help import wait_until

NOWHERE = Path("/nowhere")
SERVER = Path(__file__).resolve().parent / "others_source.py"


@contextmanager
def served(port: int) -> Iterator[None]:
    """The source on that port, until the context ends."""
    process = subprocess.Popen([sys.executable, str(SERVER), str(port)])
    try:
        wait_until(lambda: _listens(port), 20.0, lambda: process.poll() is not None)
        yield
    finally:
        process.kill()
        process.wait()


def _listens(port: int) -> bool:
    try:
        socket.create_connection(("127.0.0.1", port), 0.2).close()
    except OSError:
        return False
    return True


@pytest.fixture
def port() -> int:
    with socket.create_server(("127.0.0.1", 0)) as listener:
        return int(listener.getsockname()[1])


def link(port: int, identity: str = "AC-SOURCE") -> Link:
    return Link(f"TCPIP0::127.0.0.1::{port}::SOCKET", name="source", identity=identity)


def test_identify_read_set_drop_and_come_back(port: int) -> None:
    dialect, wire = load_dialect("scpi-ac-source", NOWHERE), link(port)
    source, cut_off = ScpiSource(wire, dialect), ScpiCutOff(wire, dialect)
    meter = ScpiMeter(wire, dialect, WallClock())
    with served(port):
        source.prepare(frequency_hz=60.0, current_limit_a=2.5, run_time_limit_s=120.0)  # each is read back
        assert wire.query("FREQ?") == "60"
        source.output_on()
        source.set_line_voltage(23.46)
        volts, amperes, watts = meter.read()
        assert (volts.value, amperes.value) == (pytest.approx(23.5), pytest.approx(0.25))
        assert watts.value is None, "SCPI's not-a-number is no reading"
        cut_off.off()
        assert cut_off.state() is OutputState.OFF
        # This one throws the rest of a line away after a command that it does not know, so that nothing is answered:
        # no worse than a refusal, since the session is opened anew.
        with pytest.raises(LinkTimeout, match="NONSense"):
            command(wire, dialect, "NONSense 1")
    with pytest.raises(LinkError):
        meter.read()
    with served(port):
        assert meter.read()[0].value == pytest.approx(0.0)
        assert wire.generation == 2, "that there was a gap must show"
        wire.close()


def test_it_is_not_taken_for_another(port: int) -> None:
    with served(port):
        with pytest.raises(WrongInstrument, match="SOMEBODY"):
            link(port, "POWER-METER").open()
        source = ScpiSource(link(port), load_dialect("scpi-ac-source", NOWHERE))
        with pytest.raises(InstrumentError, match="not between 0 and 270"):
            source.set_line_voltage(400.0)
