"""The amplifier's stages as their rails see them: idle currents that come on with the rails and drift with the heat.

Stages change slowly against a time step, so they are worked out at slow ticks; only a short moves enough charge to be
worked out at every step.
"""

from __future__ import annotations

import math
from collections.abc import Collection
from dataclasses import dataclass
from typing import Final

from instruments.simulated.ops import Ops, Real
from instruments.simulated.transformer import Output

SMALL_SIGNAL_FULL_V: Final = 20.0
"""Rail voltage from which the small-signal stages draw their full current."""
ABOVE_ZERO_A: Final = 0.0005
"""No trimmer brings the idle below this."""
LID_FACTOR: Final = 1.25
"""By so much worse a heat sink is under the lid; common practice, no source."""
SPEAKER_RELAY_FROM: Final = 0.5
"""The speaker relay's timer runs from this part of the rails on."""


@dataclass(slots=True)
class Channel:
    """One channel's output pair. ``drift_a_per_k`` is what idle grows by for each kelvin of its devices."""

    idle_a: Real
    drift_a_per_k: Real
    emitter_ohm: Real
    sink_k_per_w: Real
    sink_j_per_k: Real
    device_k_per_w: Real
    device_j_per_k: Real
    offset_v: Real
    waking_v: Real
    sink_k: Real = 0.0
    """Rise of the heat sink above the room."""
    device_k: Real = 0.0
    """Rise of the devices above the heat sink."""
    now_a: Real = 0.0
    """Idle current now."""
    plugged: Real = 1.0
    """1 while its board is plugged in; 0: it draws nothing."""

    def tick(self, on: Real, across_v: Real, extra_w: Real, dt_s: float, ops: Ops) -> None:
        """One slow tick: ``on`` from 0 to 1, the voltage from rail to rail, and heat from elsewhere."""
        self.now_a = on * ops.above_zero(self.idle_a + self.drift_a_per_k * (self.sink_k + self.device_k))
        into_w = across_v * self.now_a + extra_w
        # Implicit, since the averaged model for long warm-ups takes steps longer than the devices' time constant.
        self.device_k = (self.device_k + dt_s * into_w / self.device_j_per_k) / (
            1.0 + dt_s / (self.device_k_per_w * self.device_j_per_k)
        )
        through_w = self.device_k / self.device_k_per_w
        self.sink_k = (self.sink_k + dt_s * through_w / self.sink_j_per_k) / (
            1.0 + dt_s / (self.sink_k_per_w * self.sink_j_per_k)
        )


@dataclass(frozen=True, slots=True)
class Driven:
    """A sine at every channel's output, V rms, into a load each. Class B: each rail gives its half waves' mean."""

    level_v: float = 0.0
    load_ohm: float = 8.0

    @property
    def rail_a(self) -> float:
        """Mean current from each rail for one channel."""
        return math.sqrt(2.0) * self.level_v / (math.pi * self.load_ohm)

    @property
    def output_w(self) -> float:
        """Into one load."""
        return self.level_v**2 / self.load_ohm


@dataclass(slots=True)
class Leak:
    """Leakage of one reservoir: ``at_full_a`` at its full voltage, growing or falling with the time under voltage."""

    output: Output
    full_v: Real
    at_full_a: Real
    per_s: Real = 0.0
    """Above zero: grows by this part a second. Below: falls by an e-fold in 1/-per_s seconds, as it reforms."""
    under_voltage_s: Real = 0.0

    def tick(self, dt_s: float, ops: Ops) -> Real:
        """One slow tick; what leaks now, A. With the square of the voltage: common practice, no source."""
        part = self.output.volts / self.full_v
        self.under_voltage_s = self.under_voltage_s + ops.either(part > 0.05, dt_s, 0.0)
        grown = ops.either(
            self.per_s >= 0.0,
            1.0 + ops.above_zero(self.per_s) * self.under_voltage_s,
            ops.exp(ops.least(self.per_s, 0.0) * self.under_voltage_s),
        )
        return self.at_full_a * part * part * grown


