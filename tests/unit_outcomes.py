"""What each unit on the simulated bench should do at the command line, by the guard's layers and the default plan.

Where none sees a fault, that is said: there the run should end as a whole unit's would.
"""

from __future__ import annotations

import re
from dataclasses import dataclass
from typing import Any

UNSEEN = "below every ceiling, within its class's band, and too small to speak against a healthy unit"


@dataclass(frozen=True)
class Expected:
    """Outcome, exit code, a pattern in the reason, and by which part of line voltage a trip comes at the latest."""

    outcome: str
    code: int
    reason: str = ""
    by: float = 1.05
    note: str = ""
    or_else: bool = False
    """Whether a specimen may do the other thing too: pass where this says trip, trip where it says pass."""


PASSES = Expected("passed", 0)
UNNOTICED = Expected("passed", 0, note=UNSEEN)


def trips(reason: str, by: float, note: str = "") -> Expected:
    """A trip for a reason with this pattern in it, at a part of line voltage at most."""
    return Expected("tripped", 3, reason, by, note)


def specimen_decides(note: str) -> Expected:
    """Passed or tripped: how far the fault goes is drawn with the specimen."""
    return Expected("passed", 0, note=note, or_else=True)


OUTCOMES = {
    "healthy-amplifier": PASSES,
    "single-rail-amplifier": PASSES,
    "class-g-amplifier": PASSES,
    "soft-start-amplifier": PASSES,
    "ntc-amplifier": PASSES,
    "shorted-output": trips("", 0.05),
    "late-shorted-output": trips("", 0.7, "the fault comes 24 s after line voltage did, at about half of line"),
    "seven-sections": PASSES,
    "shorted-section": trips("", 1.05, "a short of 0.3 to 100 ohm, drawn with the specimen"),
    "seven-sections-shorted-rectifier": trips("", 0.15),
    "one-sided-short": trips("", 0.15),
    "shorted-rectifier": trips("line current", 0.1),
    "shorted-turns": specimen_decides("few turns stay unseen, more pass the band or speak for themselves"),
    "leaky-reservoir": UNNOTICED,
    "rising-leak": UNNOTICED,
    "reforming-reservoir": UNNOTICED,
    "idle-runaway": trips("", 1.05, "the hotter, the faster: how far it comes depends on the holds"),
    "missing-rail": trips("", 0.4),
    "open-fuse": trips("no current", 0.2),
    "switch-off": trips("no current", 0.2),
    "healthy-receiver": Expected("passed", 0, note="power is pressed at 70 % of line"),
    "stereo-receiver": PASSES,
    "seven-channel-receiver": PASSES,
    "repaired-receiver": Expected("passed", 0, note="its bias trimmers at minimum: less idle than a healthy unit's"),
    "repaired-amplifier": Expected("passed", 0, note="its bias trimmers at minimum: less idle than a healthy unit's"),
    "seven-channel-runaway": specimen_decides("line power hides one channel of seven; its own resistor tells"),
    "nine-channel-receiver": PASSES,
    "soft-start-receiver": PASSES,
    "shorted-soft-start-receiver": trips("", 0.75, "its soft start's resistor takes what the short lets through"),
    "shorted-receiver": trips("line current", 0.75, "the main relay closes onto the short at 70 % of line"),
    "one-channel-runaway": specimen_decides("the plan ends before a slow one passes the ceiling; the soak is for it"),
    "healthy-switch-mode": PASSES,
    "no-lockout-switch-mode": PASSES,
    "corrected-switch-mode": PASSES,
    "shorted-switch": trips("line current", 0.05),
    "hiccup-switch-mode": trips(
        "in vain for the current to settle|is above what a healthy unit",
        0.95,
        "it never settles: its stage times out, or a burst passes the band first",
    ),
    "switch-mode-switch-off": trips("current, but no power", 1.0, "its line filter is ahead of the switch"),
    "healthy-valve": PASSES,
    "direct-rectifier-valve": PASSES,
    "silicon-valve": PASSES,
    "choke-input-valve": PASSES,
    "standby-valve": Expected("passed", 0, note="the standby switch is thrown at full line"),
    "shorted-rectifier-valve": trips("line current", 0.25),
    "transformer": PASSES,
    "transformer-shorted-turns": trips("is above|shorted turns", 1.0),
    "lamp": PASSES,
    "heater": PASSES,
    "induction-motor": PASSES,
    "universal-motor": PASSES,
}


MAINS_V = 230.0


def disagreements(unit: str, code: int, said: dict[str, Any]) -> list[str]:
    """In what a run's exit code and JSON object differ from what the unit should do; empty if in nothing."""
    expected = OUTCOMES[unit]
    found = []
    allowed = {(expected.outcome, expected.code), *({("passed", 0), ("tripped", 3)} if expected.or_else else ())}
    if (said["outcome"], code) not in allowed:
        found.append(f"{said['outcome']}, exit {code}")
    if not said["off"]["proven"]:
        found.append("off not proven")
    highest_v = said["max_line_voltage_v"]
    if expected.outcome == "tripped" and highest_v >= expected.by * MAINS_V:
        found.append(f"came to {highest_v} V")
    if expected.outcome == "tripped" and said["trip"] and not re.search(expected.reason, said["trip"]["reason"]):
        found.append(said["trip"]["reason"])
    if said["outcome"] == "passed" and abs(highest_v - MAINS_V) > 0.02 * MAINS_V:
        found.append(f"ended at {highest_v} V")
    return found
