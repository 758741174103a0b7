"""The instruments of the simulated bench: AC source, power meters, multimeters, relays, and the bench clock."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Final

from instruments.simulated.cold import Function, Ohms
from instruments.simulated.meters import NO_READING_REPLY, Autoranging, Front, Input
from instruments.simulated.scpi_server import ScpiError, ScpiInstrument, boolean, number
from instruments.simulated.unit import CHANNEL_NAMES, CLIPS
from instruments.simulated.world import World
from rampguard.quantities import Signal

SOURCE_MOST_V: Final = 270.0
SOURCE_HZ: Final = (40.0, 500.0)
VOLT_RANGES: Final = (150.0, 300.0)
CURRENT_RANGES: Final = (1.0, 5.0, 20.0)
POWER_FULL_W: Final = 1500.0
DC_RANGES: Final = (0.1, 1.0, 10.0, 100.0)

_OVER_CURRENT = (300, "Output off: current limit")


def ac_source(world: World, seed: int) -> ScpiInstrument:
    """A programmable AC source that measures its own output, with a current limit and an output timer."""
    scpi = ScpiInstrument("SIMULATED,AC-SOURCE,0,1", world.lock)
    volts = Input(Front("source-volts", 0.001, 0.0, 0.0001), seed)
    amperes = Input(Front("source-amperes", 0.003, 0.0, 0.0002), seed)
    watts = Input(Front("source-watts", 0.003, 0.0, 0.0001), seed)

    def set_output(text: str) -> None:
        world.set_output(on=boolean(text))

    def output_state(_: str) -> str:
        if world.source_tripped:
            world.source_tripped = False
            scpi.queue_error(*_OVER_CURRENT)
        return "1" if world.output_on else "0"

    def reset(_: str) -> None:
        world.set_output(on=False)
        world.set_voltage(0.0)

    scpi.add("*RST", reset)
    scpi.add("[SOURce:]VOLTage", lambda text: world.set_voltage(number(text, 0.0, SOURCE_MOST_V)))
    scpi.add("[SOURce:]VOLTage?", lambda _: f"{world.set_voltage_v:.3f}")
    scpi.add("[SOURce:]FREQuency", lambda text: world.set_frequency(number(text, *SOURCE_HZ)))
    scpi.add("[SOURce:]FREQuency?", lambda _: f"{world.frequency_hz:.3f}")
    scpi.add("[SOURce:]CURRent", lambda text: setattr(world, "current_limit_a", number(text, 0.0, 20.0)))
    scpi.add("[SOURce:]CURRent?", lambda _: f"{min(world.current_limit_a, 20.0):.4f}")
    scpi.add("OUTPut:TIMer", lambda text: setattr(world, "output_timer_s", number(text, 0.0, 1e6)))
    scpi.add("OUTPut:TIMer?", lambda _: f"{world.output_timer_s:.1f}")
    scpi.add("OUTPut[:STATe]", set_output)
    scpi.add("OUTPut[:STATe]?", output_state)

    def reading(source: Input, true: Callable[[], float], full: float, resolution: float) -> Callable[[str], str]:
        def read(_: str) -> str:
            value = true() if world.output_on else 0.0
            return _plain(source.read(value, window=world.window.number, full=full, resolution=resolution))

        return read

    scpi.add("MEASure:VOLTage?", reading(volts, lambda: world.window.source_v, 300.0, 0.1))
    scpi.add("MEASure:CURRent?", reading(amperes, lambda: world.window.line.current_a, 20.0, 0.01))
    scpi.add("MEASure:POWer?", reading(watts, lambda: world.window.line.real_power_w, 3000.0, 0.1))
    return scpi


@dataclass(slots=True)
class _Ranges:
    """The ranges a meter stands on."""

    volts: float = VOLT_RANGES[-1]
    amperes: float = CURRENT_RANGES[-1]
    dc: float = DC_RANGES[-1]


def power_meter(world: World, seed: int) -> ScpiInstrument:
    """A power meter after the contactor: all three answers of one window."""
    scpi = ScpiInstrument("SIMULATED,POWER-METER,0,1", world.lock)
    ranges = _Ranges()
    volts = Input(Front("power-meter-volts", 0.0008, 0.0003, 0.00002, crest_factor_limit=3.0), seed)
    amperes = Input(Front("power-meter-amperes", 0.0008, 0.0003, 0.00003, crest_factor_limit=6.0), seed)
    watts = Input(Front("power-meter-watts", 0.0015, 0.0003, 0.00001), seed)

    def read_volts(_: str) -> str:
        line, window = world.window.line, world.window.number
        before = world.miswired == "meter-before-cut-off"
        true = world.window.source_v if before else line.voltage_v
        return _plain(volts.read(true, window=window, full=ranges.volts, resolution=1e-3, peak=line.peak_v))

    def read_amperes(_: str) -> str:
        line, full = world.window.line, ranges.amperes
        step = 1e-3 if full > 5.0 else 1e-4
        seen = amperes.read(line.current_a, window=world.window.number, full=full, resolution=step, peak=line.peak_a)
        return _plain(seen)

    def read_watts(_: str) -> str:
        line, window = world.window.line, world.window.number
        sign = -1.0 if world.miswired == "current-reversed" else 1.0
        return _plain(sign * watts.read(line.real_power_w, window=window, full=POWER_FULL_W, resolution=0.01))

    scpi.add("VOLTage:RANGe", lambda text: setattr(ranges, "volts", _range(text, VOLT_RANGES)))
    scpi.add("VOLTage:RANGe?", lambda _: f"{ranges.volts:g}")
    scpi.add("CURRent:RANGe", lambda text: setattr(ranges, "amperes", _range(text, CURRENT_RANGES)))
    scpi.add("CURRent:RANGe?", lambda _: f"{ranges.amperes:g}")
    scpi.add("MEASure:VOLTage:AC?", read_volts)
    scpi.add("MEASure:CURRent:AC?", read_amperes)
    scpi.add("MEASure:POWer?", read_watts)
    return scpi


def multimeter(world: World, seed: int, name: str, wired_to: Signal) -> ScpiInstrument:
    """A multimeter on a DC range, clipped to something in the unit."""
    scpi = ScpiInstrument("SIMULATED,MULTIMETER,0,1", world.lock)
    world.watch(wired_to)
    ranges = _Ranges()
    front = Input(Front(name, 0.00015, 0.00003, 0.00001), seed)

    def read(_: str) -> str:
        true = world.at_clip(wired_to)
        return _plain(front.read(true, window=world.window.number, full=ranges.dc, resolution=ranges.dc * 1e-5))

    cold = Ohms(world, wired_to, name, seed)

    def to_volts(text: str) -> None:
        ranges.dc = _range(text, DC_RANGES)
        cold.function = Function.VOLTS

    scpi.add("CONFigure:VOLTage:DC", to_volts)
    scpi.add("VOLTage:DC:RANGe?", lambda _: f"{ranges.dc:g}")
    scpi.add("READ?", lambda text: read(text) if cold.function is Function.VOLTS else _plain(cold.read()))
    cold.teach(scpi)
    return scpi


def scanner(world: World, seed: int, inputs: Mapping[int, Signal]) -> ScpiInstrument:
    """A multimeter behind a relay for each input, every input with a DC range of its own."""
    scpi = ScpiInstrument("SIMULATED,SCANNER,0,1", world.lock)
    for signal in inputs.values():
        world.watch(signal)
    ranges = dict.fromkeys(inputs, DC_RANGES[-1])
    fronts = {n: Input(Front(f"scanner-{n}", 0.00015, 0.00003, 0.00001), seed) for n in inputs}

    def of(text: str) -> int:
        channels = text.strip().removeprefix("(@").removesuffix(")")
        if not channels.isdigit() or int(channels) not in inputs:
            raise ScpiError(-222, "Data out of range")
        return int(channels)

    def lock(text: str) -> None:
        full, _, channel = text.partition(",")
        ranges[of(channel)] = _range(full, DC_RANGES)

    closed = [next(iter(inputs))]

    def read(_: str) -> str:
        n = closed[0]
        true, full = world.at_clip(inputs[n]), ranges[n]
        return _plain(fronts[n].read(true, window=world.window.number, full=full, resolution=full * 1e-5))

    scpi.add("CONFigure:VOLTage:DC", lock)
    scpi.add("VOLTage:DC:RANGe?", lambda text: f"{ranges[of(text)]:g}")
    scpi.add("ROUTe:CLOSe", lambda text: closed.__setitem__(0, of(text)))
    scpi.add("READ?", read)
    return scpi


def thermometer(world: World, seed: int, at: Signal) -> ScpiInstrument:
    """A thermometer, its sensor fixed somewhere in the unit."""
    scpi = ScpiInstrument("SIMULATED,THERMOMETER,0,1", world.lock)
    world.watch(at)
    front = Input(Front("thermometer", 0.005, 0.002, 0.0002), seed)

    def read(_: str) -> str:
        return _plain(front.read(world.at_clip(at), window=world.window.number, full=150.0, resolution=0.1))

    scpi.add("MEASure:TEMPerature?", read)
    return scpi


def unit_hand(world: World) -> ScpiInstrument:
    """A hand in the unit: turns bias trimmers, moves the multimeters' clips, and the lid. No instrument."""
    scpi = ScpiInstrument("SIMULATED,UNIT-HAND,0,1", world.lock)

    def channel(text: str) -> int:
        name = text.strip()
        if name not in CHANNEL_NAMES[: world.unit.channels]:
            raise ScpiError(-222, "Data out of range")
        return CHANNEL_NAMES.index(name)

    def turn(text: str) -> None:
        name, _, by_a = text.partition(",")
        world.turn_trimmer(channel(name), number(by_a, -1.0, 1.0))

    def clip(text: str) -> None:
        for home, to in zip(CLIPS[0], CLIPS[channel(text)], strict=True):
            world.move_clip(home, to)

    def drive(text: str) -> None:
        level, _, ohm = text.partition(",")
        world.drive(number(level, 0.0, 200.0), number(ohm, 1.0, 100.0))

    scpi.add("TRIMmer", turn)
    scpi.add("DRIVE", drive)
    scpi.add("UNPLug", lambda text: world.unplug([channel(name) for name in text.split(",") if name.strip()]))
    scpi.add("CLIP", clip)
    scpi.add("LID", lambda text: world.put_lid(on=boolean(text)))
    return scpi