@dataclass(slots=True)
class Stages:
    """All stages of an amplifier, between its rails. ``minus`` is None where there is a single rail.

    ``outer`` are the upper pair of rails of a class G or H amplifier: at idle they feed the drivers alone.
    """

    channels: list[Channel]
    plus: Output
    minus: Output | None
    outer: tuple[Output, ...]
    dark_below_v: Real
    idle_span_v: Real
    small_signal_a: Real
    bleeder_ohm: Real
    full_v: Real
    """A rail's voltage at full line, about."""
    relay_delay_s: Real
    relay_a: Real
    short_s: Real = None
    """Conductance of a short from rail to rail through one channel; None where there is none."""
    short_in: Real = 0
    """Which one, counted from 0."""
    driven_a: Real = None
    """What the partner of a shorted device lets through when driven hard; None: no limit."""
    leak: Leak | None = None
    """Of the plus rail's reservoir."""
    drive: Driven = Driven()
    on: Real = 0.0
    """How far the stages are on, 0 to 1."""
    short_a: Real = 0.0
    up_s: Real = 0.0
    relay_closed: Real = 0.0
    _own_a: tuple[Real, Real] = (0.0, 0.0)
    _short_plugged: Real = 1.0

    @property
    def across_v(self) -> Real:
        """From rail to rail."""
        return self.plus.volts if self.minus is None else self.plus.volts + self.minus.volts

    def weaker_v(self, ops: Ops) -> Real:
        """The smaller rail; half the only one."""
        return self.plus.volts * 0.5 if self.minus is None else ops.least(self.plus.volts, self.minus.volts)

    def turn_trimmer(self, number: int, by_a: float) -> None:
        """Turn a channel's bias trimmer so that its cold idle changes by so much. Raises IndexError."""
        self.channels[number].idle_a = ABOVE_ZERO_A + max(0.0, self.channels[number].idle_a + by_a - ABOVE_ZERO_A)

    def unplug(self, numbers: Collection[int]) -> None:
        """Unplug the boards of these channels, counted from 0, and plug in all others."""
        for number, channel in enumerate(self.channels):
            channel.plugged = 0.0 if number in numbers else 1.0

    def shorted(self, number: int, ops: Ops) -> Real:
        """1 where the short is in this channel and its board is plugged in; else 0."""
        return ops.either(self.short_in == number, self.channels[number].plugged, 0.0)

    def put_lid(self, *, on: bool) -> None:
        """Put the lid on, or take it off: heat sinks under it are a quarter worse."""
        for channel in self.channels:
            channel.sink_k_per_w = channel.sink_k_per_w * (LID_FACTOR if on else 1.0 / LID_FACTOR)

    def step(self, ops: Ops) -> None:
        """Tell the outputs what a short takes now; everything else was told at the last slow tick."""
        if self.short_s is None:
            return
        plus, minus = self.plus, self.minus
        short_s = self.short_s * self._short_plugged
        short_a = self.across_v * short_s
        if self.driven_a is not None:
            most_a = self.driven_a * ops.within_unit((self.weaker_v(ops) - 1.0) / 3.0)
            short_s = ops.either(short_a < most_a, short_s, 0.0)
            short_a = ops.least(short_a, most_a)
        self.short_a = short_a
        # Of a current with the sum of both rails, each rail is told its own part as a conductance, the rest as fixed.
        plus.load_s = short_s if minus is None else 2.0 * short_s
        plus.take_a = self._own_a[0] + short_a - plus.load_s * plus.volts
        if minus is not None:
            minus.load_s = plus.load_s
            minus.take_a = self._own_a[1] + short_a - minus.load_s * minus.volts

    def tick(self, dt_s: float, ops: Ops) -> None:
        """One slow tick."""
        weaker_v, across_v = self.weaker_v(ops), self.across_v
        self.on = on = ops.within_unit((weaker_v - self.dark_below_v) / self.idle_span_v)
        shared_a = self.small_signal_a * ops.within_unit(weaker_v / SMALL_SIGNAL_FULL_V)
        drivers_a = 0.3 * shared_a if self.outer else 0.0
        shared_a = shared_a - drivers_a
        extra_w = self.short_a * across_v if self.short_s is not None else 0.0
        driven_a = self.drive.rail_a
        short_plugged = 0.0
        for number, channel in enumerate(self.channels):
            shorted = self.shorted(number, ops) if self.short_s is not None else 0.0
            short_plugged = short_plugged + shorted
            heat_w = extra_w * shorted
            if driven_a:
                heat_w = heat_w + across_v * driven_a - self.drive.output_w
            channel.tick(on * channel.plugged, across_v, heat_w, dt_s, ops)
            shared_a = shared_a + channel.now_a + driven_a * channel.plugged
        self._short_plugged = short_plugged
        self._relay(weaker_v, dt_s, ops)
        plus_a = shared_a + self.plus.volts / self.bleeder_ohm + self.relay_a * self.relay_closed
        minus_a = shared_a if self.minus is None else shared_a + self.minus.volts / self.bleeder_ohm
        if self.leak is not None:
            plus_a = plus_a + self.leak.tick(dt_s, ops)
        self._own_a = (plus_a, minus_a)
        self.plus.take_a = plus_a
        if self.minus is not None:
            self.minus.take_a = minus_a
        for output in self.outer:
            output.take_a = drivers_a + output.volts / self.bleeder_ohm

    def _relay(self, weaker_v: Real, dt_s: float, ops: Ops) -> None:
        up = weaker_v >= SPEAKER_RELAY_FROM * self.full_v * (0.5 if self.minus is None else 1.0)
        self.up_s = ops.either(up, self.up_s + dt_s, 0.0)
        self.relay_closed = ops.either(self.up_s >= self.relay_delay_s, 1.0, 0.0)
