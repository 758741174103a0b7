"""What a bench check makes of what was measured: each fault named, with what to look at. Pure.

All limits: common practice, no source, but for the filament's law (`rampguard.loads.filament`).
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from statistics import median
from typing import Final

import numpy as np

from rampguard.engine.ceilings import LEAST_PERIOD_S
from rampguard.engine.supply import PERSON_S, WINDOWS_BLIND
from rampguard.guard.permissives import Standing
from rampguard.loads import filament
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Signal
from rampguard.ramp.by_hand import fastest_v_per_s

DEAD_BELOW_V: Final = 2.0
"""A line without supply reads below this."""
LAMP_FRACTION: Final = 0.10
"""The known load is tried at this part of mains: a filament is dark there."""
LAMP_WITHIN: Final = 1.6
"""A lamp's current is within so many times of what its wattage says: marked watts, and cold filaments, vary."""
LAMP_CONDUCTED: Final = 0.15
"""Part of a lamp's power that leads and gas carry off at rated voltage; common practice, no source."""
VOLTS_WITHIN: Final = 0.06
"""A meter's volts are within this part of the set-point, and two meters of the line of each other."""
SLOW_S: Final = 1.0
"""A line meter whose readings are farther apart than this cannot guard a ramp."""
OWN_PACE: Final = 0.95
"""A meter that does not keep this part of the pace its dialect states is told of."""


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was looked at."""

    check: str
    standing: Standing
    said: str


def holds(check: str, said: str) -> Finding:
    """It was looked at, and is well."""
    return Finding(check, Standing.HOLDS, said)


def fails(check: str, said: str) -> Finding:
    """It was looked at, and is not."""
    return Finding(check, Standing.FAILS, said)


@dataclass
class Sheet:
    """All that one check of a bench came to."""

    findings: list[Finding] = field(default_factory=list)
    was_live: bool = False
    """Whether the lamp was live."""
    off_unproven: bool = False
    """Whether something was live at the end that could not be proven off."""

    def failed(self) -> bool:
        """Whether anything is not as it should be."""
        return any(finding.standing is Standing.FAILS for finding in self.findings)


# -- pace --------------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Pace:
    """How a meter kept up: times of its valid readings of one signal, s, over how long it was watched."""

    name: str
    times_s: tuple[float, ...]
    watched_s: float
    measuring_time_s: float
    range_change_s: float

    @property
    def longest_gap_s(self) -> float:
        """The longest time without a reading."""
        if len(self.times_s) < 2:
            return self.watched_s
        return max(later - earlier for earlier, later in zip(self.times_s, self.times_s[1:], strict=False))

    @property
    def per_s(self) -> float:
        """Readings a second."""
        return len(self.times_s) / self.watched_s

    @property
    def blind_s(self) -> float:
        """From a change in the line to its being read, at worst."""
        slowest_s = max(self.longest_gap_s, self.measuring_time_s)
        return WINDOWS_BLIND * slowest_s + max(0.0, self.range_change_s - self.longest_gap_s)


def pace_finding(pace: Pace, *, of_line: bool) -> Finding:
    """Whether a meter keeps its own pace, and whether that is fast enough to guard a ramp."""
    check = f"pace of {pace.name}"
    said = (
        f"{pace.per_s:.1f} readings a second, longest gap {pace.longest_gap_s:.2f} s,"
        f" each up to {pace.measuring_time_s:g} s old"
    )
    if len(pace.times_s) < 2:
        return fails(check, f"{len(pace.times_s)} readings in {pace.watched_s:.0f} s; is it asked what it can answer?")
    if of_line and pace.longest_gap_s > SLOW_S:
        return fails(check, f"{said}: too slow to guard a ramp; use another, or its faster rate")
    own_s = max(pace.measuring_time_s, LEAST_PERIOD_S)
    if pace.per_s < OWN_PACE / own_s * (1.0 - 1.0 / len(pace.times_s)):
        # No fault of the bench's: what was measured is what counts.
        return holds(check, f"{said}; slower than its dialect's {own_s:g} s: does something else ask it, too?")
    return holds(check, said)


def worst_case(mains_v: float, paces: Sequence[Pace], cut_s: float | None) -> Finding:
    """From a fault to the cut at worst, and so how fast line voltage may rise. ``cut_s`` None: a person cuts."""
    blind_s = max(pace.blind_s for pace in paces) + (PERSON_S if cut_s is None else cut_s)
    by = "a person's second included" if cut_s is None else f"{cut_s:.2f} s of it the cut"
    most = fastest_v_per_s(mains_v, blind_s)
    return holds("worst case", f"fault to cut in {blind_s:.2f} s, {by}: turn or drive up no faster than {most:.2g} V/s")


# -- zero --------------------------------------------------------------------------------------------------------------


def zero_findings(readings: Sequence[Reading]) -> list[Finding]:
    """With everything off and the variac at zero: no volts, and how small a current could be told."""
    found = []
    for reading in readings:
        if reading.value is None:
            found.append(fails(_of(reading), f"no reading ({reading.validity}): is it on, on the right range?"))
        elif reading.signal == LINE_VOLTAGE and abs(reading.value) > DEAD_BELOW_V:
            found.append(
                fails(
                    _of(reading),
                    f"{reading.value:.3g} V with everything off: source or variac is not at zero, or this meter sits"
                    " before the cut-off on a live line",
                )
            )
        elif reading.signal == LINE_CURRENT:
            smallest_ma = 2000.0 * reading.bound
            found.append(holds(_of(reading), f"at zero; trusts currents from {smallest_ma:.0f} mA on"))
        else:
            found.append(holds(_of(reading), f"{reading.value:.3g} {reading.signal.unit} with everything off"))
    return found


def _of(reading: Reading) -> str:
    return f"zero of {reading.instrument}, {reading.signal.quantity.replace('_', ' ')}"


# -- the known load ----------------------------------------------------------------------------------------------------


def lamp_current_a(watts: float, rated_v: float, volts: float) -> float:
    """What a filament lamp takes once it has settled, A rms."""
    part = np.array([volts / rated_v])
    t = np.array([filament.COLD])
    for _ in range(200):
        t = filament.warm(t, part * part, 0.05, np.array([0.1]), np.array([LAMP_CONDUCTED]))
    return float(watts / rated_v * part[0] / filament.resistance(t)[0])


Means = Mapping[tuple[str, Signal], float]
"""Mean readings, by instrument and signal; a reading that never came is not in it."""


def means(readings: Sequence[Reading]) -> Means:
    """The middle of the valid readings of each instrument and signal."""
    by: dict[tuple[str, Signal], list[float]] = {}
    for reading in readings:
        if reading.value is not None:
            by.setdefault((reading.instrument, reading.signal), []).append(reading.value)
    return {key: median(values) for key, values in by.items()}


def lamp_findings(live: Means, dead: Means, *, volts: float | None, watts: float, mains_v: float) -> list[Finding]:
    """What the meters showed of a lamp of so many watts, at ``volts`` (None: turned by hand, so about a tenth)."""
    about_v = LAMP_FRACTION * mains_v if volts is None else volts
    about_a = lamp_current_a(watts, mains_v, about_v)
    swapped = _swapped(live, about_v, about_a)
    if swapped is not None:
        return [swapped]
    found = [_volts(name, value, volts, about_v) for (name, s), value in live.items() if s == LINE_VOLTAGE]
    seen_v = next((value for (_, s), value in live.items() if s == LINE_VOLTAGE and value > DEAD_BELOW_V), about_v)
    expected_a = lamp_current_a(watts, mains_v, min(max(seen_v, 1.0), mains_v))
    currents = {key: value for key, value in live.items() if key[1] == LINE_CURRENT}
    found += [_amperes(name, value, expected_a, watts) for (name, _), value in currents.items()]
    amperes = next(iter(currents.values()), expected_a)
    found += [_watts(n, value, seen_v * amperes) for (n, s), value in live.items() if s == REAL_POWER]
    found += [
        fails(f"{name} follows", f"reads {value:.4g} {signal.unit} with the lamp on and with everything off: stuck")
        for (name, signal), value in live.items()
        if value == dead.get((name, signal)) and signal in (LINE_VOLTAGE, LINE_CURRENT) and value != 0.0
    ]
    return found


def _swapped(live: Means, about_v: float, about_a: float) -> Finding | None:
    by_signal = {signal: (name, value) for (name, signal), value in live.items()}
    if not {LINE_VOLTAGE, LINE_CURRENT} <= by_signal.keys():
        return None
    (volts_of, volts), (amperes_of, amperes) = by_signal[LINE_VOLTAGE], by_signal[LINE_CURRENT]
    if volts_of == amperes_of or not (0.5 < amperes / about_v < 2.0 and volts < 5.0 * about_a + 0.5):
        return None
    said = f"{volts_of} reads {volts:.3g} as volts and {amperes_of} {amperes:.3g} as amperes"
    return fails("meters", f"{said}: they are swapped; exchange their resources, or their leads")


def more_than_a_lamp(name: str, amperes: float, volts: float, set_v: tuple[float, float] | None) -> str:
    """What to say of a current that no lamp of that size takes, by the volts read beside it.

    ``set_v``: the least and the most volts set while the reading may have been taken; None where a person turns.
    """
    said = f"{name} reads {amperes:.3g} A, more than the lamp could take; cut"
    if set_v is not None and 0.5 * set_v[0] < amperes < 2.0 * set_v[1] and volts < 0.2 * set_v[1]:
        return f"{said}. It reads the volts that were set, and the voltmeter next to nothing: they are swapped"
    if set_v is None and volts < 0.5:
        return f"{said}. With next to no volts: volts and amperes are swapped, or the lamp's socket is shorted"
    return said


def _volts(name: str, value: float, set_v: float | None, about_v: float) -> Finding:
    check = f"volts of {name}"
    if value < DEAD_BELOW_V:
        said = f"{value:.3g} V where {about_v:.3g} V were set"
        return fails(check, f"{said}: the cut-off does not close, or this meter is stuck, or not behind it")
    if set_v is not None and abs(value - set_v) > VOLTS_WITHIN * set_v + 1.0:
        return fails(check, f"{value:.3g} V where {set_v:.3g} V were set: source or meter on a wrong range, or scale")
    return holds(check, f"{value:.3g} V")


def _amperes(name: str, value: float, expected_a: float, watts: float) -> Finding:
    check, ratio = f"amperes of {name}", value / expected_a
    said = f"{1000.0 * value:.3g} mA where a lamp of {watts:g} W takes some {1000.0 * expected_a:.3g} mA"
    if ratio < 0.02:
        for times, words in ((1e-3, "a thousandth"), (1e-2, "a hundredth")):
            if 1.0 / LAMP_WITHIN < ratio / times < LAMP_WITHIN and value > 0.0:
                return fails(check, f"{said}: {words}; its unit, shunt or transformer ratio is wrong in its dialect")
        return fails(check, f"{said}: no lamp in, or this meter's current does not go through the line")
    if 1.0 / LAMP_WITHIN <= ratio <= LAMP_WITHIN:
        return holds(check, said)
    return fails(check, f"{said}: {ratio:.2g} times as much; wrong range, unit, shunt, or another lamp than was said")


def _watts(name: str, value: float, apparent_va: float) -> Finding:
    check, said = f"watts of {name}", f"{value:.3g} W where volts times amperes are {apparent_va:.3g}"
    if value < -0.2 * apparent_va:
        return fails(check, f"{said}: below zero; its current is reversed: turn the clamp round, or exchange the leads")
    if not 0.85 * apparent_va - 0.2 <= value <= 1.15 * apparent_va + 0.2:
        return fails(check, f"{said}: a lamp takes as much; volts and amperes are not of one line, or a scale is wrong")
    return holds(check, said)


# -- the cut -----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Cut:
    """What one way off did to the live lamp."""

    way_off: str
    read_back_s: float | None
    """Wall time until it read back off; None if it never did."""
    dead_s: Mapping[str, float | None]
    """Of each line meter after the cut-off: wall time until it read a dead line; None if it never did."""
    amperes_gone: bool
    """Whether the lamp's current went."""


def cut_findings(cut: Cut) -> list[Finding]:
    """Whether one way off cut, and whether each meter that should prove it did."""
    check = f"cut by {cut.way_off}"
    if cut.read_back_s is None:
        return [fails(check, "was commanded off and does not read back off; it takes no notice, or its query lies")]
    alive = [name for name, seconds in cut.dead_s.items() if seconds is None]
    if alive and not cut.amperes_gone:
        return [fails(check, f"reads back off, yet {', '.join(alive)} and the current go on: its contacts are welded")]
    found = [
        fails(
            f"position of {name}",
            f"still reads the line after {cut.way_off} cut, though the current is gone: it sits before the cut-off, so"
            " it proves nothing; move it behind, or say before-cut-off",
        )
        for name in alive
    ]
    dead = [seconds for seconds in cut.dead_s.values() if seconds is not None]
    when = f"; the line was read dead after {max(dead):.2f} s" if dead else ""
    return [holds(check, f"read back off after {cut.read_back_s:.2f} s{when}"), *found]