HANDHELD_COUNTS: Final = 6000
HANDHELD_VOLT_RANGES: Final = (6.0, 60.0, 600.0)
HANDHELD_CURRENT_RANGES: Final = (0.06, 0.6, 6.0, 20.0)
HANDHELD_GAP_WINDOWS: Final = 6
"""A handheld takes some 0.6 s to change range; common practice, no source."""
MODULE_ALIVE_FROM_V: Final = 80.0
"""An energy module is powered from the line that it measures, and is dead below this."""


def handheld_volts(world: World, seed: int) -> ScpiInstrument:
    """A handheld meter on AC volts: autoranging, 6000 counts, average-responding."""
    front = Front("handheld-volts", 0.008, 0.0005, 0.0002)
    meter = Autoranging(
        front, seed, ranges=HANDHELD_VOLT_RANGES, counts=HANDHELD_COUNTS, gap_windows=HANDHELD_GAP_WINDOWS
    )
    return _handheld(
        world, "SIMULATED,HANDHELD-VOLTS,0,1", meter, lambda: world.window.line.average_responding_voltage_v
    )


def handheld_amperes(world: World, seed: int) -> ScpiInstrument:
    """A handheld meter on AC amperes: average-responding, so that it shows too little of a peaky current."""
    front = Front("handheld-amperes", 0.012, 0.0005, 0.0002, crest_factor_limit=3.0)
    meter = Autoranging(
        front, seed, ranges=HANDHELD_CURRENT_RANGES, counts=HANDHELD_COUNTS, gap_windows=HANDHELD_GAP_WINDOWS
    )
    return _handheld(
        world, "SIMULATED,HANDHELD-AMPS,0,1", meter, lambda: world.window.line.average_responding_current_a
    )


