"""What the guard is given and what it answers."""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum, StrEnum
from typing import Final

from rampguard.quantities import Reading

POWER_PRESSED: Final = "power-pressed"
"""The event that explains an inrush."""
TOUCHED: Final = "touched"
"""The event that explains that idle is another than before, and no inrush: somebody has hold of a bias trimmer."""

DRIVEN: Final = "driven"
"""The event that explains what a signal into its loads makes a unit draw: it idles no more, until it does again."""


class Severity(IntEnum):
    """How a finding is to be taken; the worst of them is the decision."""

    SAFE = 0
    NOT_EVALUATED = 1
    WARN = 2
    TRIP = 3


class Layer(StrEnum):
    """Which layer of the guard speaks."""

    CEILING = "ceiling"
    BAND = "band"
    EVIDENCE = "evidence"
    READING = "reading"


@dataclass(frozen=True, slots=True)
class Observation:
    """All that the guard learns at one moment.

    ``time_s`` is bench time since the run began. ``set_voltage_v`` is the source's set-point (rms), None where there
    is none. ``expected_event`` names what explains another current than before (`POWER_PRESSED`, `TOUCHED`,
    `DRIVEN`); empty mostly.
    ``readings`` may be empty: time passing is an observation too. ``is_off`` says that off was commanded before.
    """

    time_s: float
    readings: tuple[Reading, ...] = ()
    set_voltage_v: float | None = None
    expected_event: str = ""
    is_off: bool = False


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that one check has to say."""

    severity: Severity
    layer: Layer
    check: str
    reason: str


@dataclass(frozen=True, slots=True)
class Trip:
    """The first cause of a trip, kept. ``line_voltage_v`` is the newest reading then, None if there was none."""

    time_s: float
    line_voltage_v: float | None
    layer: Layer
    reason: str
    check: str = ""
    """Which check tripped."""


@dataclass(frozen=True, slots=True)
class Decision:
    """The guard's answer to one observation."""

    severity: Severity
    findings: tuple[Finding, ...]
    trip: Trip | None

    @property
    def word(self) -> str:
        """``safe``, ``warn`` or ``trip``. A check that was not evaluated does not make a moment unsafe by itself."""
        return "trip" if self.severity is Severity.TRIP else "warn" if self.severity is Severity.WARN else "safe"

    @property
    def reason(self) -> str:
        """The reasons of the findings that warn or trip, joined."""
        return "; ".join(finding.reason for finding in self.findings if finding.severity >= Severity.WARN)

    @property
    def not_evaluated(self) -> tuple[Finding, ...]:
        """The checks that could not be made, and why."""
        return tuple(f for f in self.findings if f.severity is Severity.NOT_EVALUATED)
