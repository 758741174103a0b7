"""Instruments that play the bench's roles, from a dialect and a link. All data comes from the dialect."""

from __future__ import annotations

import re
import time
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from typing import Final

from instruments.dialect import AS_WIRED, INPUT, Dialect, Measurement, Range
from instruments.dialect_roles import Setting
from instruments.errors import BadReply, CommandRefused, InstrumentError
from instruments.replies import UNITS, parse_error, parse_number, parse_reading, split_fields
from instruments.roles import OutputState, Position, Wire
from instruments.temperature import pt100_degc, type_k_degc
from rampguard.quantities import Accuracy, Clock, Quantity, Reading, Signal, Validity

MOST_QUEUED_ERRORS: Final = 20
"""So many entries of an error queue are read at most; a queue that never empties is a fault of its own."""


def drain_errors(link: Wire, dialect: Dialect) -> list[str]:
    """Empty the error queue; what was in it, oldest first. Raises LinkError."""
    query = dialect.link.error_query
    found: list[str] = []
    while query is not None and len(found) < MOST_QUEUED_ERRORS:
        number, words = parse_error(link.query(query))
        if number == 0:
            break
        found.append(f"{number}, {words}")
    return found


def command(link: Wire, dialect: Dialect, text: str) -> None:
    """Send a command and hear what the error queue has to say. Raises LinkError, CommandRefused.

    Where there is an error queue, command and question go out as one line: its answer proves that the line arrived.
    """
    query = dialect.link.error_query
    if query is None:
        link.write(text)
        return
    number, words = parse_error(link.query(f"{text};:{query}"))
    if number != 0:
        rest = drain_errors(link, dialect)
        raise CommandRefused(f"{link.name}: {text!r} was refused: {'; '.join([f'{number}, {words}', *rest])}")


@dataclass(frozen=True, slots=True)
class _Channel:
    """One signal of a meter: what to ask for, and how far to believe it."""

    signal: Signal
    measurement: Measurement
    range: Range

    @property
    def factor(self) -> float:
        return UNITS[self.measurement.unit][1]

    def bound(self, value: float) -> float:
        """The +/- bound on a value in SI, from the accuracy on the locked range."""
        stated = self.range
        accuracy = Accuracy(
            stated.percent_of_reading,
            stated.percent_of_range,
            (stated.absolute + stated.resolution / 2.0) * self.factor,
        )
        return accuracy.bound(value, stated.full * self.factor)


class _Spoken:
    """Anything that is spoken to over a link, as its dialect says."""

    def __init__(self, link: Wire, dialect: Dialect) -> None:
        self._link = link
        self._dialect = dialect

    @property
    def name(self) -> str:
        """The instrument's name in the bench file."""
        return self._link.name


class ScpiMeter(_Spoken):
    """A meter: reads all its signals, those with the same question by one question."""

    def __init__(
        self,
        link: Wire,
        dialect: Dialect,
        clock: Clock,
        *,
        position: Position = Position.BEFORE_CUT_OFF,
        wired_to: Signal | Mapping[str, Signal] | None = None,
        ranges: Mapping[Quantity, float] | None = None,
    ) -> None:
        super().__init__(link, dialect)
        self._clock = clock
        self.position = position
        self._channels = tuple(_channels(dialect, wired_to, ranges or {}))
        self._scans = any(m.scans for m in dialect.measurements)
        self._turn = 0
        self.signals: tuple[Signal, ...] = tuple(channel.signal for channel in self._channels)
        self.asked: tuple[Signal, ...] = self.signals
        """What was asked for last: of a scanner one of its signals."""
        self.measuring_time_s: float = max(m.measuring_time_s for m in dialect.measurements)
        self.range_change_s: float = max(m.range_change_s for m in dialect.measurements)

    def lock_ranges(self) -> None:
        """Lock every range and read it back. Raises LinkError, CommandRefused, InstrumentError."""
        for channel in self._channels:
            measurement = channel.measurement
            if measurement.range_command is None or measurement.range_query is None:
                continue
            command(self._link, self._dialect, measurement.range_command.format(range=channel.range.full))
            value, _ = parse_number(self._link.query(measurement.range_query))
            if value is None or abs(value - channel.range.full) > 1e-6 * channel.range.full:
                raise InstrumentError(
                    f"{self.name}: {channel.signal.column}: range {channel.range.full:g} {measurement.unit} was"
                    f" asked for, it reads back {value}; check ranges in the bench file"
                )

    def read(self) -> list[Reading]:
        """One reading of each signal, of a scanner's next input alone, stamped on arrival. Raises LinkError."""
        replies: dict[str, tuple[str, float, float]] = {}
        readings = []
        now = self._now()
        self.asked = tuple(channel.signal for channel in now)
        for channel in now:
            query = channel.measurement.query
            if query not in replies:
                asked_s = self._clock.now_s()
                replies[query] = (self._link.query(query), asked_s, self._clock.now_s())
            readings.append(self._reading(channel, *replies[query]))
        return readings

    def _now(self) -> Sequence[_Channel]:
        if not self._scans:
            return self._channels
        self._turn = (self._turn + 1) % len(self._channels)
        return [self._channels[self._turn - 1]]

    def _reading(self, channel: _Channel, reply: str, asked_s: float, arrived_s: float) -> Reading:
        measurement = channel.measurement
        sharing = sum(1 for other in self._channels if other.measurement.query == measurement.query)
        try:
            field = split_fields(reply, measurement.separator, sharing)[measurement.field] if sharing > 1 else reply
            value, validity = _parsed(field, channel)
        except (BadReply, IndexError) as error:
            # The session may be answering another question: nothing more is believed before it is opened anew.
            self._link.close()
            raise BadReply(f"{self.name}: {measurement.query!r}: {error}") from None
        if value is not None and abs(value) > 1.2 * channel.range.full * channel.factor:
            value, validity = None, Validity.OVER_RANGE
        bound = 0.0 if value is None else channel.bound(value)
        if value is not None and measurement.sensor is not None:
            value, bound, validity = _in_degrees(measurement, value, bound)
        return Reading(channel.signal, value, arrived_s, asked_s, validity, bound, self.name)


