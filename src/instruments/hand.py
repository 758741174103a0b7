"""The hands on a simulated bench: one at the variac's knob, and one in the unit, at trimmers, clips and lid.

On a real bench nothing of this exists: a person reads the advice and does it.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

from instruments.errors import CommandRefused
from instruments.replies import parse_error
from instruments.visa import Link

HAND_NAME: Final = "simulated hand"
IDENTITY: Final = "HAND"
UNIT_HAND_NAME: Final = "simulated hand in the unit"
UNIT_HAND_IDENTITY: Final = "UNIT-HAND"


class _Told:
    """A hand that is told what to do."""

    def __init__(self, link: Link) -> None:
        self._link = link

    @property
    def name(self) -> str:
        """What messages call it."""
        return self._link.name

    def _say(self, text: str) -> None:
        number, words = parse_error(self._link.query(f"{text};:SYST:ERR?"))
        if number != 0:
            raise CommandRefused(f"{self.name}: {text!r} was refused: {number}, {words}")

    def close(self) -> None:
        """Close its session."""
        self._link.close()


class SimulatedHand(_Told):
    """Turns the knob of a simulated variac."""

    def get_ready(self, line_voltage_v: float) -> None:
        """Switch the supply on, its knob at so many volts, before anything is energised. Raises as below."""
        self._say(f"HAND:READY {line_voltage_v:.3f}")

    def set_line_voltage(self, line_voltage_v: float) -> None:
        """Tell it where to turn the knob to, volts rms; at 0 it switches off, too. Raises LinkError, CommandRefused."""
        self._say(f"HAND:TO {line_voltage_v:.3f}")

    def turn_by(self, volts: float) -> None:
        """Turn the knob by so much, at once. Raises LinkError, CommandRefused."""
        self._say(f"HAND:BY {volts:.3f}")


class SimulatedUnitHand(_Told):
    """Turns trimmers, moves the multimeters' clips and the lid."""

    def turn_trimmer(self, channel: str, by_a: float) -> None:
        """Turn a channel's bias trimmer, so that its idle changes by so much, A. Raises LinkError, CommandRefused."""
        self._say(f"TRIM {channel},{by_a:.6f}")

    def move_clip(self, channel: str) -> None:
        """Move the clips of the meters of the idle and the offset. Raises LinkError, CommandRefused."""
        self._say(f"CLIP {channel}")

    def unplug(self, channels: Sequence[str]) -> None:
        """Unplug these channels' boards, and plug in all others. Raises LinkError, CommandRefused."""
        self._say(f"UNPL {','.join(channels) or ','}")

    def drive(self, level_v: float, load_ohm: float) -> None:
        """Drive every channel into its load, V rms. Raises LinkError, CommandRefused."""
        self._say(f"DRIVE {level_v:.4f},{load_ohm:.3f}")

    def put_lid(self, *, on: bool) -> None:
        """Put the lid on, or take it off. Raises LinkError, CommandRefused."""
        self._say(f"LID {int(on)}")
