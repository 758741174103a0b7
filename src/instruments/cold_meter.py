"""A multimeter as an ohmmeter and a diode tester, for units without power. Its dialect says how, in ``cold``."""

from __future__ import annotations

import math
from typing import Final

from instruments.dialect import Dialect
from instruments.dialect_roles import ColdDialect
from instruments.errors import InstrumentError
from instruments.instrument import command, drain_errors
from instruments.replies import parse_number
from instruments.roles import Wire
from rampguard.quantities import Validity

SETTLING_READINGS: Final = 2
"""The first reading after a change of function may be of the one before: the second is taken."""
CHARGED_V: Final = 2.0
"""A meter is not set to ohms where it reads more than this, DC: it is destroyed by a charged reservoir."""


class ColdMeter:
    """Reads ohms and diode tests. Anything else that the instrument does in its bench file is not touched."""

    def __init__(self, link: Wire, dialect: Dialect) -> None:
        self._link = link
        self._dialect = dialect
        self._cold = _cold_of(dialect, link.name)
        drain_errors(link, dialect)  # what is left from before is nobody's fault now

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        return self._link.name

    def resistance_ohm(self, *, wires: int = 2) -> float:
        """A resistance, ohm; infinite where the meter is over range. Raises LinkError, InstrumentError."""
        wanted = self._cold.resistance if wires == 2 else self._cold.four_wire
        if wanted is None:
            raise InstrumentError(
                f"{self.name}: its dialect knows no four-wire ohms; say wires = 2 in the sheet's [meter]"
            )
        return self._read(wanted)

    def diode_v(self) -> float:
        """A diode test, V; infinite where the meter can drive no more. Raises LinkError, InstrumentError."""
        if self._cold.diode is None:
            raise InstrumentError(f"{self.name}: its dialect knows no diode test; type what another meter shows")
        return self._read(self._cold.diode)

    def _read(self, function: str) -> float:
        volts, _ = self._set_and_read(self._cold.back)
        if volts is None or abs(volts) > CHARGED_V:
            shown = "over range" if volts is None else f"{volts:.3g} V DC"
            raise InstrumentError(
                f"{self.name}: there is still voltage at its probes ({shown}), so it was not set to ohms: plug out?"
                f" Discharge through a resistor, and measure, below {CHARGED_V:g} V"
            )
        value, validity = self._set_and_read(function)
        if validity is Validity.OVER_RANGE:
            return math.inf
        if value is None:
            raise InstrumentError(f"{self.name}: has no reading; is something still charged, or live?")
        return value

    def _set_and_read(self, function: str) -> tuple[float | None, Validity]:
        command(self._link, self._dialect, function)
        for _ in range(SETTLING_READINGS - 1):
            self._link.query(self._cold.query)
        return parse_number(self._link.query(self._cold.query))

    def close(self) -> None:
        """Put it back to volts, and let go of it. Raises LinkError, CommandRefused, having let go of it."""
        try:
            command(self._link, self._dialect, self._cold.back)
        finally:
            self._link.close()


def _cold_of(dialect: Dialect, name: str) -> ColdDialect:
    if dialect.cold is None:
        raise InstrumentError(f"{name}: dialect {dialect.name!r} reads no ohms; add [cold] to a dialect of yours")
    return dialect.cold
