"""The bench file that reaches a simulated bench, and what its DC meters are clipped to."""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping
from typing import TYPE_CHECKING, Final

from instruments.keyed import KEYED
from instruments.simulated.cycle_mean import STEPS_A_CYCLE
from instruments.simulated.digitiser import AMPERES_SCALE, LATE_S, VOLTS_SCALE
from instruments.simulated.fleet import CURRENT_RANGES
from instruments.simulated.unit import CLIPS, EMITTER_LEFT, OFFSET_LEFT, RAIL_MINUS, RAIL_PLUS, Unit
from instruments.simulated.units import recipe
from instruments.simulated.wires import DIALECTS
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Quantity, Signal

if TYPE_CHECKING:
    from instruments.simulated.serve import SimulationOptions

_MULTIMETERS: Final = (
    ("idle-meter", EMITTER_LEFT, 1.0),
    ("offset-meter", OFFSET_LEFT, 10.0),
    ("plus-rail-meter", RAIL_PLUS, 100.0),
    ("minus-rail-meter", RAIL_MINUS, 100.0),
)
SCANNER_FIRSTS: Final = (101, 201, 301)
"""A scanner's first inputs of emitter resistors, of outputs ahead of the speaker relays, and behind them."""

_DIGITISER: Final = [
    f'inputs = {{ 1 = "{LINE_VOLTAGE.column}", 2 = "{LINE_CURRENT.column}" }}',
    f"scales = {{ 1 = {VOLTS_SCALE!r}, 2 = {AMPERES_SCALE!r} }}  # of the line per volt: probe and clamp",
    f"skew_us = {1e6 * LATE_S!r}  # the clamp's current comes so much late",
]
Resources = Mapping[str, str]
"""Where each instrument that is served can be reached, by name."""


def multimeters(options: SimulationOptions) -> list[tuple[str, Signal, float]]:
    """Name, where it is clipped to, and range of each multimeter."""
    return [row for row in _MULTIMETERS if not options.scanner or row[1].quantity is Quantity.RAIL]


def scanned(unit: Unit) -> dict[int, Signal]:
    """A scanner's inputs."""
    there = unit.dc_values()
    rows = (
        (first + n, signal)
        for n, clips in enumerate(CLIPS[: unit.channels])
        for first, signal in zip(SCANNER_FIRSTS, clips, strict=True)
    )
    return {number: signal for number, signal in sorted(rows) if signal in there}


def bench_file_text(options: SimulationOptions, unit: Unit, resources: Resources) -> str:
    """The bench file that reaches a served bench."""
    lines = [*_head(options, unit), *_marks(options, resources)]
    line_meters = _line_meters(options, resources, unit.nameplate.range_a * 230.0 / options.mains_v)
    dc_meters = [(name, signal, full) for name, signal, full in multimeters(options) if name in resources]
    if "source" in resources:
        lines += _entry("source", "scpi-ac-source", resources, 'position = "before-cut-off"')
    for name, dialect, ranges in line_meters:
        lines += _entry(name, dialect, resources, 'position = "after-cut-off"', *ranges)
    if options.meters == "typed":
        lines += [f"# display: {resources[name]}" for name in ("handheld-volts", "handheld-amperes")]
    for name, signal, full in dc_meters:
        lines += _entry(
            *(name, "scpi-multimeter", resources, f'measures = "{signal.quantity}"', f'channel = "{signal.channel}"'),
            f"ranges = {{ {signal.quantity} = {full!r} }}",
        )
    lines += _scanning(unit, resources)
    if "contactor" in resources:
        lines += _entry("contactor", DIALECTS.get((options.wires, "contactor"), "scpi-relay"), resources)
    lines += _entry("button", "scpi-button", resources)
    lines += _roles([name for name, _, _ in line_meters], [name for name, _, _ in dc_meters], resources)
    return "\n".join([*lines, ""])


