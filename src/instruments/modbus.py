"""Modbus, RTU or TCP, as a session: a line of text names the registers, the reply is the number in them.

::

    input 0 float32              the float in input registers 0 and 1, high word first
    holding 6 uint32 low * 0.01  the number in holding registers 6 and 7, low word first, times 0.01
    input 0 float32;input 2 float32      both, of one moment: read in one go, answered with ; between
    coil 0                       1 or 0
    coil 0 = 1                   switch it on; so for holding registers, ``holding 4 = 256``

A resource is ``MODBUS-TCP::host::port::unit`` or ``MODBUS-RTU::device::unit``. Spoken by pymodbus, which returns errors
as often as it raises them: every reply is asked whether it is one.
"""

from __future__ import annotations

import contextlib
import math
import re
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, Final

from instruments.errors import BadReply, InstrumentError

if TYPE_CHECKING:
    from instruments.dialect import SerialSettings

RESOURCE: Final = re.compile(r"MODBUS-(?:TCP::([^:]+)::(\d{1,5})|RTU::(.+?))::(\d{1,3})", re.IGNORECASE)
_READ: Final = re.compile(
    r"(?:(coil|discrete) (\d{1,5})|(input|holding) (\d{1,5}) (u?int16|u?int32|float32)(?: (low))?"
    r"(?: \* ([0-9.eE+-]+))?)"
)
_WRITE: Final = re.compile(r"(coil|holding) (\d{1,5}) = (\d{1,5})")
_MOST: Final = 65535
MOST_AT_ONCE: Final = 120
"""Registers in one reply: the protocol's limit is 125."""


class BadRegister(InstrumentError):  # noqa: N818 - what it is
    """A line that names no register; the text says what one looks like."""


@dataclass(frozen=True, slots=True)
class Registers:
    """Where a number is: its table, first address, type, word order and factor."""

    table: str
    address: int
    kind: str = "bit"
    low_first: bool = False
    factor: float = 1.0

    @property
    def count(self) -> int:
        """How many registers it takes."""
        return 2 if self.kind.endswith("32") else 1


def registers_of(text: str) -> Registers:
    """What a query names. Raises BadRegister."""
    match = _READ.fullmatch(text)
    if match is None:
        raise BadRegister(
            f"{text!r} names no register; write coil or discrete and its address, or input or holding, the address,"
            " uint16, int16, uint32, int32 or float32, 'low' for the low word first, and '* 0.1' for a factor"
        )
    bits, bit_address, table, address, kind, low, factor = match.groups()
    if bits:
        return Registers(bits, _address(bit_address))
    times = 1.0 if factor is None else _factor(factor)
    return Registers(table, _address(address), kind, low is not None, times)


def all_registers_of(text: str) -> list[Registers]:
    """What a query names, one after the other; several must lie near one another in one table. Raises BadRegister."""
    found = [registers_of(part.strip()) for part in text.split(";")]
    tables = {which.table for which in found}
    span = max(which.address + which.count for which in found) - min(which.address for which in found)
    if len(found) > 1 and (len(tables) > 1 or found[0].kind == "bit" or span > MOST_AT_ONCE):
        raise BadRegister(
            f"{text!r}: what is read in one go lies in one table of registers, within {MOST_AT_ONCE} of one another"
        )
    return found


def _address(text: str) -> int:
    if int(text) > _MOST:
        raise BadRegister(f"{text} is no address; they go from 0 to {_MOST}, as sent, not as some manuals number them")
    return int(text)


def _factor(text: str) -> float:
    try:
        factor = float(text)
    except ValueError:
        raise BadRegister(f"{text!r} is no factor; write a number, such as 0.1") from None
    if not math.isfinite(factor) or factor == 0.0:
        raise BadRegister(f"{text!r} is no factor; write a number, such as 0.1")
    return factor


