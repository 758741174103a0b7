"""The simulated bench itself: source, contactor, unit, and the windows that its meters average. Time moves in steps.

Commands act at once, queries never wait, and everything is under one lock. A window is 100 ms: five whole cycles at
50 Hz, six at 60 Hz; at a frequency that does not fit, the nearest number of whole cycles. A new frequency is taken at
the end of the window under way, so that no window holds two.
"""

from __future__ import annotations

import json
import math
import threading
import time
from collections.abc import Callable, Collection, Mapping
from dataclasses import dataclass, field, replace
from typing import IO, Final

from instruments.simulated.cycle_mean import STEPS_A_CYCLE
from instruments.simulated.cycle_sums import CycleSums
from instruments.simulated.unit import SLOW_STEPS, Unit
from rampguard.quantities import Signal

WINDOW_S: Final = 0.1
SLEW_S: Final = 0.02
"""The source takes so long to reach a new set-point."""
RESIDUAL_V: Final = 12.0
"""What a supply that does not come down to zero gives."""
LOG_EVERY_S: Final = 0.1
STILL_S: Final = 3.0
"""Averaged, a bench leaves windows out once nothing has been changed for so long..."""
LEFT_OUT: Final = 9
"""...and then so many after each that it works out."""


@dataclass(frozen=True, slots=True)
class Window:
    """What a completed window held: before the contactor (the source's view) and after it; DC averages, V."""

    number: int
    source_v: float = 0.0
    line: CycleSums = field(default_factory=CycleSums)
    dc: Mapping[Signal, float] = field(default_factory=dict)


