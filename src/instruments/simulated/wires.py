"""Simulated instruments behind other wires than a socket: a serial line (a pseudo-terminal), Modbus over TCP.

The Modbus server is pymodbus's. What is measured and switched is the same as over a socket: the instrument's own SCPI.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import struct
import threading
from collections.abc import Mapping
from typing import Any, Final, Protocol

from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer

START_S: Final = 5.0
REGISTERS: Final = 6
READS: Final = ("MEAS:VOLT:AC?", "MEAS:CURR:AC?", "MEAS:POW?")
"""What a power meter's input registers hold, two a float, high word first."""
OPENS, CLOSES, ASKS = "ROUT:OPEN (@1)", "ROUT:CLOS (@1)", "ROUT:CLOS? (@1)"
"""What a relay board's first coil is."""
INPUTS: Final = 4
"""Modbus's function code for reading input registers."""
ONE_COIL: Final = 5
MANY_COILS: Final = 15


class Served(Protocol):
    """An instrument that can be reached."""

    @property
    def resource(self) -> str:
        """Where."""
        ...

    def close(self) -> None:
        """Serve no more."""
        ...


class SerialServer:
    """One instrument on a pseudo-terminal."""

    def __init__(self, instrument: ScpiInstrument) -> None:
        import pty  # not on Windows
        import tty

        self._instrument = instrument
        self._near, self._far = pty.openpty()
        tty.setraw(self._far)
        self.resource = f"ASRL{os.ttyname(self._far)}::INSTR"
        threading.Thread(target=self._talk, daemon=True, name="serial-server").start()

    def _talk(self) -> None:
        waiting = b""
        with contextlib.suppress(OSError):
            while data := os.read(self._near, 1024):
                *lines, waiting = (waiting + data).split(b"\n")
                for line in lines:
                    reply = self._instrument.execute(line.decode("ascii", errors="replace").strip())
                    if reply is not None:
                        os.write(self._near, reply.encode() + b"\n")

    def close(self) -> None:
        """Hang up."""
        for descriptor in (self._far, self._near):
            with contextlib.suppress(OSError):
                os.close(descriptor)


class ModbusServer:
    """One instrument on Modbus TCP: a power meter's floats in input registers, a relay on the first coil."""

    def __init__(self, instrument: ScpiInstrument) -> None:
        self._instrument = instrument
        self._loop = asyncio.new_event_loop()
        self._listening = threading.Event()
        self._server: Any = None
        self.resource = ""
        threading.Thread(target=self._run, daemon=True, name="modbus-server").start()
        if not self._listening.wait(START_S):
            raise OSError("the simulated Modbus server did not start")

    def _run(self) -> None:
        asyncio.set_event_loop(self._loop)
        self._loop.run_until_complete(self._listen())
        self._loop.run_forever()
        self._loop.close()

    async def _listen(self) -> None:
        from pymodbus.server import ModbusTcpServer  # an extra
        from pymodbus.simulator import DataType, SimData, SimDevice

        bits = [SimData(0, values=[False] * 16, datatype=DataType.BITS)]
        registers = [SimData(0, values=[0] * REGISTERS, datatype=DataType.REGISTERS)]
        device = SimDevice(id=1, simdata=(bits, bits, registers, registers), action=self._act)
        self._server = ModbusTcpServer(device, address=("127.0.0.1", 0))
        await self._server.listen()
        port = self._server.transport.sockets[0].getsockname()[1]
        self.resource = f"MODBUS-TCP::127.0.0.1::{port}::1"
        self._listening.set()

    async def _act(
        self, code: int, start: int, address: int, count: int, held: list[int], values: list[int] | list[bool] | None
    ) -> None:
        if code == INPUTS:
            for place, query in enumerate(READS):
                held[2 * place : 2 * place + 2] = _words(float(self._instrument.execute(query) or "nan"))
        elif code in (ONE_COIL, MANY_COILS) and values and address == 0:
            self._instrument.execute(CLOSES if values[0] else OPENS)
        elif code == 1:
            held[0] = (held[0] & ~1) | int(self._instrument.execute(ASKS) == "1")

    def close(self) -> None:
        """Serve no more."""
        stopping = asyncio.run_coroutine_threadsafe(self._server.shutdown(), self._loop)
        with contextlib.suppress(TimeoutError):
            stopping.result(START_S)
        self._loop.call_soon_threadsafe(self._loop.stop)


def _words(value: float) -> list[int]:
    # SCPI's numbers for over range and no reading are beyond a float's: such a meter says NaN.
    return list(struct.unpack(">HH", struct.pack(">f", value if abs(value) < 1e30 else float("nan"))))


WIRES: Final[Mapping[str, type[ScpiServer] | type[SerialServer] | type[ModbusServer]]] = {
    "socket": ScpiServer,
    "serial": SerialServer,
    "modbus": ModbusServer,
}
"""How the power meter and the contactor's relay can be reached. Everything else is on sockets."""
OVER_WIRES: Final = ("power-meter", "contactor")
"""The instruments that can be behind other wires."""
DIALECTS: Final = {("modbus", "power-meter"): "modbus-power-meter", ("modbus", "contactor"): "modbus-relay"}
