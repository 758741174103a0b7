"""Class-AB amplifiers on a linear supply: split rails, a single rail, or two pairs of rails (class G and H)."""

from __future__ import annotations

import math
from collections.abc import Collection, Mapping, MutableMapping
from typing import Final, Literal

from instruments.simulated.front import Front
from instruments.simulated.ops import Ops, Real
from instruments.simulated.stages import Channel, Driven, Stages
from instruments.simulated.tolerances import Part
from instruments.simulated.transformer import Output, Transformer
from instruments.simulated.unit import CLIPS, HEAT_SINK, RAIL_MINUS, RAIL_PLUS, Nameplate, Unit
from rampguard.quantities import Signal

REFERENCE_V: Final = 230.0
"""The parts below are of the 230 V version; other mains scale the primary."""

CHANNEL: Final = {
    "idle_a": Part(0.090, 0.25, "idle as set by hand in the past"),
    "drift_a_per_k": Part(0.00036, 0.5, "bias undercompensated a little: idle grows as the devices warm"),
    "emitter_ohm": Part(0.22, 0.05, "emitter resistors, 5 %"),
    "sink_k_per_w": Part(1.4, 0.2, "heat sink of one channel"),
    "sink_j_per_k": Part(320.0, 0.2, "350 g of aluminium"),
    "device_k_per_w": Part(1.3, 0.2, "junction to sink: 0.7 K/W junction to case and 0.6 K/W insulator, both devices"),
    "device_j_per_k": Part(2.5, 0.3, "die, header and insulator of two devices"),
    "offset_v": Part(0.008, 0.9, "output offset with its servo idle"),
    "waking_v": Part(1.5, 0.9, "output offset while the input stage wakes, below a dozen volts of rail"),
}
"""One channel's parts. All common practice, no source."""

SPLIT: Final = {
    "supply_ohm": Part(0.4, 0.5, "mains, isolation transformer's share and variac, common practice, no source"),
    "primary_ohm": Part(6.0, 0.15, "300 VA toroid: about 4 % regulation in the primary (makers' tables, from memory)"),
    "turns_ratio": Part(0.16, 0.03, "2 x 35 V on load at 230 V, wound a little high"),
    "secondary_ohm": Part(0.22, 0.15, "the other 4 % of the regulation, per half winding"),
    "reservoir_plus_f": Part(0.010, 0.2, "10 mF electrolytic, +/-20 %"),
    "reservoir_minus_f": Part(0.010, 0.2, "10 mF electrolytic, +/-20 %"),
    "magnetising_h": Part(50.0, 0.4, "toroid: some 15 mA of magnetising current at 230 V, 50 Hz"),
    "knee_wb": Part(1.12, 0.05, "knee 8 % above the peak flux at 230 V, 50 Hz"),
    "knee_a": Part(0.08, 0.3, "extra magnetising current at the knee"),
    "residual": Part(0.4, 0.5, "flux kept by the core when the line goes, of the knee's"),
    "core_loss_ohm": Part(16_000.0, 0.3, "3 W of core loss at 230 V"),
    "dark_below_v": Part(5.0, 0.2, "a class-AB half conducts from a few volts of rail"),
    "idle_span_v": Part(14.0, 0.2, "rail voltage over which the idle then comes on"),
    "small_signal_a": Part(0.055, 0.2, "drivers, voltage amplifiers and preamplifier, per rail"),
    "bleeder_ohm": Part(4_700.0, 0.05, "bleeder across each reservoir"),
    "relay_delay_s": Part(4.0, 0.3, "speaker relay, seconds after the rails are up"),
    "relay_a": Part(0.030, 0.2, "24 V coil behind its dropping resistor"),
}
"""Nominal parts of the 300 W nameplate, split-rail amplifier, but for its channels."""

SINGLE: Final = SPLIT | {
    "primary_ohm": Part(28.0, 0.15, "80 VA frame: about 8 % regulation in the primary (makers' tables, from memory)"),
    "turns_ratio": Part(0.15, 0.03, "34 V at 230 V"),
    "secondary_ohm": Part(0.7, 0.15, "the other 8 %"),
    "reservoir_plus_f": Part(0.0047, 0.2, "4.7 mF electrolytic"),
    "magnetising_h": Part(14.0, 0.4, "a laminated frame: some 50 mA of magnetising current"),
    "knee_a": Part(0.05, 0.3, "extra magnetising current at the knee"),
    "core_loss_ohm": Part(11_000.0, 0.3, "5 W of core loss at 230 V"),
    "small_signal_a": Part(0.040, 0.2, "drivers and preamplifier"),
    "dark_below_v": Part(4.0, 0.2, "half the rail at which it conducts"),
    "idle_span_v": Part(10.0, 0.2, "half the rail over which the idle comes on"),
}
"""Nominal parts of the 100 W nameplate, single-rail amplifier."""

