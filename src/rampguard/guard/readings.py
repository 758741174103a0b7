"""Layer 1: readings that cannot be trusted. Missing, stale, invalid or disagreeing ones are unsafe, never zero."""

from __future__ import annotations

from collections.abc import Iterator

from rampguard.guard.case import Case, trip, warn, words
from rampguard.guard.decision import Finding, Layer
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Validity


def untrusted_readings(case: Case) -> Iterator[Finding]:
    """Invalid readings, and readings too old: unsafe, never zero."""
    for reading in case.observation.readings:
        if reading.validity is Validity.VALID:
            continue
        in_a_row = case.memory.bad_in_a_row[reading.signal]
        text = f"{words(reading.signal)}: reading is {reading.validity}"
        if reading.signal in case.limits.watched and in_a_row >= case.limits.bad_in_a_row:
            yield trip("bad-reading", f"{text}, {in_a_row} in a row", Layer.READING)
        else:
            yield warn("bad-reading", text, Layer.READING)
    for signal in case.limits.watched:
        age_s = case.memory.age_s(signal, case.now_s)
        if age_s > case.limits.stale_s(signal):
            yield trip(
                "stale",
                f"{words(signal)}: no valid reading for {age_s:.2g} s (limit {case.limits.stale_s(signal):.2g} s)",
                Layer.READING,
            )


def disagreeing_readings(case: Case) -> Iterator[Finding]:
    """Real power cannot exceed volts times amperes: where it does, a meter is wrong, wrongly wired or wrongly read."""
    by_signal = {r.signal: r for r in case.observation.readings if r.value is not None}
    if not {LINE_VOLTAGE, LINE_CURRENT, REAL_POWER} <= by_signal.keys():
        return
    volts, amperes, watts = (by_signal[s] for s in (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER))
    v, i, p = volts.value or 0.0, amperes.value or 0.0, watts.value or 0.0
    highest_va = (v + volts.bound) * (i + amperes.bound)
    if p - watts.bound > highest_va * (1.0 + case.limits.power_over_va_fraction):
        yield trip(
            "disagreement",
            f"readings disagree: {p:.4g} W is more than {v:.4g} V times {i:.4g} A can be",
            Layer.READING,
        )
