"""What the guard remembers between observations. Immutable: each observation makes a new memory."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from types import MappingProxyType

from rampguard.guard.decision import POWER_PRESSED, Observation
from rampguard.guard.limits import Limits
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Signal, Validity

RATE_SPAN_S = 1.0
"""The rates of rise per second look back so far."""


@dataclass(frozen=True, slots=True)
class Memory:
    """The newest valid reading of each signal, and what the checks need of the past."""

    started_s: float | None = None
    """Time of the first observation; a signal never seen ages from here."""
    latest: Mapping[Signal, Reading] = field(default_factory=lambda: MappingProxyType({}))
    """Newest valid reading a signal; its time is the observation's."""
    bad_in_a_row: Mapping[Signal, int] = field(default_factory=lambda: MappingProxyType({}))
    recent: Mapping[Signal, tuple[tuple[float, float], ...]] = field(default_factory=lambda: MappingProxyType({}))
    """(time, value) of line current and real power over the last second, newest last; there once a value was read."""
    set_points: tuple[tuple[float, float], ...] = ()
    """(time, rms volts) of the source's set-point over the last second, newest last."""
    rates_excused_until_s: float = float("-inf")
    still_at_v: float | None = None
    still_since_s: float = 0.0
    lagging_since_s: float | None = None
    no_current_since_s: float | None = None
    current_seen: bool = False

    def value(self, signal: Signal) -> float | None:
        """Newest valid value of a signal, however old; None if there never was one."""
        reading = self.latest.get(signal)
        return None if reading is None else reading.value

    def highest_set_v(self, set_v: float) -> float:
        """The highest set-point within the last second: a meter still averages what was there a moment ago."""
        return max((volts for _, volts in self.set_points), default=set_v)

    def age_s(self, signal: Signal, now_s: float) -> float:
        """Age of the newest valid reading of a signal, counted from the first observation if there never was one."""
        reading = self.latest.get(signal)
        since_s = reading.time_s if reading is not None else self.started_s
        return 0.0 if since_s is None else now_s - since_s


def remember(memory: Memory, limits: Limits, observation: Observation) -> Memory:
    """The memory after an observation, before its checks are made.

    Time passing alone changes nothing but the start, so that a record of the observations that carried something
    (and of those at which a decision changed) replays to exactly the same decisions.
    """
    now_s = observation.time_s
    if not observation.readings and not observation.expected_event:
        return memory if memory.started_s is not None else replace(memory, started_s=now_s)
    latest, bad = dict(memory.latest), dict(memory.bad_in_a_row)
    for reading in observation.readings:
        if reading.validity is Validity.VALID:
            latest[reading.signal] = reading if reading.time_s == now_s else replace(reading, time_s=now_s)
            bad[reading.signal] = 0
        else:
            bad[reading.signal] = bad.get(reading.signal, 0) + 1
    excused_until_s = memory.rates_excused_until_s
    if observation.expected_event == POWER_PRESSED:
        excused_until_s = now_s + limits.expected_event_window_s
    memory = Memory(  # written out: `replace` costs a third of layer 1's time
        started_s=now_s if memory.started_s is None else memory.started_s,
        latest=MappingProxyType(latest),
        bad_in_a_row=MappingProxyType(bad),
        recent=_recent(memory, observation),
        set_points=_set_points(memory, observation),
        rates_excused_until_s=excused_until_s,
        still_at_v=memory.still_at_v,
        still_since_s=memory.still_since_s,
        lagging_since_s=memory.lagging_since_s,
        no_current_since_s=memory.no_current_since_s,
        current_seen=memory.current_seen,
    )
    return _timers(memory, limits, observation)


def _recent(memory: Memory, observation: Observation) -> Mapping[Signal, tuple[tuple[float, float], ...]]:
    now_s = observation.time_s
    recent = dict(memory.recent)
    for reading in observation.readings:
        if reading.signal in (LINE_CURRENT, REAL_POWER) and reading.value is not None:
            kept = (pair for pair in recent.get(reading.signal, ()) if now_s - pair[0] <= RATE_SPAN_S)
            recent[reading.signal] = (*kept, (now_s, reading.value))
    return MappingProxyType(recent)


def _set_points(memory: Memory, observation: Observation) -> tuple[tuple[float, float], ...]:
    if observation.set_voltage_v is None:
        return ()
    kept = (pair for pair in memory.set_points if observation.time_s - pair[0] <= RATE_SPAN_S)
    return (*kept, (observation.time_s, observation.set_voltage_v))


def _timers(memory: Memory, limits: Limits, observation: Observation) -> Memory:
    """Since when line voltage has been still, has lagged its set-point, and no current has flowed."""
    now_s = observation.time_s
    line_voltage_v = memory.value(LINE_VOLTAGE)
    if line_voltage_v is None:
        return memory
    still_at_v, still_since_s = memory.still_at_v, memory.still_since_s
    if still_at_v is None or abs(line_voltage_v - still_at_v) > limits.still_v:
        still_at_v, still_since_s = line_voltage_v, now_s
    return replace(
        memory,
        still_at_v=still_at_v,
        still_since_s=still_since_s,
        lagging_since_s=_since(memory.lagging_since_s, now_s, on=_lags(limits, observation, line_voltage_v)),
        current_seen=memory.current_seen or _current_is_told_from_zero(memory),
        no_current_since_s=_since(memory.no_current_since_s, now_s, on=_draws_nothing(memory, limits, line_voltage_v)),
    )


def _since(since_s: float | None, now_s: float, *, on: bool) -> float | None:
    if not on:
        return None
    return now_s if since_s is None else since_s


def _lags(limits: Limits, observation: Observation, line_voltage_v: float) -> bool:
    set_v, margin_v = observation.set_voltage_v, limits.overshoot_v
    return set_v is not None and margin_v is not None and line_voltage_v < set_v - margin_v


def _current_is_told_from_zero(memory: Memory) -> bool:
    reading = memory.latest.get(LINE_CURRENT)
    return reading is not None and reading.value is not None and reading.value > reading.bound


def _draws_nothing(memory: Memory, limits: Limits, line_voltage_v: float) -> bool:
    """Whether the meter says, its accuracy granted, that hardly any current flows though voltage is there."""
    reading = memory.latest.get(LINE_CURRENT)
    if reading is None or reading.value is None:
        return False
    from_v = limits.no_current_from_v
    if from_v is not None and line_voltage_v >= from_v and reading.value + reading.bound < limits.no_current_a:
        return True
    seen_by_v = limits.current_seen_by_v
    if seen_by_v is not None and line_voltage_v >= seen_by_v and reading.value <= reading.bound:
        return True
    power, seen_by_v = memory.latest.get(REAL_POWER), limits.power_seen_by_v
    if power is None or power.value is None or seen_by_v is None:
        return False
    return line_voltage_v >= seen_by_v and power.value <= power.bound
