"""What an onlooker knows of a run, whatever shows it: whether it is live, how it ended, when it was heard last."""

from __future__ import annotations

import contextlib
import json
import time
from dataclasses import dataclass, field
from enum import Enum
from pathlib import Path
from typing import Any, Final

from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_OUR_ERROR, EXIT_TRIPPED, EXIT_UNPROVEN

VERDICT_WAIT_S: Final = 5.0
"""How long the watchdog's verdict is waited for once the engine is gone."""
SILENT_S: Final = 1.0
"""While live the engine speaks ten times a second: silent for so long, it hangs..."""
CALLED_EVERY_S: Final = 1.0
HUNG_S: Final = 10.0
"""...and so long after, it is ended."""
ENGINE_SILENT: Final = "THE ENGINE SAYS NOTHING. Switch off now, at the variac's switch or the emergency-off"


class Silence(Enum):
    """What an engine's silence calls for."""

    NOTHING = "nothing"
    CALL = "call"
    """Tell the person to switch off."""
    END = "end"
    """End the engine: where a person is the cut-off no watchdog does."""


@dataclass(slots=True)
class RunSeen:
    """One run as seen from outside. Times are wall time, monotonic."""

    summary: dict[str, Any] | None = None
    """The run's result, once there is one."""
    capture: Path | None = None
    refused: str = ""
    """Why the engine refused; empty if it did not."""
    live: bool = False
    """Whether it has been switched on."""
    heard_s: float = 0.0
    newest: dict[str, Any] = field(default_factory=dict)
    """The newest message of readings."""
    _called_s: float = 0.0

    def hear(self, event: dict[str, Any]) -> None:
        """One event of the engine's."""
        self.heard_s = time.monotonic()
        kind = event.get("event")
        if kind == "refused":
            self.refused = event["text"]
        elif kind == "live":
            self.live = True
            self.capture = Path(event["capture"])
        elif kind == "readings":
            self.newest = event
        elif kind == "finished":
            self.summary = {key: value for key, value in event.items() if key != "event"}

    def silence(self) -> Silence:
        """What is to be done about an engine that hangs while live."""
        now_s = time.monotonic()
        if not self.live or self.summary is not None or now_s - self.heard_s < SILENT_S:
            return Silence.NOTHING
        if now_s - self.heard_s > HUNG_S:
            return Silence.END
        if now_s - self._called_s >= CALLED_EVERY_S:
            self._called_s = now_s
            return Silence.CALL
        return Silence.NOTHING

    def conclude(self, code: int | None) -> int:
        """The run's exit code, by the engine's (None: it is still there). A live run has a summary after it."""
        if self.summary is not None and code is not None and code >= 0:
            return code
        if self.live and self.capture is not None:
            self.summary = self._from_verdict(self.capture)
            return EXIT_TRIPPED if self.summary["off"]["proven"] else EXIT_UNPROVEN
        return EXIT_BAD_INPUT if self.refused else EXIT_OUR_ERROR

    def _from_verdict(self, capture: Path) -> dict[str, Any]:
        """The engine died while live: what its watchdog did is in the capture folder."""
        verdict = _await_verdict(capture)
        reason = "the engine died" + (f"; watchdog: {verdict['reason']}" if verdict else "; no word from the watchdog")
        return {
            "format": 1,
            "outcome": "tripped" if verdict and verdict["off"]["proven"] else "unproven",
            "capture": str(capture),
            "trip": {
                "time_s": self.newest.get("time_s", 0.0),
                "line_voltage_v": self.newest.get("values", {}).get("line_voltage_v"),
                "layer": "reading",
                "reason": reason,
            },
            "off": verdict["off"] if verdict else {"proven": False, "by": [], "problems": [reason]},
            "max_line_voltage_v": None,
            "seed": None,
        }


def _await_verdict(capture: Path) -> dict[str, Any] | None:
    with contextlib.suppress(OSError, ValueError):
        if json.loads((capture / "pids.json").read_text(encoding="utf-8"))["watchdog"] is None:
            return None  # a person is the cut-off: there is nobody to wait for
    deadline_s = time.monotonic() + VERDICT_WAIT_S
    while time.monotonic() < deadline_s:
        try:
            verdict: dict[str, Any] = json.loads((capture / "watchdog.json").read_text(encoding="utf-8"))
        except (OSError, ValueError):
            time.sleep(0.05)
        else:
            return verdict
    return None
