"""What can be wrong with a bench file that each of its keys by itself does not show: each problem with its remedy."""

from __future__ import annotations

import re
from collections.abc import Iterator
from typing import TYPE_CHECKING, Any, Final

from instruments.dialect import AS_WIRED, Dialect
from instruments.dialect_roles import DigitiserDialect
from instruments.keyed import KEYED, keyed_problems
from instruments.replies import UNITS
from instruments.roles import Position
from rampguard.quantities import LINE_CURRENT, LINE_QUANTITIES, LINE_VOLTAGE, UNIT, Quantity, Signal

if TYPE_CHECKING:
    from instruments.bench import BenchFile, Entry

PERSON: Final = "person"
"""In place of cut-offs: a person is the cut-off."""
SERIAL: Final = re.compile(r"ASRL|MODBUS-RTU", re.IGNORECASE)
LEAST_RATE_HZ: Final = 2000.0
MOST_SKEW_US: Final = 2000.0
"""A tenth of a cycle."""
_SERIAL_PORT: Final = re.compile(r"(?:ASRL|MODBUS-RTU::)(.+?)::(?:INSTR|\d{1,3})", re.IGNORECASE)
# A pseudo-terminal is a program's, too.
_LOOPBACK = re.compile(
    r"ASRL/dev/pts/\d+::INSTR|(?:TCPIP\d*|MODBUS-TCP)::(127(?:\.\d{1,3}){3}|localhost|::1|\[::1\])::\d+::(?:SOCKET|\d{1,3})",
    re.IGNORECASE,
)


def problems_of(bench: BenchFile) -> Iterator[str]:
    """All of them."""
    yield from _role_problems(bench)
    yield from _entry_problems(bench)
    yield from _clock_problems(bench)
    yield from _hand_problems(bench)
    yield from _typed_problems(bench)


def _role_problems(bench: BenchFile) -> Iterator[str]:
    roles = bench.roles
    needs: list[tuple[str, str, Any]] = [
        *(("line_meters", name, lambda d: d.measurements or d.digitiser) for name in roles.line_meters),
        *(("dc_meters", name, lambda d: d.measurements) for name in roles.dc_meters),
        *(("thermometers", name, lambda d: d.measurements) for name in roles.thermometers),
        *(("cut_off", name, lambda d: d.cut_off) for name in bench.cut_offs),
    ]
    if roles.ac_source is not None:
        needs.append(("ac_source", roles.ac_source, lambda d: d.source))
    if roles.power_button is not None:
        needs.append(("power_button", roles.power_button, lambda d: d.button))
    for role, name, part in needs:
        if name not in bench.instruments:
            known = ", ".join(bench.instruments)
            yield f"roles.{role}: there is no instrument {name!r}; defined are {known}"
        elif not part(bench.dialect(name)):
            yield f"roles.{role}: {name!r} cannot play it; its dialect {bench.dialect(name).name!r} has no such part"
    if roles.ac_source is not None and roles.cut_off == PERSON:
        yield f"roles.cut_off: the program can switch {roles.ac_source!r} off itself; name it instead of a person"
    if not roles.line_meters:
        yield "roles.line_meters: empty; line voltage and current must be measured"
    elif not any(
        name in bench.instruments and bench.instruments[name].position is Position.AFTER_CUT_OFF
        for name in roles.line_meters
    ):
        yield (
            "roles.line_meters: none of them sits after the cut-off, so nothing could prove that the unit is off;"
            ' move one there and say position = "after-cut-off"'
        )


def _typed_problems(bench: BenchFile) -> Iterator[str]:
    """What is typed comes seldom, so that it suits the line's meters of a hand-turned bench, and nothing else."""
    roles, instruments = bench.roles, bench.instruments
    for name in (*roles.dc_meters, *roles.thermometers):
        if name in instruments and instruments[name].resource == KEYED:
            yield f"instruments.{name}.resource: only the line's meters can be typed; connect it, or leave it out"
    typed = [instruments[name].resource == KEYED for name in roles.line_meters if name in instruments]
    if any(typed) and not all(typed):
        yield "roles.line_meters: some are typed and some are not; a slow one would hide that a quick one is gone"
    if any(typed) and roles.ac_source is not None:
        yield "roles.line_meters: a source that the program drives needs meters that it reads itself, not typed ones"