def write_of(text: str) -> tuple[str, int, int]:
    """Table, address and value that a command sets. Raises BadRegister."""
    match = _WRITE.fullmatch(text)
    if match is None or int(match[3]) > _MOST or (match[1] == "coil" and match[3] not in ("0", "1")):
        raise BadRegister(f"{text!r} sets nothing; write coil 0 = 1, or holding 4 = 256")
    return match[1], _address(match[2]), int(match[3])


class ModbusSession:
    """A connection to one unit, as `instruments.visa.Session`. Opens in its constructor, which may raise anything."""

    def __init__(self, resource: str, timeout_s: float, serial: SerialSettings) -> None:
        match = RESOURCE.fullmatch(resource)
        if match is None:
            raise InstrumentError(
                f"{resource!r} is no Modbus resource; write MODBUS-TCP::host::502::1 or MODBUS-RTU::/dev/ttyUSB0::1"
            )
        host, port, device, unit = match.groups()
        self._unit = int(unit)
        self._client = _tcp(host, int(port), timeout_s) if host else _rtu(device, timeout_s, serial)
        self._reply: str | None = None
        if not self._client.connect():
            raise ConnectionRefusedError(f"nobody answers at {resource}")

    def write(self, text: str) -> None:
        """Do what a line says: read registers, or set one."""
        self._reply = None
        if "=" in text:
            self._set(*write_of(text))
        else:
            self._reply = self._get(all_registers_of(text))

    def _set(self, table: str, address: int, value: int) -> None:
        client, unit = self._client, self._unit
        if table == "coil":
            _checked(client.write_coil(address, bool(value), device_id=unit))
        else:
            _checked(client.write_register(address, value, device_id=unit))

    def _get(self, wanted: list[Registers]) -> str:
        client, unit, first = self._client, self._unit, wanted[0]
        if first.kind == "bit":
            read = client.read_coils if first.table == "coil" else client.read_discrete_inputs
            return "1" if _checked(read(first.address, count=1, device_id=unit)).bits[0] else "0"
        begins = min(which.address for which in wanted)
        count = max(which.address + which.count for which in wanted) - begins
        read = client.read_input_registers if first.table == "input" else client.read_holding_registers
        words = _checked(read(begins, count=count, device_id=unit)).registers
        if len(words) != count:
            raise BadReply(f"{len(words)} registers came back, {count} were asked for")
        return ";".join(self._number(which, words[which.address - begins :]) for which in wanted)

    def _number(self, which: Registers, words: list[int]) -> str:
        order = "little" if which.low_first else "big"
        kind = self._client.DATATYPE[which.kind.upper()]
        value = self._client.convert_from_registers(words[: which.count], kind, word_order=order)
        return f"{value * which.factor:.9g}"

    def read(self) -> str:
        """The reply to the last line."""
        if self._reply is None:
            raise BadReply("nothing was asked")
        return self._reply

    def leftover(self) -> bool:
        """Nothing: pymodbus tells replies apart by their transaction, and on a serial line flushes what is left."""
        return False

    def sever(self) -> None:
        """Close the connection, so that a blocked call ends. Its owner may be doing so at this moment."""
        with contextlib.suppress(OSError, AttributeError, TypeError):
            self._client.close()

    def close(self) -> None:
        """Close it."""
        self._client.close()


def _checked(reply: Any) -> Any:
    if reply.isError():
        raise BadReply(f"the instrument refused: {reply}")
    return reply


def _tcp(host: str, port: int, timeout_s: float) -> Any:
    from pymodbus.client import ModbusTcpClient  # late, and only where it is used: an extra

    return ModbusTcpClient(host, port=port, timeout=timeout_s, retries=0)


def _rtu(device: str, timeout_s: float, serial: SerialSettings) -> Any:
    from pymodbus.client import ModbusSerialClient

    return ModbusSerialClient(
        device,
        baudrate=serial.baud_rate,
        bytesize=serial.data_bits,
        parity=serial.parity[0].upper(),
        stopbits=serial.stop_bits,
        timeout=timeout_s,
        retries=0,
    )