def _handheld(world: World, identity: str, meter: Autoranging, true: Callable[[], float]) -> ScpiInstrument:
    scpi = ScpiInstrument(identity, world.lock)
    held = {-1: ""}

    def read(_: str) -> str:
        # Three readings a second, each shown until the next.
        shown = world.window.number - world.window.number % 3
        if shown not in held:
            held.clear()
            held[shown] = _plain(meter.read(true(), window=shown))
        return held[shown]

    scpi.add("READ?", read)
    return scpi


def energy_module(world: World, seed: int) -> ScpiInstrument:
    """An energy module after the contactor, powered from the line it measures: below 80 V it has nothing to say."""
    scpi = ScpiInstrument("SIMULATED,ENERGY-MODULE,0,1", world.lock)
    volts = Input(Front("module-volts", 0.004, 0.0, 0.0002), seed)
    amperes = Input(Front("module-amperes", 0.004, 0.0, 0.0001), seed)
    watts = Input(Front("module-watts", 0.005, 0.0, 0.0001), seed)

    def reading(front: Input, true: Callable[[], float], full: float, resolution: float) -> Callable[[str], str]:
        def read(_: str) -> str:
            if world.window.line.voltage_v < MODULE_ALIVE_FROM_V:
                return _plain(NO_READING_REPLY)
            return _plain(front.read(true(), window=world.window.number, full=full, resolution=resolution))

        return read

    scpi.add("MEASure:VOLTage?", reading(volts, lambda: world.window.line.voltage_v, 300.0, 0.1))
    scpi.add("MEASure:CURRent?", reading(amperes, lambda: world.window.line.current_a, 20.0, 0.001))
    scpi.add("MEASure:POWer?", reading(watts, lambda: world.window.line.real_power_w, 3000.0, 0.1))
    return scpi


