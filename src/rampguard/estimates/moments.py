"""A ramp thinned out to the moments that tell: how the line came to each, and what was read there.

A reading of current or power is of one short window, in which a reservoir is charged as fast as the line moves then. So
each moment keeps the reading just before it, too: a model is brought there in one step, and over the last interval in
another.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Final, NamedTuple

import numpy as np

from rampguard.loads.following import EVENT_S, LONGEST_S, MOVED, Sight
from rampguard.loads.rectifier import Floats

KEPT_V: Final = 0.016
"""A moment is kept where the line has moved so far (part of nameplate voltage) since the one before..."""
KEPT_S: Final = 2.5
"""...or so long after it while the line stands still, and twice, three times as long: the longer, the less is new..."""
FLIP_S: Final = 0.4
"""...or the last before the line stops or begins to move, if so long after it."""
FROM_V: Final = 0.04
"""Below this part of line voltage thresholds and the meters' last digits decide, and nothing is compared."""
STILL_FOR_S: Final = 180.0
"""What comes later than so long after the line last moved is warm-up, and is left alone."""

DWELLING_V: Final = 0.03
"""Dwelling at a voltage goes on with the progress by so much in the end (a relay may come a while after its
voltage)..."""
DWELLING_S: Final = 4.0
"""...with this time constant."""

AROUND: Final = 3
"""So many readings before and after a moment say how steadily the line moves there."""


class NothingToTell(ValueError):  # noqa: N818 - what happened
    """The readings cannot be used. The text says why, and what to do."""


@dataclass(frozen=True, slots=True)
class Moment:
    """One kept reading, in terms of the nameplate; the bounds are the meters'.

    The line was at ``before_v`` for the ``gap_s`` since the moment before, and came to ``v`` in ``seconds``.
    """

    time_s: float
    gap_s: float
    before_v: float
    seconds: float
    v: float
    progress: float
    """How far on the ramp is, never less than before: the highest line voltage so far, and a little for dwelling
    there."""
    current: float
    power: float | None
    voltage_bound: float
    current_bound: float
    power_bound: float
    slew_per_s: float
    """How fast the line moved in the last interval, and..."""
    jerk_per_s: float
    """...by how much faster or slower than in the one before: a meter's window has some of both."""
    rough_per_s: float
    """The same over a few readings around it, root mean square: what a hand does between two readings is not seen."""
    before_progress: float
    """Progress at the reading before."""
    compared: bool
    event: bool


@dataclass(slots=True)
class _Walk:
    """Where the thinning stands."""

    kept_v: float = -1.0
    kept_s: float = 0.0
    holds: int = 0
    highest: float = 0.0
    highest_s: float = 0.0
    progress: float = 0.0
    before_progress: float = 0.0
    event_until_s: float = float("-inf")
    event: bool = False


def moments_of(sights: Sequence[Sight], *, nameplate_v: float, nameplate_w: float) -> list[Moment]:
    """The moments of a ramp. Raises NothingToTell where there are no readings."""
    usable = [s for s in sights if s.line_voltage_v is not None and s.line_current_a is not None]
    if len(usable) < 3:
        raise NothingToTell("there are no three readings of line voltage and current together; record a whole ramp")
    times = np.array([s.time_s for s in usable])
    volts = np.maximum(np.array([s.line_voltage_v for s in usable], dtype=np.float64) / nameplate_v, 0.0)
    steps = np.diff(volts, prepend=volts[0])
    slews = steps / np.maximum(np.diff(times, prepend=times[0] - 1.0), 1e-3)
    jerks = np.diff(slews, prepend=slews[0])
    rough = _rough(jerks)
    found, walk = [], _Walk()
    moved_s = times[0]
    for k in range(1, len(usable)):
        moved_s = times[k] if abs(steps[k]) > MOVED else moved_s
        if times[k] - moved_s > STILL_FOR_S and volts[k] > 0.5:
            break
        _pass(walk, usable[k], float(volts[k]))
        flips = k + 1 < len(usable) and (abs(steps[k + 1]) > MOVED) != (abs(steps[k]) > MOVED)
        if times[k] > times[k - 1] and _kept(walk, times[k], volts[k], flips=flips):
            line = _Line(times[k - 1], volts[k - 1], times[k], volts[k], slews[k], jerks[k], rough[k])
            found.append(_moment(walk, usable[k], line, nameplate_v, nameplate_w))
            _keep(walk, float(times[k]), float(volts[k]))
    return found


def _pass(walk: _Walk, sight: Sight, v: float) -> None:
    if v > walk.highest + MOVED:
        walk.highest, walk.highest_s = v, sight.time_s
    walk.before_progress = walk.progress
    dwelt_s = sight.time_s - walk.highest_s
    walk.progress = max(walk.progress, walk.highest + DWELLING_V * (1.0 - float(np.exp(-dwelt_s / DWELLING_S))))
    if sight.event:
        walk.event, walk.event_until_s = True, sight.time_s + EVENT_S


def _kept(walk: _Walk, time_s: float, v: float, *, flips: bool) -> bool:
    since_s = time_s - walk.kept_s
    moved = abs(v - walk.kept_v) >= KEPT_V or walk.event or (flips and since_s >= FLIP_S)
    return moved or since_s >= KEPT_S * (1 + walk.holds)


def _keep(walk: _Walk, time_s: float, v: float) -> None:
    walk.holds = walk.holds + 1 if abs(v - walk.kept_v) < KEPT_V else 0
    walk.kept_s, walk.kept_v, walk.event = time_s, v, False


class _Line(NamedTuple):
    """The line at a reading and at the one before."""

    before_s: float
    before_v: float
    time_s: float
    v: float
    slew_per_s: float
    jerk_per_s: float
    rough_per_s: float


def _rough(jerks: Floats) -> Floats:
    """Root mean square over a few readings around each."""
    kernel = np.full(2 * AROUND + 1, 1.0 / (2 * AROUND + 1))
    return np.sqrt(np.convolve(np.square(jerks), kernel, mode="same"))


def _moment(walk: _Walk, sight: Sight, line: _Line, nameplate_v: float, watts: float) -> Moment:
    amperes = watts / nameplate_v
    gap_s = min(line.before_s - walk.kept_s, LONGEST_S) if walk.kept_v >= 0.0 else 0.0
    return Moment(
        time_s=float(line.time_s),
        gap_s=max(float(gap_s), 0.0),
        before_v=float(line.before_v),
        seconds=min(float(line.time_s - line.before_s), LONGEST_S),
        v=float(line.v),
        progress=walk.progress,
        before_progress=walk.before_progress,
        current=max(sight.line_current_a or 0.0, 0.0) / amperes,
        power=None if sight.real_power_w is None else max(sight.real_power_w, 0.0) / watts,
        voltage_bound=sight.voltage_bound_v / nameplate_v,
        current_bound=sight.current_bound_a / amperes,
        power_bound=sight.power_bound_w / watts,
        slew_per_s=float(line.slew_per_s),
        jerk_per_s=float(line.jerk_per_s),
        rough_per_s=float(line.rough_per_s),
        compared=bool(line.v >= FROM_V) and sight.time_s > walk.event_until_s,
        event=walk.event,
    )
