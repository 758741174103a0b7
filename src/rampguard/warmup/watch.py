"""The warm-up watch: what a warming idle does, what it comes to, and what to do about it. Pure.

It looks at one channel's readings since full line, in stretches between touches (see `approach`), and at its target.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Final

import numpy as np

from rampguard.warmup.approach import Forecast, Stretch, forecast
from rampguard.warmup.growth import runs_away
from rampguard.warmup.sheet import IdleTarget

FAR_TOO_HIGH: Final = 1.5
"""An idle so many times its target is turned down at once, however early it is; common practice, no source."""
AWAY_FROM: Final = 0.25
"""From this part of its target on an idle can run away; below, a display's last digit is much of it."""
STAYS_SETTLED: Final = 1.3
"""What has settled counts as settled to so many times the tolerance, lest it be told to and fro."""
DRIFT_TOLD: Final = 0.15
"""How far an idle still drifts is told where its forecast is no wider than this part of it."""
CREST: Final = 0.5
"""A crest is where it still is within this part of the tolerance of its highest."""


class Going(StrEnum):
    """What a warming idle does."""

    UNTOLD = "not told yet"
    RISING = "rising"
    CRESTING = "cresting"
    SETTLING = "settling"
    SETTLED = "settled"
    RUNNING_AWAY = "running away"


class Do(StrEnum):
    """What to do about it."""

    WAIT = "wait"
    ADJUST = "adjust now"
    TURN_DOWN = "turn down"
    SWITCH_OFF = "switch off"
    FIND_OUT = "find out why"
    LEAVE = "leave it"


@dataclass(frozen=True, slots=True)
class Watch:
    """One look. ``text`` says it in a sentence; ``set_to_v``, V, is where to turn the trimmer to, if anywhere."""

    going: Going
    do: Do
    text: str
    now_v: float
    forecast: Forecast | None = None
    set_to_v: float | None = None


def look(
    stretches: Sequence[Stretch],
    target: IdleTarget,
    full_line_min: float,
    *,
    adjustable: bool = True,
    before: Going = Going.UNTOLD,
) -> Watch:
    """What the newest stretch says, ``full_line_min`` minutes after full line. Volts across the test points.

    ``adjustable``: whether there is a trimmer to turn; ``before``: what it did at the last look.
    """
    newest = stretches[-1]
    if not len(newest.values):
        return Watch(Going.UNTOLD, Do.WAIT, "no reading of the idle yet", float("nan"))
    now_v = float(np.median(newest.values[-5:]))
    if runs_away(newest.time_s, newest.values, from_value=AWAY_FROM * target.volts):
        text = f"the idle runs away: {_mv(now_v)} and rising faster and faster. Switch off, let it cool, find out why"
        return Watch(Going.RUNNING_AWAY, Do.SWITCH_OFF, text, now_v)
    comes = forecast(stretches, target.tolerance_v)
    going = Going.UNTOLD if comes is None else _going(newest, now_v, comes, target.tolerance_v, before)
    do, text, set_to_v = _what_to_do(going, now_v, comes, target, full_line_min)
    if set_to_v is not None and not adjustable:
        text = f"{_mv(now_v)}, {going}, where {_mv(target.volts)} is right; nothing sets it: find out why"
        return Watch(going, Do.FIND_OUT, text, now_v, comes)
    return Watch(going, do, text, now_v, comes, set_to_v)


def _going(newest: Stretch, now_v: float, comes: Forecast, tolerance_v: float, before: Going) -> Going:
    stays = STAYS_SETTLED if before is Going.SETTLED else 1.0
    if max(abs(comes.high - now_v), abs(comes.low - now_v)) <= stays * tolerance_v:
        return Going.SETTLED
    if comes.per_s > 0.0:
        return Going.RISING
    values = newest.values
    highest_v, place = float(values.max()), int(values.argmax())
    rose = highest_v - float(np.median(values[:5])) > tolerance_v and place > len(values) // 20
    if rose and highest_v - now_v <= CREST * tolerance_v:
        return Going.CRESTING
    return Going.SETTLING


def _what_to_do(
    going: Going, now_v: float, comes: Forecast | None, target: IdleTarget, full_line_min: float
) -> tuple[Do, str, float | None]:
    if now_v > FAR_TOO_HIGH * target.volts:
        text = f"{_mv(now_v)} is far above its {_mv(target.volts)}: turn it down before it warms any more"
        return Do.TURN_DOWN, text, target.volts
    if comes is None:
        return Do.WAIT, f"{_mv(now_v)}; too early to say where it goes", None
    outcome = f"{_mv(now_v)}, {going}; comes to {_mv(comes.comes_to)} ({_mv(comes.low)} to {_mv(comes.high)})"
    if comes.settles_in_s > 60.0:
        outcome += f" in some {comes.settles_in_s / 60.0:.0f} min"
    if full_line_min < target.first_setting_min:
        return Do.WAIT, f"{outcome}. First setting {target.first_setting_min:g} min after full line", None
    within = (target.volts - target.tolerance_v, target.volts + target.tolerance_v)
    surely_right = comes.low >= within[0] and comes.high <= within[1]
    surely_wrong = comes.high < within[0] or comes.low > within[1]
    if surely_wrong or (going is Going.SETTLED and not within[0] <= comes.comes_to <= within[1]):
        # A channel's idle drifts by about a part of itself, so that it is set to as much of the target as it is now of
        # what it comes to; where that is told too loosely, as of next to nothing, to the target itself.
        told = comes.high - comes.low < DRIFT_TOLD * comes.comes_to
        set_to_v = target.volts * (now_v / comes.comes_to if told else 1.0)
        return Do.ADJUST, f"{outcome}, not {_mv(target.volts)}. Turn until it shows {_mv(set_to_v)} now", set_to_v
    if full_line_min < target.final_check_min:
        return Do.WAIT, f"{outcome}. Final check, lid on, {target.final_check_min:g} min after full line", None
    if going is Going.SETTLED and surely_right:
        return Do.LEAVE, f"{outcome}: right, and settled", None
    return Do.WAIT, f"{outcome}; not settled yet", None


def _mv(volts: float) -> str:
    return f"{1e3 * volts:.3g} mV"
