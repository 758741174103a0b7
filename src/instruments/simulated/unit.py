"""What every unit on the simulated bench has in common: its front, its slow ticks, and a fault that may come later."""

from __future__ import annotations

import math
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass
from typing import Final, NamedTuple

from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from rampguard.quantities import Quantity, Signal

SLOW_STEPS: Final = 16
"""Whatever changes slowly is worked out every so many time steps: eight times a cycle."""
SOAK_STEP_S: Final = 0.25
"""The averaged model for long warm-ups moves on by so much at most."""

CHANNEL_NAMES: Final = (
    *("left", "right", "center", "surround-left", "surround-right"),
    *("back-left", "back-right", "height-left", "height-right"),
)
"""What a unit's channels are called, in order."""


class Clips(NamedTuple):
    """Where a channel can be clipped to: its emitter resistor, its output ahead of the speaker relay and behind it."""

    emitter: Signal
    offset: Signal
    terminals: Signal


CLIPS: Final = tuple(
    Clips(
        Signal(Quantity.EMITTER_RESISTOR, name),
        Signal(Quantity.DC_OFFSET, name),
        Signal(Quantity.DC_OFFSET, f"{name}-terminals"),
    )
    for name in CHANNEL_NAMES
)
"""A channel's clips, in the channels' order."""
EMITTER_LEFT, OFFSET_LEFT, _ = CLIPS[0]
HEAT_SINK: Final = Signal(Quantity.TEMPERATURE, "heat-sink")
RAIL_PLUS: Final = Signal(Quantity.RAIL, "plus")
RAIL_MINUS: Final = Signal(Quantity.RAIL, "minus")


@dataclass(frozen=True, slots=True)
class Nameplate:
    """What the unit's plate says, and what kind of unit it is."""

    load_class: str
    nameplate_w: float
    range_a: float = 5.0
    """The current range that a technician would lock a meter on."""


class Unit:
    """One unit in the time domain, or a batch of one kind: then every value is an array with one entry a unit."""

    nameplate: Nameplate

    def __init__(self, front: Front, ops: Ops) -> None:
        self.front = front
        self.ops = ops
        self.live_s = 0.0
        """For how long it has had line voltage, to the slow tick."""
        self._due = 0
        self._fault: tuple[float, Callable[[], None]] | None = None

    @property
    def supply_ohm(self) -> Real:
        """Resistance ahead of where the line is measured."""
        return self.front.supply_ohm

    def fail(self, at_s: float, happens: Callable[[], None]) -> None:
        """Let a fault happen once the unit has been live for so long; at 0, it is there from the beginning."""
        self._fault = (at_s, happens)
        self._fail_if_due()

    def _fail_if_due(self) -> None:
        if self._fault is not None and self.live_s >= self._fault[0]:
            happens, self._fault = self._fault[1], None
            happens()

    def step(self, source_v: Real, dt_s: float) -> Real:
        """One time step at an instantaneous source voltage; the instantaneous line current, A."""
        if self._due == 0:
            self._due = SLOW_STEPS
            self._move_on(SLOW_STEPS * dt_s, live=True)
        self._due -= 1
        line_a = self._step(source_v, dt_s)
        if self.front.elements:
            self.front.note(source_v, line_a, self.ops)
        return line_a

    def rest(self, dt_s: float) -> None:
        """One time step with the line open."""
        if self._due == 0:
            self._due = SLOW_STEPS
            self._move_on(SLOW_STEPS * dt_s, live=False)
        self._due -= 1
        if self.front.elements:
            self.front.note(0.0, 0.0, self.ops)
        self._rest(dt_s)

    def soak(self, duration_s: float) -> None:
        """The averaged model for long warm-ups: everything electrical stays as it is, what is slow moves on."""
        while duration_s > 1e-9:
            span_s = min(SOAK_STEP_S, duration_s)
            duration_s -= span_s
            self._move_on(span_s, live=True)

    def _move_on(self, span_s: float, *, live: bool) -> None:
        """Whatever is slow, by one slow tick."""
        if live:
            self.live_s += span_s
            self._fail_if_due()
        self.front.tick(span_s, self.ops)
        self._tick(span_s)

    def press_power(self) -> None:
        """Press the power button, or throw the standby switch, where there is one."""

    channels = 0
    """So many channels it has that have a bias trimmer each."""

    def turn_trimmer(self, number: int, by_a: float) -> None:
        """Turn a channel's bias trimmer, so that its cold idle changes by so much, A."""

    def unplug(self, numbers: Collection[int]) -> None:
        """Unplug the boards of these channels, counted from 0, and plug in all others."""

    def drive(self, level_v: float, load_ohm: float) -> None:
        """Drive every channel into a load, V rms."""

    def put_lid(self, *, on: bool) -> None:
        """Put its lid on, or take it off."""

    def dc_values(self) -> Mapping[Signal, Real]:
        """What DC meters clipped into it would see now, V, and a thermometer on its heat sink, degC."""
        return {}

    def cold_ohm(self, clip: Signal) -> float:
        """What an ohmmeter reads there without power; infinite where this unit has nothing to read."""
        return math.inf

    def _step(self, source_v: Real, dt_s: float) -> Real:
        raise NotImplementedError

    def _rest(self, dt_s: float) -> None:
        raise NotImplementedError

    def _tick(self, span_s: float) -> None:
        """One slow tick."""
