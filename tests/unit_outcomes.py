"""What each unit on the simulated bench should do at the command line, by layer 1 and the default plan alone.

Where plain ceilings cannot see a fault, that is said: there the run should end as a whole unit's would, until the
expected band and the evidence are there to tell it.
"""

from __future__ import annotations

from dataclasses import dataclass

UNSEEN = "below every ceiling: for the expected band and the evidence to see"


@dataclass(frozen=True)
class Expected:
    """Outcome, exit code, a word of the reason, and by which part of line voltage a trip comes at the latest."""

    outcome: str
    code: int
    reason: str = ""
    by: float = 1.05
    note: str = ""


PASSES = Expected("passed", 0)
UNNOTICED = Expected("passed", 0, note=UNSEEN)


def trips(reason: str, by: float, note: str = "") -> Expected:
    """A trip for a reason with this word in it, at a part of line voltage at most."""
    return Expected("tripped", 3, reason, by, note)


OUTCOMES = {
    "healthy-amplifier": PASSES,
    "single-rail-amplifier": PASSES,
    "class-g-amplifier": PASSES,
    "soft-start-amplifier": PASSES,
    "ntc-amplifier": PASSES,
    "shorted-output": trips("", 0.1),
    "late-shorted-output": trips("", 0.7, "the fault comes 24 s after line voltage did, at about half of line"),
    "one-sided-short": trips("", 0.15),
    "shorted-rectifier": trips("line current", 0.15),
    "shorted-turns": UNNOTICED,
    "leaky-reservoir": UNNOTICED,
    "rising-leak": UNNOTICED,
    "reforming-reservoir": UNNOTICED,
    "idle-runaway": trips("", 1.05, "the hotter, the faster: how far it comes depends on the holds"),
    "missing-rail": trips("", 0.4),
    "open-fuse": trips("no current", 0.2),
    "switch-off": trips("no current", 0.2),
    "healthy-receiver": Expected("passed", 0, note="power is pressed at 70 % of line"),
    "stereo-receiver": PASSES,
    "nine-channel-receiver": PASSES,
    "shorted-receiver": trips("line current", 0.75, "the main relay closes onto the short at 70 % of line"),
    "one-channel-runaway": trips("", 1.05),
    "healthy-switch-mode": PASSES,
    "no-lockout-switch-mode": PASSES,
    "corrected-switch-mode": PASSES,
    "shorted-switch": trips("line current", 0.05),
    "hiccup-switch-mode": trips("in vain for the current to settle", 0.95),
    "switch-mode-switch-off": trips("current, but no power", 0.95, "its line filter is ahead of the switch"),
    "healthy-valve": PASSES,
    "direct-rectifier-valve": PASSES,
    "silicon-valve": PASSES,
    "choke-input-valve": PASSES,
    "standby-valve": Expected("passed", 0, note="the standby switch is thrown at full line"),
    "shorted-rectifier-valve": trips("line current", 0.25),
    "transformer": PASSES,
    "transformer-shorted-turns": trips("real power", 1.0),
    "lamp": PASSES,
    "heater": PASSES,
    "induction-motor": PASSES,
    "universal-motor": PASSES,
}