TWO_PAIRS: Final = SPLIT | {
    "primary_ohm": Part(2.4, 0.15, "750 VA toroid: some 3 % regulation in the primary (makers' tables, from memory)"),
    "turns_ratio": Part(0.15, 0.03, "inner rails of +/-45 V"),
    "outer_ratio": Part(0.30, 0.03, "outer rails of +/-95 V"),
    "secondary_ohm": Part(0.10, 0.15, "inner half winding"),
    "outer_ohm": Part(0.25, 0.15, "outer half winding"),
    "outer_f": Part(0.0068, 0.2, "6.8 mF electrolytic on each outer rail"),
    "reservoir_plus_f": Part(0.015, 0.2, "15 mF electrolytic"),
    "reservoir_minus_f": Part(0.015, 0.2, "15 mF electrolytic"),
    "magnetising_h": Part(28.0, 0.4, "some 26 mA of magnetising current"),
    "knee_a": Part(0.2, 0.3, "extra magnetising current at the knee"),
    "core_loss_ohm": Part(8_000.0, 0.3, "6.6 W of core loss at 230 V"),
    "small_signal_a": Part(0.09, 0.2, "drivers, voltage amplifiers and preamplifier, per rail"),
}
"""Nominal parts of the 800 W nameplate, class-G or class-H amplifier."""

ROOM_DEGC: Final = 22.0
AWAKE_AT: Final = 0.6
"""How far its stages are on when the input stage holds the output in balance."""
Layout = Literal["split", "single", "two-pairs"]
PARTS: Final[Mapping[Layout, Mapping[str, Part]]] = {"split": SPLIT, "single": SINGLE, "two-pairs": TWO_PAIRS}
NAMEPLATES: Final = {
    "split": Nameplate("linear-amplifier", 300.0, 1.0),
    "single": Nameplate("linear-amplifier", 100.0, 1.0),
    "two-pairs": Nameplate("linear-amplifier", 800.0),
}


def parts_of(layout: Layout, channels: int = 2) -> dict[str, Part]:
    """All parts of an amplifier, its channels' as ``idle_a_1`` and so on."""
    parts = dict(PARTS[layout])
    for number in range(1, channels + 1):
        parts |= {f"{name}_{number}": part for name, part in CHANNEL.items()}
    return parts


def for_mains_core(values: Mapping[str, Real], mains_v: float, frequency_hz: float) -> dict[str, Real]:
    """The same core and primary wound for other mains: turns in proportion to voltage; 60 Hz needs less flux."""
    turns = mains_v / REFERENCE_V
    scaled = dict(values)
    for name in ("primary_ohm", "supply_ohm", "core_loss_ohm", "magnetising_h"):
        if name in values:
            scaled[name] = values[name] * turns * turns
    scaled["knee_wb"] = values["knee_wb"] * turns * 50.0 / frequency_hz
    scaled["knee_a"] = values["knee_a"] / turns
    return scaled


def for_mains(values: Mapping[str, Real], mains_v: float, frequency_hz: float) -> dict[str, Real]:
    """The same specimen wound for other mains: its secondaries give the same voltages."""
    scaled = for_mains_core(values, mains_v, frequency_hz)
    for name in ("turns_ratio", "outer_ratio"):
        if name in values:
            scaled[name] = values[name] * REFERENCE_V / mains_v
    return scaled


def transformer_of(values: Mapping[str, Real], outputs: tuple[Output, ...]) -> Transformer:
    """The transformer of a specimen."""
    return Transformer(
        primary_ohm=values["primary_ohm"],
        magnetising_h=values["magnetising_h"],
        knee_wb=values["knee_wb"],
        knee_a=values["knee_a"],
        core_loss_ohm=values["core_loss_ohm"],
        outputs=outputs,
        residual_wb=values["residual"] * values["knee_wb"],
    )


def outputs_of(values: Mapping[str, Real], layout: Layout) -> tuple[Output, ...]:
    """Its rectified outputs: plus, minus where there is one, then the outer pair."""
    ratio, ohm = values["turns_ratio"], values["secondary_ohm"]
    if layout == "single":
        return (Output(ratio, ohm, values["reservoir_plus_f"], junctions=2),)
    inner = (Output(ratio, ohm, values["reservoir_plus_f"]), Output(ratio, ohm, values["reservoir_minus_f"]))
    if layout == "split":
        return inner
    outer = [Output(values["outer_ratio"], values["outer_ohm"], values["outer_f"]) for _ in range(2)]
    return (*inner, *outer)


