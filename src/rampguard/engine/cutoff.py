"""The cut-off: every way off at once, and the proof that it is off.

Off is proven by position and time: a way off reads back off, *and* a meter after the cut-off, asked after the
command, reads below the floor. Anything less is not proven.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import MappingProxyType
from typing import Final

from instruments.errors import InstrumentError
from instruments.roles import CutOff, Meter, OutputState, Position
from rampguard.quantities import LINE_VOLTAGE, Reading

RETRY_EVERY_S: Final = 0.05
"""Wall time between two attempts at a way off that has not yet read back off."""
WINDOWS_PASSED: Final = 2.0
PERSON_FLOOR_V: Final = 1.0
"""Where a person is the cut-off the line must read below this..."""
PERSON_LASTS_S: Final = 1.0
"""...for so long: a knob on its way back passes through."""
PROOF_DEADLINE_S: Final = 2.0
"""Wall time after which off counts as not proven (attempts go on)."""


@dataclass(frozen=True, slots=True)
class OffReport:
    """What came of one attempt at one way off. ``state`` is None where it could not be asked."""

    name: str
    state: OutputState | None
    problem: str = ""


@dataclass(frozen=True, slots=True)
class OffProof:
    """What is known since off was commanded. Pure: each report or reading makes a new proof.

    ``commanded_s`` is bench time of the command; ``proving`` maps each line meter after the cut-off to its measuring
    time. A meter answers with its newest completed window, which may have begun two measuring times before: a reading
    counts only if asked later than that after the command, when none of its window can lie before it.
    """

    floor_v: float
    commanded_s: float
    proving: Mapping[str, float]
    states: Mapping[str, OutputState | None] = field(default_factory=lambda: MappingProxyType({}))
    line: tuple[str, float] | None = None
    by_person: bool = False
    """Whether a person is the cut-off: nothing reads back, and the meter's word is all there is."""
    low_since_s: float | None = None
    """Since when the line has read below the floor; None while it does not."""
    read_s: float = 0.0
    """When it was last read."""
    problems: tuple[str, ...] = ()

    def with_report(self, report: OffReport) -> OffProof:
        """The proof after an attempt's report."""
        problems = self.problems
        text = report.problem or (f"{report.name} reads back on" if report.state is OutputState.ON else "")
        if text and text not in problems:
            problems = (*problems, text)
        return replace(self, states=MappingProxyType({**self.states, report.name: report.state}), problems=problems)

    def with_reading(self, reading: Reading) -> OffProof:
        """The proof after a reading; one that is too early, invalid, or from another place changes nothing."""
        measuring_s = self.proving.get(reading.instrument)
        if reading.signal != LINE_VOLTAGE or reading.value is None or measuring_s is None:
            return self
        if reading.asked_s <= self.commanded_s + WINDOWS_PASSED * measuring_s:
            return self
        volts = abs(reading.value) + reading.bound
        since_s = self.low_since_s if self.low_since_s is not None else reading.time_s
        return replace(
            self,
            line=(reading.instrument, volts),
            low_since_s=since_s if volts < self.floor_v else None,
            read_s=reading.time_s,
        )

    def proven_by(self, meters: Sequence[Meter]) -> OffProof:
        """The proof with these meters to prove it."""
        return replace(self, proving=_proving(meters))

    @property
    def line_is_low(self) -> bool:
        """Whether the line after the cut-off is below the floor; where a person cuts, for long enough."""
        lasts_s = PERSON_LASTS_S if self.by_person else 0.0
        return self.low_since_s is not None and self.read_s - self.low_since_s >= lasts_s

    @property
    def proven(self) -> bool:
        """A way off reads back off, or a person is the only one; and the line after it is below the floor."""
        return (self.by_person or self.reads_off) and self.line_is_low

    @property
    def reads_off(self) -> bool:
        """Whether a way off reads back off."""
        return any(state is OutputState.OFF for state in self.states.values())

    @property
    def by(self) -> list[str]:
        """What speaks for off, one line each."""
        lines = [f"{name} reads back off" for name, state in self.states.items() if state is OutputState.OFF]
        if self.line is not None and self.line_is_low:
            alone = ", the only proof there is: a person switched off" if self.by_person else ""
            lines.append(f"{self.line[0]} reads under {self.line[1]:.2g} V (floor {self.floor_v:g} V){alone}")
        return lines

    @property
    def as_message(self) -> dict[str, object]:
        """``{"proven", "by", "problems"}`` for scripts."""
        return {"proven": self.proven, "by": self.by, "problems": list(self.problems)}


def begin_proof(floor_v: float, commanded_s: float, meters: Sequence[Meter], *, by_person: bool = False) -> OffProof:
    """A proof with nothing in it yet."""
    # A trip may come below the floor, and where nothing reads back only a dead line tells off from on.
    floor_v = min(floor_v, PERSON_FLOOR_V) if by_person else floor_v
    return OffProof(floor_v, commanded_s, _proving(meters), by_person=by_person)


def _proving(meters: Sequence[Meter]) -> Mapping[str, float]:
    return MappingProxyType({m.name: m.measuring_time_s for m in meters if m.position is Position.AFTER_CUT_OFF})


class OffDrive:
    """A thread a way off, waiting, so that the command goes out at once and none holds up another.

    A way off that throws, hangs or reads back on is tried again until it reads back off or `stop` is called.
    """

    def __init__(self, cut_offs: Sequence[CutOff], report: Callable[[OffReport], None]) -> None:
        self._cut_offs = tuple(cut_offs)
        self._report = report
        self._go = threading.Event()
        self._stop = threading.Event()
        self._threads = [
            threading.Thread(target=self._drive, args=(cut_off,), name=f"off-{cut_off.name}", daemon=True)
            for cut_off in self._cut_offs
        ]
        for thread in self._threads:
            thread.start()

    def cut(self) -> None:
        """Command everything off. Returns at once."""
        self._go.set()

    def stop(self, timeout_s: float = 1.0) -> None:
        """End the threads. Switches nothing."""
        self._stop.set()
        self._go.set()
        for thread in self._threads:
            thread.join(timeout_s)

    def _drive(self, cut_off: CutOff) -> None:
        self._go.wait()
        while not self._stop.is_set():
            report = attempt_off(cut_off)
            self._report(report)
            if report.state is OutputState.OFF:
                return
            self._stop.wait(RETRY_EVERY_S)


def attempt_off(cut_off: CutOff) -> OffReport:
    """Command one way off and ask what it says. Never raises: whatever goes wrong becomes the report's problem."""
    try:
        cut_off.off()
        return OffReport(cut_off.name, cut_off.state())
    except InstrumentError as error:
        return OffReport(cut_off.name, None, f"{cut_off.name}: {error}")
    except Exception as error:  # noqa: BLE001 - a mistake of ours or a library's must not end the attempts
        return OffReport(cut_off.name, None, f"{cut_off.name}: {type(error).__name__}: {error}")