def _parsed(field: str, channel: _Channel) -> tuple[float | None, Validity]:
    measurement = channel.measurement
    if measurement.over_range_reply is not None and measurement.over_range_reply in field:
        return None, Validity.OVER_RANGE
    if measurement.pattern is not None:
        found = re.search(measurement.pattern, field)
        if found is None:
            raise BadReply(f"{field[:60]!r} does not look like {measurement.pattern!r}")
        field = found[1]
    return parse_reading(field, channel.signal.quantity, measurement.unit)


def _in_degrees(measurement: Measurement, value: float, bound: float) -> tuple[float | None, float, Validity]:
    """What a temperature's sensor says, in degrees, and its bound; a value beyond the sensor's range is none."""

    def degrees(of: float) -> float:
        if measurement.sensor == "pt100":
            return pt100_degc(of)
        return type_k_degc(1e3 * of, reference_degc=measurement.reference_degc)

    try:
        return degrees(value), abs(degrees(value + bound) - degrees(value)), Validity.VALID
    except ValueError:  # open, shorted, or wired the wrong way round
        return None, 0.0, Validity.INVALID


def _channels(
    dialect: Dialect, wired_to: Signal | Mapping[str, Signal] | None, ranges: Mapping[Quantity, float]
) -> Iterator[_Channel]:
    for measurement in dialect.measurements:
        if isinstance(wired_to, Mapping):  # a scanner: a question, and a range, for each input
            for number, signal in wired_to.items():
                yield _channel(_of_input(measurement, number), signal, ranges)
        else:
            yield _channel(measurement, wired_to, ranges)


def _of_input(measurement: Measurement, number: str) -> Measurement:
    texts = {name: getattr(measurement, name) for name in ("query", "range_command", "range_query")}
    filled = {name: None if text is None else text.replace(INPUT, number) for name, text in texts.items()}
    return measurement.model_copy(update=filled)


def _channel(measurement: Measurement, wired_to: Signal | None, ranges: Mapping[Quantity, float]) -> _Channel:
    if measurement.quantity == AS_WIRED:
        if wired_to is None:
            raise InstrumentError("an as-wired measurement needs the signal it is wired to")
        signal = wired_to
    else:
        signal = Signal(Quantity(measurement.quantity))
    wanted = ranges.get(signal.quantity)
    # Without a wish: the largest, since a reading over range is a trip.
    chosen = next((r for r in measurement.ranges if r.full == wanted), max(measurement.ranges, key=lambda r: r.full))
    return _Channel(signal, measurement, chosen)