def stages_of(values: Mapping[str, Real], outputs: tuple[Output, ...], channels: int, mains_v: float) -> Stages:
    """Its stages, on its rails."""
    return Stages(
        channels=[
            Channel(**{name: values[f"{name}_{number}"] for name in CHANNEL}) for number in range(1, channels + 1)
        ],
        plus=outputs[0],
        minus=outputs[1] if len(outputs) > 1 else None,
        outer=outputs[2:],
        dark_below_v=values["dark_below_v"],
        idle_span_v=values["idle_span_v"],
        small_signal_a=values["small_signal_a"],
        bleeder_ohm=values["bleeder_ohm"],
        full_v=values["turns_ratio"] * mains_v * math.sqrt(2.0),
        relay_delay_s=values["relay_delay_s"],
        relay_a=values["relay_a"],
    )


def clips_of(stages: Stages, ops: Ops) -> MutableMapping[Signal, Real]:
    """What can be clipped to: each channel's emitter resistor and output, ahead of the speaker relay and behind it."""
    plus, minus = stages.plus, stages.minus
    seen: dict[Signal, Real] = {RAIL_PLUS: plus.volts}
    clipped = list(zip(CLIPS, stages.channels, strict=False))
    warm_k: Real = 0.0
    driven_a = stages.drive.rail_a
    shorted = [0.0 if stages.short_s is None else stages.shorted(number, ops) for number in range(len(clipped))]
    for (clips, channel), short in zip(clipped, shorted, strict=True):
        seen[clips.emitter] = (channel.now_a + driven_a + stages.short_a * short) * channel.emitter_ohm
        warm_k = warm_k + channel.sink_k
    seen[HEAT_SINK] = ROOM_DEGC + warm_k / len(clipped)
    if minus is None:  # the output is behind a capacitor: no offset to clip to
        return seen
    seen[RAIL_MINUS] = -minus.volts
    # A missing rail lets the output go to the other; a short half way, until its partner pulls.
    gone = ops.either(ops.least(plus.volts, minus.volts) < 0.2 * ops.most(plus.volts, minus.volts), 1.0, 0.0)
    waking = ops.above_zero(stages.on * (AWAKE_AT - stages.on)) * (4.0 / AWAKE_AT**2)
    for (clips, channel), short in zip(clipped, shorted, strict=True):
        pulled_v = (plus.volts - minus.volts) * ops.either(short > 0.0, 0.5, 0.8 * gone)
        offset_v = channel.offset_v * stages.on + channel.waking_v * waking + pulled_v
        seen[clips.offset] = offset_v
        seen[clips.terminals] = offset_v * stages.relay_closed
    return seen


class Staged(Unit):
    """A unit whose trimmers, loads and heat sinks are those of its ``stages``."""

    stages: Stages

    def turn_trimmer(self, number: int, by_a: float) -> None:
        """See `Unit.turn_trimmer`."""
        self.stages.turn_trimmer(number, by_a)

    def unplug(self, numbers: Collection[int]) -> None:
        """See `Unit.unplug`."""
        self.stages.unplug(numbers)

    def drive(self, level_v: float, load_ohm: float) -> None:
        """See `Unit.drive`."""
        self.stages.drive = Driven(level_v, load_ohm)

    def put_lid(self, *, on: bool) -> None:
        """See `Unit.put_lid`."""
        self.stages.put_lid(on=on)

    def dc_values(self) -> Mapping[Signal, Real]:
        """See `Unit.dc_values`."""
        return clips_of(self.stages, self.ops)

    def cold_ohm(self, clip: Signal) -> float:
        """See `Unit.cold_ohm`: the emitter resistors."""
        emitters = {clips.emitter: one.emitter_ohm for clips, one in zip(CLIPS, self.stages.channels, strict=False)}
        return float(emitters.get(clip, math.inf))


class Amplifier(Staged):
    """A class-AB amplifier; ``values`` as named by `parts_of`, already for the mains they are used on."""

    def __init__(
        self, values: Mapping[str, Real], ops: Ops, *, layout: Layout = "split", channels: int = 2, mains_v: float
    ) -> None:
        super().__init__(Front(values["supply_ohm"]), ops)
        self.nameplate = NAMEPLATES[layout]
        self.values = dict(values)
        self.outputs = outputs_of(values, layout)
        self.transformer = transformer_of(values, self.outputs)
        self.stages = stages_of(values, self.outputs, channels, mains_v)
        self.channels = channels

    def _step(self, source_v: Real, dt_s: float) -> Real:
        self.stages.step(self.ops)
        return self.transformer.step(self.front.ahead_ohm, source_v, dt_s, self.ops)

    def _rest(self, dt_s: float) -> None:
        self.stages.step(self.ops)
        self.transformer.rest(dt_s, self.ops)

    def _tick(self, span_s: float) -> None:
        self.stages.tick(span_s, self.ops)