def _head(options: SimulationOptions, unit: Unit) -> Iterator[str]:
    plate, press_at = unit.nameplate, recipe(options.unit).press_power_at
    yield "format = 1"
    yield f'title = "Simulated bench: {options.unit}"'
    yield "off_floor_v = 5.0"
    yield "\n[mains]"
    yield f"voltage_v = {options.mains_v!r}"
    yield f"frequency_hz = {options.frequency_hz!r}"
    yield "\n[unit]"
    yield f'name = "{options.unit}"'
    yield f'load_class = "{plate.load_class}"'
    if options.series_lamp_w is not None:
        yield f"series_lamp_w = {options.series_lamp_w!r}"
    yield f"nameplate_v = {options.mains_v!r}"
    yield f"nameplate_w = {plate.nameplate_w!r}"
    if press_at is not None:
        yield f"press_power_at = {press_at!r}"


def _marks(options: SimulationOptions, resources: Resources) -> Iterator[str]:
    """What marks it as simulated: its clock, and hands."""
    if options.lock_step:
        yield f'\n[clock]\nkind = "lock-step"\nresource = "{resources["clock"]}"'
    elif options.speed != 1.0:
        yield f'\n[clock]\nkind = "accelerated"\nspeed = {float(options.speed)!r}'
    for name, section in (("hand", "simulated_hand"), ("unit-hand", "simulated_unit_hand")):
        if name in resources:
            yield f'\n[{section}]\nresource = "{resources[name]}"'


def _scanning(unit: Unit, resources: Resources) -> list[str]:
    if "scanner" not in resources:
        return []
    inputs = ", ".join(f'{number} = "{signal.column}"' for number, signal in scanned(unit).items())
    ranges = "ranges = { emitter_resistor = 1.0, dc_offset = 10.0 }"
    where = ('measures = "temperature"', 'channel = "heat-sink"')
    return [
        *_entry("scanner", "scpi-scanner", resources, f"inputs = {{ {inputs} }}", ranges),
        *_entry("thermometer", "scpi-thermometer", resources, *where),
    ]


def _roles(line_meters: list[str], dc_meters: list[str], resources: Resources) -> Iterator[str]:
    yield "\n[roles]"
    if "source" in resources:
        yield 'ac_source = "source"'
    yield f"line_meters = [{_quoted(line_meters)}]"
    yield f"dc_meters = [{_quoted([*dc_meters, *(name for name in ('scanner',) if name in resources)])}]"
    if "thermometer" in resources:
        yield 'thermometers = ["thermometer"]'
    ways_off = [name for name in ("contactor", "source") if name in resources]
    yield f"cut_off = [{_quoted(ways_off)}]" if ways_off else 'cut_off = "person"'
    yield 'power_button = "button"'


def _quoted(names: Iterable[str]) -> str:
    return ", ".join(f'"{name}"' for name in names)


def _range_a(wanted_a: float) -> float:
    return next((full for full in CURRENT_RANGES if full >= wanted_a), CURRENT_RANGES[-1])


def _line_meters(options: SimulationOptions, resources: Resources, range_a: float) -> list[tuple[str, str, list[str]]]:
    """Name, dialect and further lines of whatever measures the line."""
    if options.meters == "typed":
        return [("hand-meters", "keyed-in", [])]
    if "digitiser" in resources:
        rate_hz = STEPS_A_CYCLE * options.frequency_hz
        return [("digitiser", "scpi-digitiser", [*_DIGITISER, f"rate_hz = {rate_hz!r}"])]
    if "module" in resources:
        return [("module", "scpi-energy-module", [])]
    if "handheld-volts" in resources:
        return [("handheld-volts", "scpi-handheld-volts", []), ("handheld-amperes", "scpi-handheld-amperes", [])]
    over_wire = DIALECTS.get((options.wires, "power-meter"))
    if over_wire is not None:
        return [("power-meter", over_wire, [])]
    return [
        (
            "power-meter",
            "scpi-power-meter",
            [f"ranges = {{ line_voltage = 300.0, line_current = {_range_a(range_a)!r} }}"],
        )
    ]


def _entry(name: str, dialect: str, resources: Resources, *more: str) -> list[str]:
    resource = resources.get(name, KEYED)
    return ["", f"[instruments.{name}]", f'dialect = "{dialect}"', f'resource = "{resource}"', *more]
