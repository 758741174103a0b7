"""Units with a switch-mode supply: X-capacitor, inrush limiter, bridge, bulk capacitor, and a converter behind it.

The X-capacitor draws current without power. The converter starts when its bulk capacitor passes a threshold, stops
below another, and draws constant power in between; one without a lockout runs from a few volts, on its current limit.
An overloaded one hiccups: it tries, gives up, and tries again. A power-factor corrector draws in proportion to the
line and charges the bulk capacitor above the line's peak.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Final, Literal

from instruments.simulated.amplifier import REFERENCE_V
from instruments.simulated.cycle_mean import CycleMean
from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part
from instruments.simulated.transformer import PASSES, Output
from instruments.simulated.unit import Nameplate, Unit

THETA: Final = 0.55
"""How implicit the X-capacitor is: 0.5 would give it no loss at all, and would ring for ever after a jump."""

PARTS: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac, common practice, no source"),
    "x_f": Part(0.47e-6, 0.2, "X-capacitors of the line filter"),
    "limiter_ohm": Part(5.0, 0.25, "inrush limiter (NTC), filter chokes and capacitor, taken as warm"),
    "bulk_f": Part(150e-6, 0.2, "bulk electrolytic, +/-20 %"),
    "idle_w": Part(14.0, 0.25, "what the unit behind it takes, at the bulk capacitor"),
    "bleed_ohm": Part(220_000.0, 0.1, "start-up and bleeder resistors"),
    "start": Part(0.72, 0.08, "start threshold, of the bulk voltage at full line"),
    "stop": Part(0.50, 0.08, "stop threshold, of the bulk voltage at full line"),
    "limit_w": Part(70.0, 0.15, "power at which the current limit acts at full bulk voltage"),
    "soft_s": Part(0.15, 0.3, "soft start of the converter"),
    "try_s": Part(0.06, 0.3, "an overloaded converter tries for so long"),
    "pause_s": Part(0.7, 0.3, "and waits for so long"),
}
"""Nominal parts of a unit with a 60 W nameplate. All common practice, no source."""

CORRECTED: Final = PARTS | {
    "idle_w": Part(40.0, 0.25, "what the unit behind it takes"),
    "limit_w": Part(260.0, 0.15, "power at which the current limit acts"),
    "x_f": Part(1.0e-6, 0.2, "X-capacitors"),
    "boosted": Part(1.19, 0.02, "corrected bulk voltage, of the line's peak at full line: 385 V for 230 V"),
}
"""With a power-factor corrector; 200 W nameplate."""

CORRECTOR_GAIN: Final = 3.0
"""Part of the limit's power that the corrector adds for each part of bulk voltage that is lacking."""
DRIVEN_FROM_V: Final = 6.0
"""Bulk voltage from which a switch without lockout begins to be driven..."""
DRIVEN_SPAN_V: Final = 12.0
"""...and over which it comes to be driven fully."""
Kind = Literal["lockout", "no-lockout", "corrected"]
NAMEPLATES: Final = {
    "lockout": Nameplate("switch-mode", 60.0, 1.0),
    "no-lockout": Nameplate("switch-mode", 60.0, 1.0),
    "corrected": Nameplate("switch-mode", 200.0),
}


def for_mains(values: Mapping[str, Real], mains_v: float) -> dict[str, Real]:
    """The same specimen for other mains: its resistances and bulk capacitor fit; the line filter's capacitors stay."""
    square = (mains_v / REFERENCE_V) ** 2
    scaled = dict(values)
    for name in ("supply_ohm", "limiter_ohm", "bleed_ohm"):
        scaled[name] = values[name] * square
    scaled["bulk_f"] = values["bulk_f"] / square
    return scaled


