"""What is shown of the readings, and what is recorded of them with what was decided."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from rampguard.archive.rows import Row
from rampguard.guard.case import Case
from rampguard.guard.decision import Decision, Observation
from rampguard.guard.judge import GuardState
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_CURRENT, REAL_POWER, Expectation, Reading


def row_of(
    observation: Observation,
    guard: GuardState,
    decision: Decision,
    expectation: Expectation | None,
    stage: str,
    state: str,
) -> Row:
    """What a capture records of one observation."""
    return Row(
        time_s=observation.time_s,
        set_voltage_v=observation.set_voltage_v,
        readings=observation.readings,
        expected_event=observation.expected_event,
        expectation=expectation,
        band_excess=guard.band.excess,
        evidence=guard.evidence.sums,
        stage=stage,
        state=state,
        decision=decision.word,
        reason=decision.reason,
    )


@dataclass(slots=True)
class Shown:
    """The newest reading of each signal, and what the guard held against it when it was judged last."""

    values: dict[str, float] = field(default_factory=dict)
    """By column."""
    _read_s: dict[str, float] = field(default_factory=dict)
    _ceilings: dict[str, float] = field(default_factory=dict)
    _expected: dict[str, list[float]] = field(default_factory=dict)
    _not_evaluated: tuple[str, ...] = ()

    def read(self, reading: Reading, now_s: float) -> None:
        """One valid reading."""
        if reading.value is not None:
            self.values[reading.signal.column] = reading.value
            self._read_s[reading.signal.column] = now_s

    def judged(
        self, guard: GuardState, limits: Limits, observation: Observation, decision: Decision, told: Expectation | None
    ) -> None:
        """What was decided of new readings; ``told`` is what was expected of them, None where nothing was."""
        case = Case(limits, guard.memory, guard.memory, observation)
        for reading in observation.readings:
            ceiling = limits.ceiling(reading.signal.quantity, in_event=case.in_event, driven=case.driven)
            self._set_ceiling(reading.signal.column, ceiling)
        self._not_evaluated = tuple(finding.reason for finding in decision.not_evaluated)
        if told is None:
            return
        bounds = ((LINE_CURRENT, told.current_a), (REAL_POWER, told.power_w))
        self._expected = {signal.column: [of.low, of.high] for signal, of in bounds if of is not None}
        if told.why_not:
            self._not_evaluated += (f"expected band: {told.why_not}",)

    def _set_ceiling(self, column: str, ceiling: float | None) -> None:
        if ceiling is None:
            self._ceilings.pop(column, None)
        else:
            self._ceilings[column] = ceiling

    def as_told(self, now_s: float) -> Mapping[str, Any]:
        """For the message of the readings."""
        return {
            "values": dict(self.values),
            "ages_s": {column: max(0.0, now_s - read_s) for column, read_s in self._read_s.items()},
            "ceilings": dict(self._ceilings),
            "expected": dict(self._expected),
            "not_evaluated": list(self._not_evaluated),
        }