class ScpiSource(_Spoken):
    """An AC source."""

    def __init__(self, link: Wire, dialect: Dialect) -> None:
        if dialect.source is None or dialect.cut_off is None:
            raise InstrumentError(f"{link.name}: dialect {dialect.name!r} is no source")
        super().__init__(link, dialect)
        self._source = dialect.source
        self._switch = dialect.cut_off

    @property
    def max_line_voltage_v(self) -> float:
        """The highest rms voltage it may be set to."""
        return self._source.max_line_voltage_v

    @property
    def frequencies_hz(self) -> tuple[float, float] | None:
        """The lowest and the highest frequency it may be set to; None: it keeps the one it was prepared with."""
        known = self._source.frequency
        return None if known is None else (known.lowest_hz, known.highest_hz)

    def set_frequency(self, frequency_hz: float) -> None:
        """Set the output's frequency, and read it back. Raises LinkError, CommandRefused, InstrumentError."""
        known = self._source.frequency
        if known is None or not known.lowest_hz <= frequency_hz <= known.highest_hz:
            raise InstrumentError(f"{self.name}: its dialect knows no way to set {frequency_hz:g} Hz")
        command(self._link, self._dialect, known.command.format(frequency_hz=frequency_hz))
        self._expect_number(known.query, frequency_hz, known.tolerance_hz)

    def prepare(self, *, frequency_hz: float, current_limit_a: float, run_time_limit_s: float) -> None:
        """Output off, zero volts, then everything set before arming, each read back.

        Raises LinkError, CommandRefused, and InstrumentError where something reads back otherwise.
        """
        drain_errors(self._link, self._dialect)  # what is left from before is nobody's fault now
        command(self._link, self._dialect, self._switch.off)
        self._expect_state(OutputState.OFF)
        self.set_line_voltage(0.0)
        self._expect_number(self._source.voltage_query, 0.0, self._source.resolution_v)
        values = {
            "frequency_hz": frequency_hz,
            "current_limit_a": min(current_limit_a, self._source.max_current_a or current_limit_a),
            "run_time_limit_s": run_time_limit_s,
        }
        for setting in self._source.before_arming:
            self._set(setting, values)

    def _set(self, setting: Setting, values: Mapping[str, float]) -> None:
        command(self._link, self._dialect, setting.command.format(**values))
        self._expect_number(setting.query, float(setting.expect.format(**values)), setting.tolerance)

    def _expect_number(self, query: str, expected: float, tolerance: float) -> None:
        value, _ = parse_number(self._link.query(query))
        if value is None or abs(value - expected) > tolerance + 1e-9:
            raise InstrumentError(f"{self.name}: {query} reads back {value}, {expected:g} was set")

    def set_line_voltage(self, line_voltage_v: float) -> None:
        """Set the rms output voltage, to the source's resolution. Raises LinkError, CommandRefused, InstrumentError."""
        if not 0.0 <= line_voltage_v <= self._source.max_line_voltage_v:
            raise InstrumentError(
                f"{self.name}: {line_voltage_v:g} V is not between 0 and {self._source.max_line_voltage_v:g} V"
            )
        step_v = self._source.resolution_v
        rounded_v = round(line_voltage_v / step_v) * step_v
        command(self._link, self._dialect, self._source.set_voltage.format(line_voltage_v=rounded_v))

    def output_on(self) -> None:
        """Switch the output on and read it back. Raises LinkError, CommandRefused, InstrumentError."""
        command(self._link, self._dialect, self._switch.close)
        self._expect_state(OutputState.ON)

    def _expect_state(self, expected: OutputState) -> None:
        state = _state(self._link, self._dialect)
        if state is not expected:
            raise InstrumentError(f"{self.name}: was switched {expected} and reads back {state}")


class ScpiCutOff(_Spoken):
    """A way off: its commands and its read-back."""

    def __init__(self, link: Wire, dialect: Dialect) -> None:
        if dialect.cut_off is None:
            raise InstrumentError(f"{link.name}: dialect {dialect.name!r} is no cut-off")
        super().__init__(link, dialect)
        self._switch = dialect.cut_off

    def off(self) -> None:
        """Command it off, before anything else is said. Raises LinkError. Success proves nothing."""
        self._link.write(self._switch.off)

    def state(self) -> OutputState:
        """What it says. Raises LinkError."""
        return _state(self._link, self._dialect)

    def close(self) -> None:
        """Let line voltage through, and read it back. Raises LinkError, CommandRefused, InstrumentError."""
        command(self._link, self._dialect, self._switch.close)
        deadline_s = time.monotonic() + 0.5  # a contactor takes some tens of milliseconds to pull in
        while (state := self.state()) is not OutputState.ON:
            if time.monotonic() > deadline_s:
                raise InstrumentError(f"{self.name}: was told to close and reads back {state}")
            time.sleep(0.01)


class ScpiButton(_Spoken):
    """A relay across the unit's power button."""

    def __init__(self, link: Wire, dialect: Dialect) -> None:
        if dialect.button is None:
            raise InstrumentError(f"{link.name}: dialect {dialect.name!r} is no power button")
        super().__init__(link, dialect)
        self._button = dialect.button

    def press(self) -> None:
        """Press and let go. Raises LinkError, CommandRefused."""
        command(self._link, self._dialect, self._button.press)
        time.sleep(self._button.held_s)
        command(self._link, self._dialect, self._button.let_go)


def _state(link: Wire, dialect: Dialect) -> OutputState:
    assert dialect.cut_off is not None  # noqa: S101 - its callers have checked
    reply = link.query(dialect.cut_off.query).strip()
    if reply == dialect.cut_off.off_reply:
        return OutputState.OFF
    if reply == dialect.cut_off.on_reply:
        return OutputState.ON
    link.close()
    raise BadReply(
        f"{link.name}: {dialect.cut_off.query!r} was answered {reply[:40]!r}, neither"
        f" {dialect.cut_off.off_reply!r} nor {dialect.cut_off.on_reply!r}"
    )


def links_of(parts: Sequence[object]) -> list[Wire]:
    """The links of instruments made here."""
    return [part._link for part in parts if isinstance(part, _Spoken)]
