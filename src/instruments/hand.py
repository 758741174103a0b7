"""The hand at a simulated bench's variac: told where to turn the knob, it goes there as hands do.

On a real bench nothing of this exists: a person reads the advice and turns.
"""

from __future__ import annotations

from typing import Final

from instruments.errors import CommandRefused
from instruments.replies import parse_error
from instruments.visa import Link

HAND_NAME: Final = "simulated hand"
IDENTITY: Final = "HAND"


class SimulatedHand:
    """Turns the knob of a simulated variac."""

    def __init__(self, link: Link) -> None:
        self._link = link

    @property
    def name(self) -> str:
        """What messages call it."""
        return self._link.name

    def set_line_voltage(self, line_voltage_v: float) -> None:
        """Tell it where to turn the knob to, volts rms; at 0 it switches off, too. Raises LinkError, CommandRefused."""
        self._say(f"HAND:TO {line_voltage_v:.3f}")

    def turn_by(self, volts: float) -> None:
        """Turn the knob by so much, at once. Raises LinkError, CommandRefused."""
        self._say(f"HAND:BY {volts:.3f}")

    def _say(self, text: str) -> None:
        number, words = parse_error(self._link.query(f"{text};:SYST:ERR?"))
        if number != 0:
            raise CommandRefused(f"{self.name}: {text!r} was refused: {number}, {words}")

    def close(self) -> None:
        """Close its session."""
        self._link.close()
