"""A mains transformer and what its secondaries charge, in the time domain.

From first principles: line and primary resistance; a core whose flux is the integral of its voltage and whose current
rises steeply past a knee; core loss; secondaries that charge reservoirs through diodes, each path with its resistance
and, where there is one, its choke. Primary and secondary leakage inductance are left out: on line frequency they are
small against the resistances of transformers of this size.

On a half cycle the paths are functions of the size v of the core's voltage, each nearly n max(0, n v - t)/r with the
diode's own curve replaced by its tangent. What the line brings, (u - v)/R, falls with v and what is taken rises with
it, so there is one meeting point, found by Newton's method; the tangents are then taken anew where it was found. Each
reservoir is inside its path (backward Euler), which keeps any step size stable.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Final

from instruments.simulated.ops import Ops, Real

PASSES: Final = 2
"""Tangents are taken so often a step; more change nothing that a meter would show."""
BARELY_V: Final = 0.3
"""Below this forward voltage a silicon junction's current is left out (0.1 mA for the diode of `SILICON_A`)."""
EMISSION_V: Final = 0.05
"""A rectifier diode's voltage per e-fold of current, emission coefficient times kT/e: 1.93 x 25.9 mV."""
SILICON_A: Final = 2.5e-7
"""Saturation current of a silicon rectifier diode: 0.76 V at 1 A (data sheets of 3 A parts; common practice)."""
SMALLEST_A: Final = 1e-3
"""Tangents are taken at this current at least."""
WORN_BY_KNEES: Final = 8.0
"""Remanence is worn by an e-fold after so many times the knee's flux in volt-seconds; common practice, no source."""
BLOCKED: Final = 1e12
"""A threshold that no voltage reaches."""


@dataclass(slots=True)
class Output:
    """One rectified output: its parts, what its load takes, and its state. SI.

    ``ratio`` is secondary over primary turns, of the half winding where there is a centre tap; ``ohm`` the winding's
    and wiring's resistance; ``junctions`` the diodes in series. A valve rectifier has ``perveance`` in A/V^1.5 (None:
    silicon), scaled by ``emission`` from 0 (cold) to 1.

    Within a step the reservoir is folded into its path: it ends at what it held, less what is taken, plus what the
    rectifier brings, shrunk by the conductance of the load and of a rectifier that conducts both ways.
    """

    ratio: Real
    ohm: Real
    farad: Real
    junctions: int = 1
    saturation_a: Real = SILICON_A
    choke_h: Real = 0.0
    perveance: Real = None
    emission: Real = 1.0
    short_s: Real = None
    """Conductance of a rectifier that conducts both ways, with its half winding; zero or None where none does."""
    take_a: Real = 0.0
    """What the load takes at any voltage..."""
    load_s: Real = 0.0
    """...and what it takes more for each volt: for loads too quick for a time step, such as a short."""
    volts: Real = 0.0
    """Voltage of the reservoir, its size."""
    amperes: Real = 0.0
    """What the rectifier brings."""
    emission_v: float = field(init=False)
    """Voltage per e-fold of current of the junctions in series."""
    barely_v: float = field(init=False)
    """Forward voltage from which current is looked for."""
    tied: Real = field(init=False, default=0.0)
    """How far the reservoir follows the end of the winding that it is tied to, in one step."""
    kept_v: Real = field(init=False, default=0.0)
    """What the reservoir would end the step at without its rectifier."""
    reach: Real = field(init=False, default=1.0)
    """The turns ratio as the path sees it."""
    _volts_per_a: Real = field(init=False, default=0.0)
    _own_ohm: Real = field(init=False, default=0.0)
    _own_v: Real = field(init=False, default=0.0)
    _path_ohm: Real = field(init=False, default=1.0)
    _path_v: Real = field(init=False, default=0.0)

    def __post_init__(self) -> None:
        self.emission_v = EMISSION_V * self.junctions
        self.barely_v = BARELY_V * self.junctions if self.perveance is None else 0.0

    def begin(self, half: Real, dt_s: float) -> None:
        """Fold the reservoir into the path for one step, on a half cycle of the sign given."""
        per_a = dt_s / self.farad
        if self.short_s is None:
            shrink = 1.0 / (1.0 + self.load_s * per_a)
            self.reach = self.ratio
        else:
            tie = self.short_s * per_a
            shrink = 1.0 / (1.0 + self.load_s * per_a + tie)
            self.tied = tie * shrink
            self.reach = self.ratio * (1.0 - half * self.tied)
        self.kept_v = (self.volts - self.take_a * per_a) * shrink
        self._volts_per_a = per_a * shrink
        choke_ohm = self.choke_h / dt_s
        self._own_ohm = self.ohm + choke_ohm + self._volts_per_a
        self._own_v = self.kept_v - choke_ohm * self.amperes

    def path(self, half: Real, ops: Ops) -> tuple[Real, Real]:
        """The path with its rectifier's tangent at the current it stands at, referred to the core: g v - c."""
        if self.perveance is None:
            # Where nothing flows yet, the tangent is taken at a current of the size to come.
            i = ops.most(self.amperes, ops.most(0.1 * self.take_a, SMALLEST_A))
            self._path_v = self._own_v + self.emission_v * (ops.log(i / self.saturation_a) - 1.0)
            self._path_ohm = self._own_ohm + self.emission_v / i
        else:
            i = ops.most(self.amperes, ops.most(0.1 * self.take_a, 1e-5))
            drop_v = ops.power(i / (self.perveance * self.emission + 1e-12), 2.0 / 3.0)
            self._path_v = self._own_v + drop_v / 3.0
            self._path_ohm = self._own_ohm + 2.0 * drop_v / (3.0 * i)
        if self.short_s is not None:  # on its own half cycle the tie carries everything
            self._path_v = ops.either(half * self.short_s > 0.0, BLOCKED, self._path_v)
        part = self.reach / self._path_ohm
        return part * self.reach, part * self._path_v

    def flow(self, v: Real, ops: Ops) -> None:
        """Take the path's current at a core voltage."""
        self.amperes = ops.above_zero(self.reach * v - self._path_v) / self._path_ohm

    def end(self, half: Real, v: Real, ops: Ops) -> None:
        """The reservoir at the step's end."""
        volts = self.kept_v + self.amperes * self._volts_per_a
        if self.short_s is None:
            self.volts = ops.above_zero(volts)
        else:  # an electrolytic driven backwards conducts: no lower than a diode's drop
            self.volts = ops.most(volts + half * self.ratio * v * self.tied, ops.either(self.short_s > 0.0, -1.0, 0.0))

    def empty(self, dt_s: float, ops: Ops) -> None:
        """One time step without the rectifier."""
        self.amperes = 0.0
        per_a = dt_s / self.farad
        self.volts = ops.above_zero((self.volts - self.take_a * per_a) / (1.0 + self.load_s * per_a))


