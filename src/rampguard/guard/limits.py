"""The guard's plain numbers: one flat record, recorded with every capture and replayed from it.

A ceiling that is None is not set: its check is then *not evaluated*, which is not the same as passed.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, fields
from typing import Final

from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, LINE_WINDOW_S, Quantity, Signal

GROSS_NATS: Final = 6.0
SUBTLE_NATS: Final = 0.4


class LimitsError(ValueError):
    """Limits that cannot be: negative, not finite, or not known."""


@dataclass(frozen=True, slots=True, kw_only=True)
class Limits:
    """What must never be passed. Volts and amperes are rms on the line, DC elsewhere.

    Raises LimitsError for a number that is negative or not finite.
    """

    line_voltage_v: float
    """Highest line voltage, whatever was asked for: nameplate plus the mains tolerance."""
    line_current_a: float | None = None
    real_power_w: float | None = None
    emitter_resistor_v: float | None = None
    rail_v: float | None = None
    rail_difference_v: float | None = None
    temperature_degc: float | None = None
    dc_offset_v: float | None = None

    event_current_a: float | None = None
    """In place of `line_current_a` for `expected_event_window_s` after an expected event: what an inrush may draw."""
    event_power_w: float | None = None
    """The same, in place of `real_power_w`."""
    event_lasting_current_a: float | None = None
    """Current above this, read twice or more over `inrush_s` within an event, is no inrush: that has passed by then."""
    event_lasting_power_w: float | None = None
    """The same of real power."""
    inrush_s: float = 0.15
    line_window_s: float = LINE_WINDOW_S
    """What one reading of the line averages. Where that is a cycle, `inrush_s` is some cycles, and layers 2 and 3 judge
    the means of 0.1 s that they are made for."""

    driven_current_a: float | None = None
    """In place of `line_current_a` while the unit is driven: what a signal into its loads may make it draw."""
    driven_power_w: float | None = None
    """The same of real power."""
    driven_emitter_resistor_v: float | None = None
    """The same of the emitter resistors."""

    warn_fraction: float = 0.8
    """A reading above this part of its ceiling warns..."""
    line_warn_fraction: float = 0.95
    """...but line current and real power above this: a healthy heater comes near, and the band warns earlier."""

    overshoot_v: float | None = None
    """Line voltage above its set-point by more than this trips; below it by more than this for `lag_s`, too."""
    lag_s: float = 1.0

    current_rise_a: float | None = None
    """Rise of line current from one reading to the next."""
    current_rise_a_per_s: float | None = None
    """Rise of line current above its least value within the last second."""
    power_rise_w: float | None = None
    power_rise_w_per_s: float | None = None
    expected_event_window_s: float = 1.0
    """For so long after an expected event (a relay closing) the rates of rise are not evaluated, and the ceilings on
    current and power are those of an event."""

    no_current_from_v: float | None = None
    """From this line voltage on, a current surely below `no_current_a` means an open circuit."""
    no_current_a: float = 0.0
    current_seen_by_v: float | None = None
    """By this line voltage some current must have been told from the meter's zero."""
    power_seen_by_v: float | None = None
    """By this line voltage some real power must have been told from the meter's zero: a filter draws current alone."""
    no_current_s: float = 1.0
    """How long any of these must last."""

    offset_from_line_v: float | None = None
    """The DC offset means something from this line voltage on, or once a rail is above `offset_from_rail_v`..."""
    offset_from_rail_v: float = 15.0
    offset_settle_s: float = 2.0
    """...and line voltage has been still for so long."""
    still_v: float = 2.0
    """Line voltage that stays within this of where it was counts as still."""

    stale_line_s: float = 0.5
    """Age at which the newest valid reading of line voltage or current is too old."""
    stale_other_s: float = 2.0
    bad_in_a_row: int = 2
    """So many invalid readings of a signal, one after the other, trip; fewer warn."""
    power_over_va_fraction: float = 0.05
    """Real power above volts times amperes by more than this and the meters' bounds cannot be: they disagree."""

    band_far_ratio: float = 1.5
    """One reading so many times the expected band's upper edge trips; less far above, one warns and two trip."""
    band_drain_s: float = 4.0
    """Time in which a whole excess over the band drains away."""
    band_below_s: float = 3.0
    """How long a reading must stay below the expected band until that warns."""
    band_misfit: float = 1.7
    """A log-likelihood per reading worse than minus this, of the class's best sample, warns of a wrong load class."""
    evidence_nats: float = 11.5
    """Log-odds of a fault against a healthy unit, summed up, that trip: a hundred thousand to one. By Lorden's bound a
    healthy unit that keeps to its model comes to it in so many independent readings on average, or later."""
    evidence_gross_nats: float = GROSS_NATS
    """Allowance, for each independent reading, for a short: a healthy unit that is like no sample is not like one."""
    evidence_subtle_nats: float = SUBTLE_NATS
    """Allowance for the faults that may be small."""
    unstated_accuracy_percent: float = 1.0
    """Accuracy, of reading, taken for a meter that states none."""

    watched: tuple[Signal, ...] = field(default=(LINE_VOLTAGE, LINE_CURRENT))
    """Signals that must keep arriving."""

    def __post_init__(self) -> None:
        for item in fields(self):
            value = getattr(self, item.name)
            if isinstance(value, (int, float)) and not (math.isfinite(value) and value >= 0):
                raise LimitsError(f"{item.name} = {value}: a limit is a finite number, zero or more")

    def ceiling(self, quantity: Quantity, *, in_event: bool, driven: bool = False) -> float | None:
        """The absolute ceiling on a quantity, in its unit, or that of an event; None where none is set or can be."""
        lifted = {
            Quantity.LINE_CURRENT: self.driven_current_a,
            Quantity.REAL_POWER: self.driven_power_w,
            Quantity.EMITTER_RESISTOR: self.driven_emitter_resistor_v,
        }
        if driven and lifted.get(quantity) is not None:
            return lifted[quantity]
        if in_event and quantity is Quantity.LINE_CURRENT and self.event_current_a is not None:
            return self.event_current_a
        if in_event and quantity is Quantity.REAL_POWER and self.event_power_w is not None:
            return self.event_power_w
        ceilings = {
            Quantity.LINE_VOLTAGE: self.line_voltage_v,
            Quantity.LINE_CURRENT: self.line_current_a,
            Quantity.REAL_POWER: self.real_power_w,
            Quantity.EMITTER_RESISTOR: self.emitter_resistor_v,
            Quantity.RAIL: self.rail_v,
            Quantity.TEMPERATURE: self.temperature_degc,
            Quantity.DC_OFFSET: self.dc_offset_v,
        }
        return ceilings.get(quantity)  # the shape of line current has none

    def stale_s(self, signal: Signal) -> float:
        """The age, in seconds, at which a reading of this signal is too old."""
        return self.stale_line_s if signal in (LINE_VOLTAGE, LINE_CURRENT) else self.stale_other_s

    def as_table(self) -> dict[str, float | int | list[str]]:
        """The limits as a flat table for a file; those not set are left out."""
        table: dict[str, float | int | list[str]] = {}
        for item in fields(self):
            value = getattr(self, item.name)
            if item.name == "watched":
                table["watched"] = [signal.column for signal in value]
            elif value is not None:
                table[item.name] = value
        return table

    @classmethod
    def from_table(cls, table: dict[str, object]) -> Limits:
        """The inverse of `as_table`. Raises LimitsError for an unknown key or a value of the wrong kind."""
        known = {item.name for item in fields(cls)}
        values: dict[str, object] = {}
        for name, value in table.items():
            if name not in known:
                raise LimitsError(f"{name}: no such limit; known are {', '.join(sorted(known))}")
            if name == "watched":
                values[name] = _signals(value)
            elif isinstance(value, bool) or not isinstance(value, (int, float)):
                raise LimitsError(f"{name} = {value!r}: a limit is a number")
            else:
                values[name] = value
        if "line_voltage_v" not in values:
            raise LimitsError("line_voltage_v is missing: the highest line voltage must be stated")
        return cls(**values)  # type: ignore[arg-type]


def _signals(value: object) -> tuple[Signal, ...]:
    names = value if isinstance(value, (list, tuple)) else [value]
    signals = []
    for name in names:
        signal = Signal.from_column(str(name))
        if signal is None:
            raise LimitsError(f"watched: {name!r} is no signal; write one as its column, such as line_current_a")
        signals.append(signal)
    return tuple(signals)