def _entry_problems(bench: BenchFile) -> Iterator[str]:
    for name, entry in bench.instruments.items():
        where = f"instruments.{name}"
        dialect = bench.dialect(name)
        wired = any(m.quantity == AS_WIRED for m in dialect.measurements)
        scans = any(m.scans for m in dialect.measurements)
        if scans and name in bench.meters:
            yield from _input_problems(where, entry)
        elif wired and name in bench.meters:
            yield from _wiring_problems(where, entry)
        if wired and name in bench.meters:
            yield from _unit_problems(where, entry, dialect)
        yield from _sampling_problems(where, entry, dialect, scans=scans)
        if not wired and (entry.measures is not None or entry.channel):
            yield f"{where}: measures and channel belong to a multimeter; {dialect.name!r} knows what it measures"
        if name in bench.roles.line_meters and entry.position is None:
            yield f"{where}.position: missing; say whether it sits before-cut-off or after-cut-off"
        yield from _range_problems(where, entry, dialect)
        if entry.resource == KEYED:
            yield from (f"{where}.resource: {problem}" for problem in keyed_problems(dialect))
    yield from _sharing_problems(bench)


def _sharing_problems(bench: BenchFile) -> Iterator[str]:
    """No two share a resource, or a serial line: on one, a meter's silence would hold up the way off."""
    resources = {name: entry.resource for name, entry in bench.instruments.items() if entry.resource != KEYED}
    for resource, sharing in _sharers(resources):
        yield f"instruments: {' and '.join(sharing)} have the same resource {resource}; each needs its own"
    lines = {name: line for name, resource in resources.items() if (line := serial_line(resource))}
    for line, sharing in _sharers(lines):
        if len({resources[name] for name in sharing}) > 1:
            yield (
                f"instruments: {' and '.join(sharing)} are on one serial line, {line}, where one that is silent holds"
                " up the others, a way off among them; give each an adapter of its own"
            )


def _sharers(of: dict[str, str]) -> Iterator[tuple[str, list[str]]]:
    """What more than one of these names have, and which names."""
    for shared in dict.fromkeys(of.values()):
        names = [name for name, other in of.items() if other == shared]
        if len(names) > 1:
            yield shared, names


def serial_line(resource: str) -> str:
    """The serial port of a resource, by the name that the operating system has for it; empty: it is on none."""
    match = _SERIAL_PORT.fullmatch(resource)
    port = match[1] if match else ""
    return f"COM{port}" if port.isdigit() else port


def _wiring_problems(where: str, entry: Entry) -> Iterator[str]:
    if entry.measures is None:
        yield f"{where}.measures: missing; say what it is wired to, such as emitter_resistor or dc_offset"
        return
    if entry.measures in LINE_QUANTITIES:
        yield f"{where}.measures: a DC meter cannot measure {entry.measures}"
        return
    try:
        Signal(entry.measures, entry.channel)
    except ValueError as error:
        yield f"{where}.channel: {error}"


def _unit_problems(where: str, entry: Entry, dialect: Dialect) -> Iterator[str]:
    """What it is wired to is in the unit that it reads."""
    try:
        signals = entry.signals
    except ValueError:  # told by whoever looks at its channel
        return
    measurement = dialect.measurements[0]
    reads = "degC" if measurement.sensor is not None else UNITS[measurement.unit][0]
    for quantity in dict.fromkeys(signal.quantity for signal in signals):
        if UNIT[quantity] != reads:
            yield f"{where}: {dialect.name!r} reads {reads}, but {quantity} is in {UNIT[quantity]}; use another dialect"


def _input_problems(where: str, entry: Entry) -> Iterator[str]:
    if not entry.inputs:
        yield f'{where}.inputs: missing; say what each input is wired to, as 101 = "emitter_resistor_left_v"'
    if entry.measures is not None or entry.channel:
        yield f"{where}: measures and channel belong to a multimeter; a scanner has inputs"
    seen: dict[str, str] = {}
    for number, column in entry.inputs.items():
        signal = Signal.from_column(column)
        if not number.isdigit():
            yield f"{where}.inputs.{number}: an input is a number"
        if signal is None or signal.quantity in LINE_QUANTITIES or signal.quantity is Quantity.TEMPERATURE:
            yield f"{where}.inputs.{number}: {column!r} is nothing that a DC meter reads, such as dc_offset_left_v"
        if column in seen:
            yield f"{where}.inputs.{number}: {column} is input {seen[column]} already"
        seen[column] = number