class World:
    """Everything that is simulated, behind one lock. Volts rms, hertz, seconds of bench time."""

    def __init__(
        self, unit: Unit, mains_v: float, frequency_hz: float, log: IO[str] | None = None, *, averaged: bool = False
    ) -> None:
        self.lock = threading.RLock()
        self.unit = unit
        self._supply_ohm = float(unit.supply_ohm)
        self.mains_v = mains_v
        self.frequency_hz = frequency_hz
        self.set_voltage_v = 0.0
        self.current_limit_a = math.inf
        self.output_timer_s = 0.0
        self.output_on = False
        self.contactor_closed = False
        self.source_tripped = False
        """Whether the source switched its own output off, for its current limit."""
        self.window = Window(0)
        self._log = log
        self._logged_s = 0.0
        self._steps = 0
        """Since the supply has had this frequency."""
        self._before_s = 0.0
        self._windows_before = 0
        self._on_since_s = 0.0
        self._actual_v = 0.0
        self.each_window: Callable[[], None] | None = None
        """What else happens at the end of each window: a hand at the knob."""
        self.sampled: Callable[[float, float], None] | None = None
        """Who samples line voltage and line current after the contactor, V and A, at every step; mostly nobody."""
        self.miswired = ""
        """What is wrong with the bench's wiring; empty: nothing."""
        self._averaged = averaged
        self._changed_s = 0.0
        self._watched: set[Signal] = set()
        self._moved: dict[Signal, Signal] = {}
        self._set_pace(frequency_hz)
        self._sine = [math.sqrt(2.0) * math.sin(2.0 * math.pi * k / STEPS_A_CYCLE) for k in range(STEPS_A_CYCLE)]
        self._begin_window()

    def watch(self, signal: Signal) -> None:
        """Have a window hold what is at one of the unit's clips. Raises KeyError where it has no such clip."""
        self.unit.dc_values()[signal]
        self._watched.add(signal)

    def move_clip(self, home: Signal, to: Signal) -> None:
        """Move a meter's clip from where the bench file has it. Raises KeyError where there is nothing to clip to."""
        with self.lock:
            self.watch(to)
            self._moved[home] = to

    def at_clip(self, home: Signal) -> float:
        """What a meter sees whose clip the bench file has there, in the newest window."""
        return self.window.dc.get(self._moved.get(home, home), 0.0)

    # -- time ---------------------------------------------------------------------------------------------------

    def _set_pace(self, frequency_hz: float) -> None:
        cycles = round(WINDOW_S * frequency_hz)
        self._per_window = cycles * STEPS_A_CYCLE
        self.dt_s = cycles / frequency_hz / self._per_window
        """One step of time."""
        self._paced_hz = frequency_hz

    @property
    def now_s(self) -> float:
        """Bench time since the bench was switched on."""
        return self._before_s + self._steps * self.dt_s

    def advance(self, duration_s: float) -> None:
        """Let so much bench time go by, to the nearest step."""
        with self.lock:
            dt_s = self.dt_s
            left = round(duration_s / dt_s)
            while left > 0:
                if dt_s != self.dt_s:  # a new frequency was taken on the way
                    left, dt_s = round(left * dt_s / self.dt_s), self.dt_s
                if left >= self._per_window and self.leaves_out:
                    left -= self._per_window
                    self._leave_out()
                else:
                    left -= 1
                    self._step()

    @property
    def to_window_end_s(self) -> float:
        """How much of the window under way is left."""
        return (self._per_window - self._steps % self._per_window) * self.dt_s

    @property
    def leaves_out(self) -> bool:
        """Whether a window begins here that need not be worked out: averaged, and nothing has changed for long."""
        if not self._averaged or self.sampled is not None or self._steps % self._per_window:
            return False
        still = self.now_s - self._changed_s >= STILL_S and self.output_on and self.contactor_closed
        return still and (self._steps // self._per_window) % (LEFT_OUT + 1) != 0

    def _leave_out(self) -> None:
        """The averaged model: what is slow moves on by a window, and the window shows what the last one did."""
        self.unit.soak(WINDOW_S)
        self._steps += self._per_window
        self.window = replace(self.window, number=self._number)
        self._after_window()

    def _step(self) -> None:
        dt_s = self.dt_s
        wanted_v = self.set_voltage_v
        if self.miswired == "supply-not-at-zero":
            wanted_v = max(wanted_v, RESIDUAL_V)
        if self._actual_v != wanted_v:
            most_v = self.mains_v / SLEW_S * dt_s
            away_v = wanted_v - self._actual_v
            self._actual_v = wanted_v if abs(away_v) <= most_v else self._actual_v + math.copysign(most_v, away_v)
        source_v = self._actual_v * self._sine[self._steps % STEPS_A_CYCLE]
        if self.output_on and self.contactor_closed:
            line_a = self.unit.step(source_v, dt_s)
            line_v = source_v - line_a * self._supply_ohm
            self._sums.add(line_v, line_a)
        else:
            line_v = line_a = 0.0
            self.unit.rest(dt_s)
            self._sums.samples += 1
        if self.sampled is not None:
            before = self.miswired == "meter-before-cut-off" and self.output_on
            self.sampled(source_v if before else line_v, line_a)
        self._source_squared += source_v * source_v if self.output_on else 0.0
        self._steps += 1
        if self._steps % SLOW_STEPS == 0:
            values = self.unit.dc_values()
            for signal in self._watched:
                self._dc[signal] = self._dc.get(signal, 0.0) + values[signal]
        if self._steps % self._per_window == 0:
            self._end_window()

    @property
    def _number(self) -> int:
        """Windows completed."""
        return self._windows_before + self._steps // self._per_window

    def _begin_window(self) -> None:
        self._sums = CycleSums()
        self._source_squared = 0.0
        self._dc: dict[Signal, float] = {}

    def _end_window(self) -> None:
        seen = self._per_window // SLOW_STEPS
        self.window = Window(
            number=self._number,
            source_v=math.sqrt(self._source_squared / self._per_window),
            line=self._sums,
            dc={signal: total / seen for signal, total in self._dc.items()},
        )
        self._begin_window()
        self._after_window()

    def _take_frequency(self) -> None:
        """At a window's end, a whole number of cycles has gone by: the next begins with its own length of step."""
        self._before_s, self._windows_before, self._steps = self.now_s, self._number, 0
        self._set_pace(self.frequency_hz)

    def _after_window(self) -> None:
        if self.frequency_hz != self._paced_hz:
            self._take_frequency()
        if self.each_window is not None:
            self.each_window()
        if self.output_on and self.window.line.current_a > self.current_limit_a:
            self.source_tripped = True
            self.set_output(on=False)
        if self.output_on and 0.0 < self.output_timer_s <= self.now_s - self._on_since_s:
            self.set_output(on=False)
        self.log_line(changed=False)

    # -- commands -----------------------------------------------------------------------------------------------

    def set_output(self, *, on: bool) -> None:
        """Switch the source's output."""
        with self.lock:
            if on and not self.output_on:
                self._on_since_s = self.now_s
            self.output_on = on
            self._changed_s = self.now_s
            self.log_line(changed=True)

    def set_contactor(self, *, closed: bool) -> None:
        """Move the contactor."""
        with self.lock:
            self.contactor_closed = closed
            self._changed_s = self.now_s
            self.log_line(changed=True)

    def set_voltage(self, volts: float) -> None:
        """Set the source."""
        with self.lock:
            self.set_voltage_v = volts
            self._changed_s = self.now_s
            self.log_line(changed=True)

    def set_frequency(self, hertz: float) -> None:
        """Set the source's frequency, Hz; taken at the end of the window under way."""
        with self.lock:
            self.frequency_hz = hertz
            self._changed_s = self.now_s

    def press_power(self) -> None:
        """Press the unit's power button."""
        with self.lock:
            self.unit.press_power()
            self._changed_s = self.now_s

    def turn_trimmer(self, number: int, by_a: float) -> None:
        """Turn the bias trimmer of one of the unit's channels."""
        with self.lock:
            self.unit.turn_trimmer(number, by_a)
            self._changed_s = self.now_s

    def unplug(self, numbers: Collection[int]) -> None:
        """Unplug the boards of some of the unit's channels, and plug in all others."""
        with self.lock:
            self.unit.unplug(numbers)
            self._changed_s = self.now_s

    def drive(self, level_v: float, load_ohm: float) -> None:
        """Drive every channel of the unit into a load, V rms."""
        with self.lock:
            self.unit.drive(level_v, load_ohm)
            self._changed_s = self.now_s

    def put_lid(self, *, on: bool) -> None:
        """Put the unit's lid on, or take it off."""
        with self.lock:
            self.unit.put_lid(on=on)
            self._changed_s = self.now_s

    # -- the log ------------------------------------------------------------------------------------------------

    def log_line(self, *, changed: bool) -> None:
        """One flushed JSON line at each change of the supply, and ten times a wall second."""
        now_s = time.monotonic()
        if self._log is None or not (changed or now_s - self._logged_s >= LOG_EVERY_S):
            return
        live = self.output_on and self.contactor_closed
        line = {
            "t_s": now_s,
            "output": live,
            "set_voltage_v": self.set_voltage_v,
            "line_current_a": self.window.line.current_a if live else 0.0,
        }
        self._logged_s = now_s
        self._log.write(json.dumps(line) + "\n")
        self._log.flush()

    def stop_logging(self) -> None:
        """Write no more lines."""
        self._log = None