@dataclass(slots=True)
class Transformer:
    """A transformer and its outputs. Referred to the primary where not said otherwise; SI."""

    primary_ohm: Real
    magnetising_h: Real
    knee_wb: Real
    knee_a: Real
    core_loss_ohm: Real
    outputs: tuple[Output, ...] = ()
    residual_wb: Real = 0.0
    """Flux that the core keeps when the line goes: its size at most."""
    loaded_s: Real = 0.0
    """Conductance of whatever else loads the core: heaters."""
    shorted_s: Real = 0.0
    """And of shorted turns."""
    flux_wb: Real = 0.0
    remanent_wb: Real = 0.0
    """The part of the flux that the core holds by itself, without any current: worn away by volt-seconds."""
    core_v: Real = 0.0
    """The core's voltage, with its sign."""
    input_s: Real = 0.0
    """What the line current changes by for each volt at the primary, while the same diodes conduct."""

    def step(self, ahead_ohm: Real, source_v: Real, dt_s: float, ops: Ops) -> Real:
        """One time step behind a source with ``ahead_ohm`` in series; returns the line current, A."""
        line_ohm = ahead_ohm + self.primary_ohm
        k = self.flux_wb / self.knee_wb
        k2 = k * k
        k6_a = k2 * k2 * k2 * self.knee_a
        # Magnetising current at the middle of the step, where the flux will have grown by half the step's.
        mag_a = (self.flux_wb - self.remanent_wb) / self.magnetising_h + k6_a * k
        mag_s = (1.0 / self.magnetising_h + 7.0 * k6_a / self.knee_wb) * 0.5 * dt_s
        brought = (source_v - line_ohm * mag_a) / line_ohm
        half = ops.sign(brought)
        brought = brought * half
        alone = 1.0 / line_ohm + 1.0 / self.core_loss_ohm + self.loaded_s + self.shorted_s + mag_s
        v = self._outputs_step(brought, alone, half, line_ohm, dt_s, ops)
        self.core_v = half * v
        self.flux_wb = self.flux_wb + self.core_v * dt_s
        self.remanent_wb = self.remanent_wb * (1.0 - v * dt_s / (WORN_BY_KNEES * self.knee_wb))
        return (source_v - self.core_v) / line_ohm

    def _outputs_step(self, brought: Real, alone: Real, half: Real, line_ohm: Real, dt_s: float, ops: Ops) -> Real:
        v = brought / alone
        for o in self.outputs:
            if o.short_s is not None or ops.anywhere((o.ratio * v - o.volts > o.barely_v) | (o.amperes > 0.0)):
                return self._conducting(brought, alone, half, line_ohm, dt_s, ops)
        self.input_s = (1.0 - 1.0 / (alone * line_ohm)) / line_ohm
        for o in self.outputs:
            o.empty(dt_s, ops)
        return v

    def _conducting(self, brought: Real, alone: Real, half: Real, line_ohm: Real, dt_s: float, ops: Ops) -> Real:
        outputs = self.outputs
        for o in outputs:
            o.begin(half, dt_s)
            if o.short_s is not None:
                tied_s = o.ratio * o.short_s
                alone = alone + o.ratio * tied_s * (1.0 - o.tied)
                brought = brought + half * tied_s * o.kept_v
        v: Real = 0.0
        paths: list[tuple[Real, Real]] = []
        for _ in range(PASSES):
            paths = [o.path(half, ops) for o in outputs]
            # Behind a choke the current goes on through both halves of the winding while the core is near zero.
            v = ops.above_zero(ops.meet(brought, alone, paths))
            for o in outputs:
                o.flow(v, ops)
        slope = alone
        for g, c in paths:
            slope = slope + ops.either(g * v > c, g, 0.0)
        self.input_s = (1.0 - 1.0 / (slope * line_ohm)) / line_ohm
        for o in outputs:
            o.end(half, v, ops)
        return v

    def magnetise(self, flux_wb: Real) -> None:
        """Leave the core with a flux that it holds by itself."""
        self.flux_wb = flux_wb
        self.remanent_wb = flux_wb

    def rest(self, dt_s: float, ops: Ops) -> None:
        """One time step with the line open: the core keeps what flux it can, the reservoirs empty."""
        self.core_v = 0.0
        self.input_s = 0.0
        self.magnetise(ops.sign(self.flux_wb) * ops.least(ops.size(self.flux_wb), self.residual_wb))
        for o in self.outputs:
            o.empty(dt_s, ops)
