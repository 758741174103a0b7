"""Presses the unit's power button where the bench has something that can, in a thread of its own."""

from __future__ import annotations

import threading

from instruments.errors import InstrumentError
from instruments.roles import PowerButton
from rampguard.ramp.plan import Stage
from rampguard.ramp.stepper import RampState


class Presser:
    """One press at a time; never blocks the loop."""

    def __init__(self, button: PowerButton | None) -> None:
        self._button = button
        self._thread: threading.Thread | None = None
        self._problem = ""
        self._pressed_at_stage = -1

    @property
    def able(self) -> bool:
        """Whether there is anything to press with."""
        return self._button is not None

    @property
    def busy(self) -> bool:
        """Whether a press is under way, or has ended and nobody has asked how."""
        return self._thread is not None

    def begin(self) -> None:
        """Begin to press."""
        if self._button is not None and self._thread is None:
            self._thread = threading.Thread(target=self._press, args=(self._button,), daemon=True, name="press")
            self._thread.start()

    def wait_at(self, stage: Stage, on_plan: RampState) -> bool:
        """At a stage that waits for it, once the stage's line voltage is there, press once; whether that begins now."""
        wanted = stage.ends_when == "power-pressed" and on_plan.arrived_s is not None
        begins = wanted and self.able and self._pressed_at_stage != on_plan.stage_index
        if begins:
            self._pressed_at_stage = on_plan.stage_index
            self.begin()
        return begins

    def take_end(self) -> tuple[bool, str]:
        """Whether a press has ended since this was last asked, and what went wrong with it; empty if nothing did."""
        if self._thread is None or self._thread.is_alive():
            return False, ""
        self._thread = None
        return True, self._problem

    def _press(self, button: PowerButton) -> None:
        try:
            button.press()
            self._problem = ""
        except InstrumentError as error:
            self._problem = str(error)