def power_button(world: World) -> ScpiInstrument:
    """A relay across the unit's power button: closing it presses."""
    held = [False]

    def move(closed: bool) -> None:  # noqa: FBT001 - as a relay's
        if closed and not held[0]:
            world.press_power()
        held[0] = closed

    return _relay(world, "SIMULATED,BUTTON,0,1", move, lambda: held[0])


def relay(world: World) -> ScpiInstrument:
    """A relay that holds the contactor's coil, with the contactor's position read back."""
    return _relay(
        world, "SIMULATED,RELAY,0,1", lambda closed: world.set_contactor(closed=closed), lambda: world.contactor_closed
    )


def _relay(world: World, identity: str, move: Callable[[bool], None], closed: Callable[[], bool]) -> ScpiInstrument:
    scpi = ScpiInstrument(identity, world.lock)

    def channel(text: str) -> None:
        if text.replace(" ", "") != "(@1)":
            raise ScpiError(-222, "Data out of range")

    def route(text: str, *, close: bool) -> None:
        channel(text)
        move(close)

    def state(text: str) -> str:
        channel(text)
        return "1" if closed() else "0"

    scpi.add("*RST", lambda _: move(False))
    scpi.add("ROUTe:CLOSe", lambda text: route(text, close=True))
    scpi.add("ROUTe:OPEN", lambda text: route(text, close=False))
    scpi.add("ROUTe:CLOSe?", state)
    return scpi


def bench_clock(world: World) -> ScpiInstrument:
    """The clock of a bench in lock-step: simulated time moves only through it."""
    scpi = ScpiInstrument("SIMULATED,BENCH-CLOCK,0,1", world.lock)

    def advance(text: str) -> str:
        world.advance(number(text, 0.0, 10.0))
        return repr(world.now_s)

    scpi.add("SYSTem:TIME?", lambda _: repr(world.now_s))
    scpi.add("SYSTem:TIME:ADVance?", advance)
    return scpi


def _range(text: str, ranges: tuple[float, ...]) -> float:
    wanted = number(text, 0.0, ranges[-1])
    return next(full for full in ranges if full >= wanted)


def _plain(value: float) -> str:
    return f"{value:.6E}"
