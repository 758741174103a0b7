"""A class-AB amplifier on a linear supply, in the time domain.

From first principles: line and primary resistance; a core whose flux is the integral of its voltage and whose current
rises steeply past a knee; core loss; a centre-tapped secondary, a bridge and two reservoirs, each half winding with its
resistance; channels that stay dark until a few volts of rail and whose idle then comes on, warming a heat sink and
drifting with it; a short from rail to rail where there is one.

The bridge needs no iteration. Referred to the core's voltage v (size, on the half cycle under way), what the line
brings is (u - v)/R, what the core loss and the two diode paths take is v/Rc + n max(0, n v - t)/r for each rail. The
sum is increasing, and the larger of several straight lines; so its zero is the smallest of the lines' zeros. Each
reservoir is inside its path's r and t (backward Euler), which keeps any step size stable.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final

from instruments.simulated.ops import Ops, Real
from instruments.simulated.tolerances import Part

REFERENCE_V: Final = 230.0
"""The parts below are of the 230 V version; other mains scale the primary."""

PARTS: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac, common practice, no source"),
    "primary_ohm": Part(6.0, 0.15, "300 VA toroid: about 4 % regulation in the primary (makers' tables, from memory)"),
    "turns_ratio": Part(0.16, 0.03, "2 x 35 V on load at 230 V, wound a little high"),
    "secondary_ohm": Part(0.22, 0.15, "the other 4 % of the regulation, per half winding"),
    "diode_v": Part(0.68, 0.05, "silicon: straight line through 1 A at 0.76 V, 50 mV per e-fold, at 0.3 and 2 A"),
    "diode_ohm": Part(0.056, 0.2, "slope of the same line"),
    "reservoir_plus_f": Part(0.010, 0.2, "10 mF electrolytic, +/-20 %"),
    "reservoir_minus_f": Part(0.010, 0.2, "10 mF electrolytic, +/-20 %"),
    "magnetising_h": Part(50.0, 0.4, "toroid: some 15 mA of magnetising current at 230 V, 50 Hz"),
    "knee_wb": Part(1.12, 0.05, "knee 8 % above the peak flux at 230 V, 50 Hz"),
    "knee_a": Part(0.08, 0.3, "extra magnetising current at the knee"),
    "core_loss_ohm": Part(16_000.0, 0.3, "3 W of core loss at 230 V"),
    "idle_left_a": Part(0.090, 0.25, "idle as set by hand in the past"),
    "idle_right_a": Part(0.090, 0.25, "idle as set by hand in the past"),
    "emitter_ohm": Part(0.22, 0.05, "emitter resistors, 5 %"),
    "dark_below_v": Part(5.0, 0.2, "a class-AB half conducts from a few volts of rail"),
    "idle_span_v": Part(14.0, 0.2, "rail voltage over which the idle then comes on"),
    "small_signal_a": Part(0.055, 0.2, "drivers, voltage amplifiers and preamplifier, per rail"),
    "idle_per_k": Part(0.004, 0.4, "bias undercompensated a little: idle grows as the heat sink warms"),
    "heatsink_k_per_w": Part(1.4, 0.2, "heat sink of one channel"),
    "heatsink_j_per_k": Part(320.0, 0.2, "350 g of aluminium"),
    "offset_left_v": Part(0.008, 0.9, "output offset with its servo idle"),
    "offset_right_v": Part(-0.006, 0.9, "output offset with its servo idle"),
    "bleeder_ohm": Part(4_700.0, 0.05, "bleeder across each reservoir"),
}
"""Nominal parts of the 300 W nameplate, two-channel amplifier."""

SMALL_SIGNAL_FULL_V: Final = 20.0
"""Rail voltage from which the small-signal stages draw their full current."""


@dataclass(slots=True)
class AmplifierParameters:
    """Of one specimen (floats) or of a batch (arrays); names as in `PARTS`, and the fault.

    ``short_s`` is the conductance of a short from rail to rail, siemens, zero for none; ``short_share_left`` is 1 if
    it sits in the left channel.
    """

    supply_ohm: Real
    primary_ohm: Real
    turns_ratio: Real
    secondary_ohm: Real
    diode_v: Real
    diode_ohm: Real
    reservoir_plus_f: Real
    reservoir_minus_f: Real
    magnetising_h: Real
    knee_wb: Real
    knee_a: Real
    core_loss_ohm: Real
    idle_left_a: Real
    idle_right_a: Real
    emitter_ohm: Real
    dark_below_v: Real
    idle_span_v: Real
    small_signal_a: Real
    idle_per_k: Real
    heatsink_k_per_w: Real
    heatsink_j_per_k: Real
    offset_left_v: Real
    offset_right_v: Real
    bleeder_ohm: Real
    short_s: Real = 0.0
    short_share_left: Real = 0.0


@dataclass(slots=True)
class AmplifierState:
    """What changes: fluxes, rails (sizes, volts), heat-sink rises (K), and the last currents."""

    flux_wb: Real = 0.0
    plus_v: Real = 0.0
    minus_v: Real = 0.0
    rise_left_k: Real = 0.0
    rise_right_k: Real = 0.0
    short_a: Real = 0.0
    idle_left_a: Real = 0.0
    idle_right_a: Real = 0.0


def for_mains(values: dict[str, Real], mains_v: float, frequency_hz: float) -> dict[str, Real]:
    """The same specimen wound for other mains: primary turns in proportion to voltage; 60 Hz needs less flux."""
    turns = mains_v / REFERENCE_V
    scaled = dict(values)
    for name in ("primary_ohm", "supply_ohm", "core_loss_ohm", "magnetising_h"):
        scaled[name] = values[name] * turns * turns
    scaled["turns_ratio"] = values["turns_ratio"] / turns
    scaled["knee_wb"] = values["knee_wb"] * turns * 50.0 / frequency_hz
    scaled["knee_a"] = values["knee_a"] / turns
    return scaled


def step(p: AmplifierParameters, s: AmplifierState, source_v: Real, dt_s: float, ops: Ops) -> Real:
    """One time step at an instantaneous source voltage; returns the instantaneous line current, A."""
    plus_take_a, minus_take_a = loads(p, s, dt_s, ops)
    line_ohm = p.supply_ohm + p.primary_ohm
    n = p.turns_ratio
    # Magnetising current of the flux as it is.
    knee = s.flux_wb / p.knee_wb
    knee2 = knee * knee
    magnetising_a = s.flux_wb / p.magnetising_h + p.knee_a * knee2 * knee2 * knee2 * knee
    u = source_v - line_ohm * magnetising_a
    half = ops.sign(u)
    # Diode paths with their reservoirs inside.
    plus_ohm = p.secondary_ohm + p.diode_ohm + dt_s / p.reservoir_plus_f
    minus_ohm = p.secondary_ohm + p.diode_ohm + dt_s / p.reservoir_minus_f
    plus_t = p.diode_v + s.plus_v - plus_take_a * dt_s / p.reservoir_plus_f
    minus_t = p.diode_v + s.minus_v - minus_take_a * dt_s / p.reservoir_minus_f
    brought = u * half / line_ohm
    alone = 1.0 / line_ohm + 1.0 / p.core_loss_ohm
    plus_g, minus_g = n * n / plus_ohm, n * n / minus_ohm
    plus_i, minus_i = n * plus_t / plus_ohm, n * minus_t / minus_ohm
    v = ops.least(
        ops.least(brought / alone, (brought + plus_i) / (alone + plus_g)),
        ops.least((brought + minus_i) / (alone + minus_g), (brought + plus_i + minus_i) / (alone + plus_g + minus_g)),
    )
    plus_a = ops.above_zero(n * v - plus_t) / plus_ohm
    minus_a = ops.above_zero(n * v - minus_t) / minus_ohm
    s.plus_v = ops.above_zero(s.plus_v + (plus_a - plus_take_a) * dt_s / p.reservoir_plus_f)
    s.minus_v = ops.above_zero(s.minus_v + (minus_a - minus_take_a) * dt_s / p.reservoir_minus_f)
    s.flux_wb = s.flux_wb + half * v * dt_s
    return magnetising_a + half * (v / p.core_loss_ohm + n * (plus_a + minus_a))


def rest(p: AmplifierParameters, s: AmplifierState, dt_s: float, ops: Ops) -> None:
    """One time step with the line open: the flux dies away in the core, the reservoirs empty into the stages."""
    plus_take_a, minus_take_a = loads(p, s, dt_s, ops)
    s.plus_v = ops.above_zero(s.plus_v - plus_take_a * dt_s / p.reservoir_plus_f)
    s.minus_v = ops.above_zero(s.minus_v - minus_take_a * dt_s / p.reservoir_minus_f)
    s.flux_wb = s.flux_wb / (1.0 + dt_s * p.core_loss_ohm / p.magnetising_h)


def loads(p: AmplifierParameters, s: AmplifierState, dt_s: float, ops: Ops) -> tuple[Real, Real]:
    """What the stages take from each rail now, A; moves the heat sinks and the idle currents on."""
    weaker_v = ops.least(s.plus_v, s.minus_v)
    rails_v = s.plus_v + s.minus_v
    on = ops.within_unit((weaker_v - p.dark_below_v) / p.idle_span_v)
    s.idle_left_a = p.idle_left_a * on * (1.0 + p.idle_per_k * s.rise_left_k)
    s.idle_right_a = p.idle_right_a * on * (1.0 + p.idle_per_k * s.rise_right_k)
    small = p.small_signal_a * ops.within_unit(weaker_v / SMALL_SIGNAL_FULL_V)
    # A short moves much charge in a step: taken as it will be at the step's end, from both reservoirs in series.
    series_s_per_f = 1.0 / p.reservoir_plus_f + 1.0 / p.reservoir_minus_f
    s.short_a = rails_v * p.short_s / (1.0 + dt_s * p.short_s * series_s_per_f)
    for_left, for_right = rails_v * s.idle_left_a, rails_v * s.idle_right_a
    s.rise_left_k = s.rise_left_k + dt_s * (for_left - s.rise_left_k / p.heatsink_k_per_w) / p.heatsink_j_per_k
    s.rise_right_k = s.rise_right_k + dt_s * (for_right - s.rise_right_k / p.heatsink_k_per_w) / p.heatsink_j_per_k
    shared = s.idle_left_a + s.idle_right_a + small + s.short_a
    return shared + s.plus_v / p.bleeder_ohm, shared + s.minus_v / p.bleeder_ohm