def _sampling_problems(where: str, entry: Entry, dialect: Dialect, *, scans: bool) -> Iterator[str]:
    if dialect.digitiser is not None:
        yield from _digitiser_problems(where, entry, dialect.digitiser)
    elif entry.scales or entry.probe_percent or entry.skew_us or entry.rate_hz:
        yield f"{where}: scales, rate_hz, probe_percent and skew_us belong to a digitiser; {dialect.name!r} is none"
    elif entry.inputs and not scans:
        yield f"{where}.inputs: they belong to a scanner or digitiser; {dialect.name!r} asks for no input"


def _digitiser_problems(where: str, entry: Entry, digitiser: DigitiserDialect) -> Iterator[str]:
    wanted = {LINE_VOLTAGE.column, LINE_CURRENT.column}
    if sorted(entry.inputs.values()) != sorted(wanted):
        yield f"{where}.inputs: say which input is which, as 1 = {LINE_VOLTAGE.column!r}, 2 = {LINE_CURRENT.column!r}"
    for number in entry.inputs:
        if not number.isdigit() or not 1 <= int(number) <= digitiser.inputs:
            yield f"{where}.inputs.{number}: its inputs are 1 to {digitiser.inputs}"
        if not entry.scales.get(number):
            yield f"{where}.scales.{number}: missing or zero; by its probe, volts or amperes of the line per volt there"
    for name in ("scales", "probe_percent"):
        for number in sorted(set(getattr(entry, name)) - set(entry.inputs)):
            yield f"{where}.{name}.{number}: nothing is wired to that input; remove it"
    if entry.rate_hz is not None and entry.rate_hz < LEAST_RATE_HZ:
        yield f"{where}.rate_hz: {entry.rate_hz:g} is too few for cycles of line voltage; {LEAST_RATE_HZ:g} or more"
    if not abs(entry.skew_us) <= MOST_SKEW_US:
        yield f"{where}.skew_us: {entry.skew_us:g} is more than {MOST_SKEW_US:g} either way: sample both together"


def _range_problems(where: str, entry: Entry, dialect: Dialect) -> Iterator[str]:
    for quantity, full in entry.ranges.items():
        wired = [signal.quantity for signal in entry.signals]
        of = [m for m in dialect.measurements if quantity in (m.quantity, *wired)]
        if not of:
            yield f"{where}.ranges.{quantity}: it does not measure that; remove it"
        elif full not in [item.full for item in of[0].ranges]:
            has = ", ".join(f"{item.full:g}" for item in of[0].ranges)
            yield f"{where}.ranges.{quantity}: {full:g} is no range of {dialect.name!r}; it has {has} {of[0].unit}"


def _clock_problems(bench: BenchFile) -> Iterator[str]:
    clock = bench.clock
    if clock is None:
        return
    if clock.kind == "lock-step" and clock.resource is None:
        yield "clock.resource: missing; a bench in lock-step has a clock to ask"
    if clock.kind == "accelerated" and clock.speed is None:
        yield "clock.speed: missing; say how many bench seconds go by a second"
    away = _off_loopback([*(entry.resource for entry in bench.instruments.values()), clock.resource or ""])
    if away:
        yield (
            f"clock: {clock.kind} is for a simulated bench on this computer, but {away} is not on loopback;"
            " remove [clock] for a real bench"
        )


def _hand_problems(bench: BenchFile) -> Iterator[str]:
    if bench.simulated_hand is not None and bench.roles.ac_source is not None:
        yield "simulated_hand: there is no knob to turn on a bench with an ac_source; remove one of them"
    for name in ("simulated_hand", "simulated_unit_hand"):
        hand = getattr(bench, name)
        if hand is None:
            continue
        away = _off_loopback([*(entry.resource for entry in bench.instruments.values()), hand.resource])
        if away:
            yield (
                f"{name}: it is for a simulated bench on this computer, but {away} is not on loopback;"
                f" remove [{name}] for a real bench"
            )


def _off_loopback(resources: list[str]) -> str:
    elsewhere = (r for r in resources if r and r != KEYED and not _LOOPBACK.fullmatch(r))
    return ", ".join(elsewhere)
