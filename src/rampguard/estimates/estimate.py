"""From samples to answers: an estimate, its 95 % interval, what the class alone would say, and whether the ramp told.

Pure. A quantity of which the ramp leaves hardly less than the class did is not told, whatever its estimate.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field, replace
from typing import Final

import numpy as np

from rampguard.estimates.moments import Moment, moments_of
from rampguard.estimates.sampled import Posterior, Samples, posterior
from rampguard.estimates.sought import RESERVOIR, SOFT_START, SOUGHT, SPREADS, Sought, Unit
from rampguard.loads.following import Sight
from rampguard.loads.rectifier import Floats
from rampguard.loads.uncertainty import standard

INTERVAL: Final = (0.025, 0.5, 0.975)
HARDLY: Final = 0.7
"""An interval this part as wide as the class's, in the logarithm, or wider, is hardly narrower: nothing was told."""
NO_FIT: Final = 2.0
"""A misfit from which on the unit is none that the models know; of 504 units learnt from one is beyond it, 2.5."""
SURE: Final = 0.95
"""A soft start is there, or is not, from this probability on."""


@dataclass(frozen=True, slots=True)
class RailRead:
    """A rail as a meter read it at the end, V: its size, and the meter's bound."""

    volts: float
    bound_v: float = 0.0


@dataclass(frozen=True, slots=True)
class Estimate:
    """One answer, in its own ``unit``. ``told`` says whether the ramp tells it."""

    name: str
    unit: str
    title: str
    estimate: float
    low: float
    high: float
    class_low: float
    class_high: float
    told: bool
    measured: bool = False
    """Read by a meter: then there is nothing that a class would say."""


@dataclass(frozen=True, slots=True)
class Estimates:
    """All that one ramp tells. ``soft_start`` is how likely there is one that it sees; None where it cannot."""

    unit: Unit
    moments: int
    to_v: float
    """The highest line voltage, of nameplate voltage."""
    misfit: float
    answers: tuple[Estimate, ...]
    soft_start: float | None = None
    bypass_at: tuple[float, float, float] | None = None
    """Where its relay pulled in, of nameplate voltage: interval and median."""
    rails: tuple[RailRead, ...] = field(default=())

    @property
    def fits(self) -> bool:
        """Whether the class's models meet the readings at all."""
        return self.misfit < NO_FIT


def estimates_of(unit: Unit, sights: Sequence[Sight], rails: Sequence[RailRead] = ()) -> Estimates:
    """What a healthy unit's ramp tells. Raises NothingToTell."""
    moments = moments_of(sights, nameplate_v=unit.nameplate_v, nameplate_w=unit.nameplate_w)
    return answered(unit, moments, posterior(unit.load_class, moments), rails)


def answered(
    unit: Unit,
    moments: Sequence[Moment],
    found: Posterior,
    rails: Sequence[RailRead] = (),
    *,
    by_diodes: bool = False,
    spreads: Mapping[str, Mapping[str, float]] = SPREADS,
) -> Estimates:
    """What a posterior says. ``by_diodes``: tell what the rails' diodes say of them, too, where they were metered."""
    own = spreads.get(unit.load_class, {})
    answers = [_answer(sought, found.after, found.prior, unit, own.get(sought.name, 0.0)) for sought in SOUGHT]
    if rails:
        kept = [answer for answer in answers if by_diodes or answer.name != "rail_v"]
        answers = [*kept, _measured(rails), _reservoir(found, unit, rails, own.get(RESERVOIR.name, 0.0))]
    sees, soft, bypass_at = _soft_start(found, unit, moments, own.get(SOFT_START.name, 0.0))
    return Estimates(
        unit,
        sum(m.compared for m in moments),
        max(m.v for m in moments),
        found.misfit,
        (*answers, *soft),
        sees,
        bypass_at,
        tuple(rails),
    )


def quantiles(values: Floats, spread: float) -> tuple[float, float, float]:
    """Interval and median of samples of a positive quantity, each off by ``spread`` in the logarithm besides."""
    noise = np.random.default_rng(len(values)).standard_normal(len(values))
    low, middle, high = np.quantile(np.maximum(values, 1e-12) * np.exp(spread * noise), INTERVAL)
    return float(low), float(middle), float(high)


def _answer(
    sought: Sought, after: Samples, before: Samples, unit: Unit, spread: float, *, scale: float = 1.0
) -> Estimate:
    """What samples say of a quantity after the ramp, beside what they said before it."""
    low, middle, high = (scale * edge for edge in quantiles(sought.of(after, unit), spread))
    least, _, most = (scale * edge for edge in quantiles(sought.of(before, unit), 0.0))
    return Estimate(
        sought.name,
        sought.unit,
        sought.title,
        middle,
        low,
        high,
        least,
        most,
        told=bool(np.log(high / low) < HARDLY * np.log(most / least)),
    )


def _measured(rails: Sequence[RailRead]) -> Estimate:
    """The rails as read."""
    volts = float(np.mean([rail.volts for rail in rails]))
    bound_v = max(rail.bound_v for rail in rails)
    low, high = volts - bound_v, volts + bound_v
    return Estimate("rail_v", "V", "each rail, by its meter", volts, low, high, low, high, told=True, measured=True)


def _reservoir(found: Posterior, unit: Unit, rails: Sequence[RailRead], spread: float) -> Estimate:
    """Capacitance on each rail, the rails taken as alike: two joules over volts squared."""
    volts = np.array([rail.volts for rail in rails])
    off = float(np.mean([standard(rail.bound_v) / rail.volts for rail in rails]))
    to_uf = 2e6 / float(np.sum(np.square(volts)))
    return _answer(RESERVOIR, found.after, found.prior, unit, float(np.hypot(spread, 2.0 * off)), scale=to_uf)


def _soft_start(
    found: Posterior, unit: Unit, moments: Sequence[Moment], spread: float
) -> tuple[float | None, list[Estimate], tuple[float, float, float] | None]:
    """How likely a soft start is, its resistor, and where it was bypassed; only if it is rather there than not."""
    if "soft_ohm" not in found.after.values or max(m.v for m in moments) < BYPASS_SEEN_FROM:
        return None, [], None
    sees = float(np.mean(found.after.soft))
    if sees < 0.5:
        return sees, [], None
    some = _with_soft_start(found.after)
    answer = _answer(SOFT_START, some, _with_soft_start(found.prior), unit, spread)
    sooner, later = zip(*(_between(moments, edge) for edge in some.values["bypass_at"]), strict=True)
    at = np.quantile(sooner, INTERVAL[0]), np.median([*sooner, *later]), np.quantile(later, INTERVAL[2])
    answer = replace(answer, told=answer.told and sees >= SURE)
    return sees, [answer], (float(at[0]), float(at[1]), float(at[2]))


BYPASS_SEEN_FROM: Final = 0.92
"""A ramp that did not come so far has not seen every relay pull in."""


def _with_soft_start(some: Samples) -> Samples:
    has = some.soft > 0.5
    return Samples({name: values[has] for name, values in some.values.items()}, some.soft[has], some.way)


def _between(moments: Sequence[Moment], progress: float) -> tuple[float, float]:
    """The line voltages of the moments before and after a ramp was so far on."""
    after = next((n for n, m in enumerate(moments) if m.progress >= progress), len(moments) - 1)
    return moments[max(after - 1, 0)].v, moments[after].v
