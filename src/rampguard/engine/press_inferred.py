"""A recording from elsewhere does not say when power was pressed: here it is told from the current itself.

Only of units that are pressed on part-way up a ramp, once, and late enough that a standby supply can hold a relay.
What the relay's closing may then draw is bounded as ever: by the ceilings of an event, and its budget of energy.
"""

from __future__ import annotations

from typing import Final

from rampguard.archive.rows import Row
from rampguard.guard.decision import POWER_PRESSED
from rampguard.loads.basis import Basis
from rampguard.loads.classes import LoadClass
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE

FROM: Final = 0.4
"""Part of line voltage from which a standby supply may hold a relay; common practice, no source."""
RISES: Final = 0.05
"""A rise from one reading to the next by so much of nameplate current is a relay's."""
NAME: Final = POWER_PRESSED


class PressInferred:
    """Finds the press in rows as they come. ``told`` says that the recording tells its events itself."""

    def __init__(self, load_class: LoadClass | None, basis: Basis | None, *, told: bool) -> None:
        presses = load_class is not None and load_class.press_power_at_fraction is not None
        self._basis = basis if presses and not told else None
        self._volts = 0.0
        self._amperes: float | None = None

    def event(self, row: Row) -> str:
        """The event that this row's readings tell; empty: none."""
        basis = self._basis
        if basis is None:
            return ""
        values = {r.signal: r.value for r in row.readings if r.value is not None}
        self._volts = values.get(LINE_VOLTAGE, self._volts)
        now, before = values.get(LINE_CURRENT), self._amperes
        if now is None:
            return ""
        self._amperes = now
        rise = RISES * basis.nameplate_w / basis.nameplate_v
        if before is None or now - before < rise or self._volts < FROM * basis.nameplate_v:
            return ""
        self._basis = None
        return NAME