class SwitchMode(Unit):
    """A unit with a switch-mode supply; ``values`` as in `PARTS` or `CORRECTED`, for the mains they are used on."""

    def __init__(self, values: Mapping[str, Real], ops: Ops, *, kind: Kind = "lockout", mains_v: float) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.nameplate = NAMEPLATES[kind]
        self.values = dict(values)
        self.kind = kind
        self.full_v = mains_v * math.sqrt(2.0)
        """Bulk voltage at full line, about."""
        self.bulk = Output(1.0, values["limiter_ohm"], values["bulk_f"], junctions=2)
        self.running: Real = 0.0
        self.overloaded = False
        """Whether its outputs are shorted, so that it hiccups."""
        self._soft: Real = 0.0
        self._cycle_s: Real = 0.0
        self._gain_s: Real = 0.0
        self._square_v2 = CycleMean()
        self._x_v: Real = 0.0
        self._x_a: Real = 0.0

    def _step(self, source_v: Real, dt_s: float) -> Real:
        ops = self.ops
        self._take()
        ahead_ohm = self.front.ahead_ohm
        x_s = self.values["x_f"] / (THETA * dt_s)
        x_kept_a = x_s * self._x_v + (1.0 - THETA) / THETA * self._x_a
        brought = source_v / ahead_ohm + x_kept_a
        half = ops.sign(brought)
        alone = 1.0 / ahead_ohm + x_s + self._gain_s
        v = self._rectified(brought * half, alone, dt_s)
        terminal_v = half * v
        self._x_v, self._x_a = terminal_v, x_s * terminal_v - x_kept_a
        if self.kind == "corrected":
            self._square_v2.add(terminal_v * terminal_v)
        return (source_v - terminal_v) / ahead_ohm

    def _rectified(self, brought: Real, alone: Real, dt_s: float) -> Real:
        ops, o = self.ops, self.bulk
        if self.kind == "corrected":
            # What the corrector takes from the line arrives at the bulk capacitor as power.
            o.take_a = o.take_a - self._gain_s * self._x_v * self._x_v / ops.most(o.volts, 1.0)
        v = brought / alone
        if not ops.anywhere(v - o.volts > o.barely_v):
            o.empty(dt_s, ops)
            return v
        o.begin(1.0, dt_s)
        for _ in range(PASSES):
            v = ops.meet(brought, alone, [o.path(1.0, ops)])
            o.flow(v, ops)
        o.end(1.0, v, ops)
        return v

    def _take(self) -> None:
        """What hangs on the bulk capacitor takes now."""
        ops, p, volts = self.ops, self.values, self.bulk.volts
        wanted_w = p["limit_w"] if self.overloaded else p["idle_w"] * self._soft
        # Constant power, as far as the current limit lets it.
        working_a = ops.least(wanted_w / ops.most(volts, 1.0), p["limit_w"] / self.full_v)
        self.bulk.take_a = self.running * working_a + volts / p["bleed_ohm"]

    def _rest(self, dt_s: float) -> None:
        self._take()
        self.bulk.empty(dt_s, self.ops)
        # The X-capacitor's own bleeder is there for the plug's pins: a second is enough (common practice, no source).
        self._x_v, self._x_a = self._x_v * (1.0 - dt_s / 0.3), 0.0

    def _tick(self, span_s: float) -> None:
        ops, p, volts = self.ops, self.values, self.bulk.volts
        if self.kind == "no-lockout":
            # Nothing holds it back: its switch is driven the harder, the more its own supply has.
            self.running = ops.within_unit((volts - DRIVEN_FROM_V) / DRIVEN_SPAN_V)
        else:
            self.running = ops.either(
                volts >= p["start"] * self.full_v, 1.0, ops.either(volts < p["stop"] * self.full_v, 0.0, self.running)
            )
        if self.overloaded:
            self._hiccup(span_s)
        # A shorted switch shorts the bulk capacitor, through what is left of it.
        self.running = ops.either(self.bulk.load_s > 0.0, 0.0, self.running)
        self._soft = ops.within_unit(self._soft + span_s / p["soft_s"]) * self.running
        if self.kind == "corrected":
            self._correct()

    def _hiccup(self, span_s: float) -> None:
        ops, p = self.ops, self.values
        whole_s = p["try_s"] + p["pause_s"]
        self._cycle_s = ops.either(self.running > 0.0, self._cycle_s + span_s, 0.0)
        self._cycle_s = ops.either(self._cycle_s >= whole_s, self._cycle_s - whole_s, self._cycle_s)
        self.running = ops.either(self._cycle_s < p["try_s"], self.running, 0.0)

    def _correct(self) -> None:
        """The corrector's loop: draws in proportion to the line what the load takes and the bulk capacitor lacks."""
        ops, p = self.ops, self.values
        target_v = p["boosted"] * self.full_v
        lacking_w = CORRECTOR_GAIN * p["limit_w"] * (target_v - self.bulk.volts) / target_v
        wanted_w = ops.above_zero(p["idle_w"] * self._soft + lacking_w)
        rms_v2 = ops.most(self._square_v2.value, 100.0)
        most_a = 1.7 * p["limit_w"] / self.full_v  # of line current, rms: the limit's power at 83 % of line
        self._gain_s = self.running * ops.least(wanted_w / rms_v2, most_a / ops.power(rms_v2, 0.5))
