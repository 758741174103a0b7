"""Linear supplies: core, rectifier, reservoir, and stages whose idle current comes on with the rails.

One part each for linear amplifiers, receivers and valve amplifiers, in terms of the nameplate (see `model`).
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import ClassVar, Final

import numpy as np
from numpy.typing import NDArray

from rampguard.loads.model import Drawn, State, Volts
from rampguard.loads.ranges import COMMON, Range
from rampguard.loads.rectifier import ROOT2, Floats, settle
from rampguard.loads.trouble import Trouble
from rampguard.loads.winding import core_loss, magnetising, raised

CORE: Final = {
    "magnetising": Range(
        0.003, 0.35, f"toroids a hundredth, small frames a third of nameplate current; {COMMON}", log=True
    ),
    "knee": Range(0.0005, 0.25, f"what is past the knee at full line; {COMMON}", log=True),
    "exponent": Range(5.0, 11.0, f"how steep; {COMMON}"),
    "core_loss": Range(0.002, 0.09, f"of nameplate power; {COMMON}", log=True),
}
"""The core's parameters."""

SUPPLY: Final = CORE | {
    "magnetising": Range(0.003, 0.18, f"of a transformer with room for a whole amplifier's load; {COMMON}", log=True),
    "knee": Range(0.0005, 0.10, f"what is past the knee at full line; {COMMON}", log=True),
    "core_loss": Range(0.002, 0.05, f"of nameplate power; {COMMON}", log=True),
    "source_ohm": Range(
        0.03, 0.28, "regulation of 3 to 25 % (makers' tables, from memory), referred to nameplate power", log=True
    ),
    "drop": Range(0.006, 0.045, f"diodes' drop, of the secondary's peak: rails of 100 V to 15 V; {COMMON}", log=True),
    "farad": Range(0.015, 0.40, f"reservoirs, seconds of nameplate current at nameplate voltage; {COMMON}", log=True),
}
"""A capacitor-input supply's."""

STAGES: Final = {
    "idle": Range(0.025, 0.20, f"power taken from the rails at idle, of nameplate power, class AB; {COMMON}", log=True),
    "biased": Range(0.25, 0.9, f"part of it that is output stages' idle current; {COMMON}"),
    "resistive": Range(0.0, 0.15, f"part of it that goes with the rails: bleeders, lamps; {COMMON}"),
    "dark": Range(0.05, 0.20, f"part of the rails below which the output stages stay dark; {COMMON}"),
    "span": Range(0.12, 0.50, f"part of the rails over which their idle then comes on; {COMMON}"),
    "small_full": Range(0.15, 0.65, f"part of the rails from which small stages draw their whole current; {COMMON}"),
    "drift": Range(-0.1, 0.35, f"what idle grows by as it warms; {COMMON}"),
    "drift_s": Range(15.0, 900.0, f"time constant of that; {COMMON}", log=True),
}
"""The stages'."""

SOFT_SHARE: Final = 0.3
SWITCHED_SHARE: Final = 0.3
SILICON_SHARE: Final = 0.5
SOFT_START: Final = {
    "soft_share": Range(0.0, 1.0, "three units in ten have a soft start that a slow ramp can see", either=SOFT_SHARE),
    "soft_ohm": Range(0.02, 0.30, "10 to 47 ohm or an NTC, referred to nameplate power; common practice", log=True),
}
"""A soft start's."""
EMITS_FROM: Final = 0.2
"""Warmth of the heaters from which a cathode may emit; common practice, no source."""
BYPASS_FROM: Final = 0.55
BYPASS_TO: Final = 0.92
"""Line voltages between which its relay pulls in: 60 to 80 % of line, common practice, late by a second of ramp..."""
LETS_GO_FROM: Final = 0.2
"""...and from which, pulled in, it may still hold."""


class Rectified:
    """Core, rectifier and reservoir; whoever owns it says what is taken from the reservoir."""

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self.p = values
        self.full = ROOT2 * (1.0 - values["drop"])
        """About what the reservoir comes to at full line."""
        self.trouble = Trouble(values, self.full)

    def rest(self) -> State:
        """Empty. ``held`` is the reservoir's voltage, of nameplate voltage (rms)."""
        return {"held": np.zeros_like(self.full), **self.trouble.rest()}

    def step(
        self,
        state: State,
        v: Volts,
        seconds: float,
        take: Floats,
        take_per_v: Floats,
        extra_ohm: Floats | float = 0.0,
    ) -> tuple[Floats, Drawn]:
        """What is held then, and what it draws; the load takes ``take`` and ``take_per_v`` for each part of voltage."""
        p, held = self.p, state["held"]
        ohm = p["source_ohm"] + extra_ohm
        drop = ROOT2 * p["drop"]
        peak = ROOT2 * v - drop
        if self.trouble.present:
            extra = self.trouble.on_rails(state, held, peak)
            take, take_per_v = take + extra.take, take_per_v + extra.per_v
        held, mean, square = settle(peak, held, ohm, p["farad"] / seconds, take, take_per_v)
        rectified = Drawn(np.sqrt(square), (held + drop) * mean + ohm * square)
        reactive = magnetising(v, p["magnetising"], p["knee"], p["exponent"])
        lost = core_loss(v, p["core_loss"])
        if self.trouble.present:
            rectified = self.trouble.beside(rectified, state, v, ohm, drop)
            lost = lost + self.trouble.turns(state, v)
        return held, rectified.beside(v, lost, reactive)


class Stages:
    """What an amplifier's stages take from the rails."""

    def __init__(self, values: Mapping[str, Floats], full: Floats, trouble: Trouble) -> None:
        p = values
        self.p = p
        self._trouble = trouble
        self._full = full
        whole = p["idle"] / full
        self._bias = whole * p["biased"] * (1.0 - p["resistive"])
        self._small = whole * (1.0 - p["biased"]) * (1.0 - p["resistive"])
        self.per_v = whole * p["resistive"] / full

    def rest(self) -> State:
        """Cold. ``warmth`` is what devices and heat sinks have of their warmth at idle."""
        return {"warmth": np.zeros_like(self._full)}

    def take(self, state: State, seconds: float) -> tuple[State, Floats]:
        """The state then, and current taken at what the rails hold, besides what goes with it."""
        p, x = self.p, state["held"] / self._full
        on = np.minimum(np.maximum((x - p["dark"]) / p["span"], 0.0), 1.0)
        # Devices and heat sinks warm with the power they turn to heat, and idle follows.
        warmth = state["warmth"] + (1.0 - np.exp(-seconds / p["drift_s"])) * (on * x - state["warmth"])
        grown = 1.0 + p["drift"] * warmth
        after = {**state, "warmth": warmth}
        if self._trouble.present:
            hot, more = self._trouble.running_away(state, on * x, seconds)
            after, grown = {**after, **hot}, grown + more
        return after, self._bias * on * grown + self._small * np.minimum(x / p["small_full"], 1.0)


class LinearAmplifier:
    """A linear-supply amplifier."""

    ranges: ClassVar[Mapping[str, Range]] = SUPPLY | STAGES | SOFT_START

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._supply = Rectified(values)
        self._stages = Stages(values, self._supply.full, self._supply.trouble)
        self._soft = values["soft_share"] < SOFT_SHARE
        self._soft_ohm = np.where(self._soft, values["soft_ohm"], 0.0)

    def rest(self) -> State:
        """See `Model.rest`. ``bypassed`` is 1 once the soft start's relay has pulled in."""
        return {**self._supply.rest(), **self._stages.rest(), "bypassed": np.zeros_like(self._soft_ohm)}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        after, take = self._stages.take(state, seconds)
        soft = self._soft_ohm * (1.0 - state["bypassed"])
        held, drawn = self._supply.step(state, v, seconds, take, self._stages.per_v, soft)
        return {**after, "held": held}, drawn

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`: the soft start's relay pulls in, or, far below, lets go; a fault comes."""
        if BYPASS_FROM <= v <= BYPASS_TO:
            mask = self._soft & (state["bypassed"] < 0.5)
        elif LETS_GO_FROM <= v < BYPASS_FROM:
            mask = self._soft & (state["bypassed"] > 0.5)
        else:
            mask = np.zeros_like(self._soft)
        turned = (mask, {**state, "bypassed": 1.0 - state["bypassed"]}) if mask.any() else None
        return self._supply.trouble.or_comes(state, turned)


class Receiver:
    """A receiver: a standby supply, and a linear supply behind a main relay that closes when power is pressed."""

    ranges: ClassVar[Mapping[str, Range]] = {
        **LinearAmplifier.ranges,
        "standby": Range(0.001, 0.03, f"standby power at full line, of nameplate power; {COMMON}", log=True),
        "standby_current": Range(
            0.003, 0.06, f"standby current at full line, of nameplate current; {COMMON}", log=True
        ),
        "standby_exponent": Range(0.9, 2.0, f"how standby power goes with the line; {COMMON}"),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._main = LinearAmplifier(values)

    def rest(self) -> State:
        """See `Model.rest`. ``pressed`` is 1 once power was pressed."""
        main = self._main.rest()
        return {**main, "pressed": np.zeros_like(main["held"])}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p, safe_v = self._p, np.maximum(v, 1e-9)
        power = p["standby"] * raised(v, p["standby_exponent"])
        current = np.maximum(p["standby_current"] * v, power / safe_v)
        pressed = np.ones_like(power) if event else state["pressed"]
        if not pressed.any():
            return state, Drawn(current, power)
        reactive = np.sqrt(np.maximum(current**2 - (power / safe_v) ** 2, 0.0))
        main, drawn = self._main.step(state, v, seconds, event=event)
        return {**main, "pressed": pressed}, drawn.beside(v, power, reactive)

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`: the soft start's relay, once on."""
        return self._main.turned(state, v) if state["pressed"].any() else None


class ValveAmplifier:
    """A valve amplifier: heaters, and high tension that comes when rectifier and valves are warm."""

    ranges: ClassVar[Mapping[str, Range]] = SUPPLY | {
        "source_ohm": Range(0.04, 0.9, f"windings, rectifier valve, choke; {COMMON}", log=True),
        "farad": Range(0.003, 0.3, f"reservoirs; {COMMON}", log=True),
        "heaters": Range(0.15, 0.45, f"heater power, of nameplate power; {COMMON}", log=True),
        "cold": Range(0.12, 0.30, "cold heater resistance, of the hot: tungsten at 1000 K is 4.4 times that at 300 K"),
        "heater_s": Range(1.0, 14.0, f"time in which heaters warm; {COMMON}", log=True),
        "emits": Range(0.45, 0.9, f"warmth from which cathodes emit; {COMMON}"),
        "emits_over": Range(0.05, 0.25, f"warmth over which they come to emit fully; {COMMON}"),
        "anodes": Range(0.12, 0.50, f"power taken from the high tension, of nameplate power; {COMMON}", log=True),
        "bleeder": Range(0.001, 0.10, f"of it before the valves conduct; {COMMON}", log=True),
        "silicon": Range(
            0.0,
            1.0,
            "half have silicon rectifiers, or directly heated ones that are warm at once",
            either=SILICON_SHARE,
        ),
        "switched": Range(
            0.0, 1.0, "three in ten have a standby switch that holds the anodes' current back", either=SWITCHED_SHARE
        ),
    }

    def __init__(self, values: Mapping[str, Floats]) -> None:
        self._p = values
        self._supply = Rectified(values)

    def rest(self) -> State:
        """See `Model.rest`. ``warmth`` is the heaters', 1 at rated power; the cathodes' emission is ``ahead`` of it.

        ``operates`` is 1 once the standby switch lets the anodes draw.
        """
        operates = np.where(self._p["switched"] < SWITCHED_SHARE, 0.0, 1.0)
        nothing = np.zeros_like(operates)
        return {**self._supply.rest(), "warmth": nothing, "ahead": nothing, "operates": operates}

    def step(self, state: State, v: Volts, seconds: float, *, event: bool) -> tuple[State, Drawn]:
        """See `Model.step`."""
        p, supply = self._p, self._supply
        warmth, heaters = self._heat(state["warmth"], v, seconds)
        emission = self._emission(warmth, state["ahead"])
        rectifies = np.where(p["silicon"] < SILICON_SHARE, 1.0, np.maximum(emission, 1e-3))
        x = state["held"] / supply.full
        operates = np.ones_like(warmth) if event else state["operates"]
        take = p["anodes"] / supply.full * x * np.sqrt(x) * emission * operates
        bled = p["bleeder"] * p["anodes"] / supply.full**2
        after: State = {**state, "warmth": warmth, "operates": operates}
        if supply.trouble.present:
            hot, more = supply.trouble.running_away(state, x * x * np.sqrt(x) * emission, seconds)
            after, take = {**after, **hot}, take * (1.0 + more)
        held, drawn = supply.step(state, v, seconds, take, bled, p["source_ohm"] * (1.0 / rectifies - 1.0))
        return {**after, "held": held}, drawn.beside(v, heaters)

    def _emission(self, warmth: Floats, ahead: Floats) -> Floats:
        return np.minimum(np.maximum((warmth - self._p["emits"]) / self._p["emits_over"] + ahead, 0.0), 1.0)

    def turned(self, state: State, v: float) -> tuple[NDArray[np.bool_], State] | None:
        """See `Model.turned`: cathodes come to emit, by half of what they can, too early; a fault comes."""
        emission = self._emission(state["warmth"], state["ahead"])
        mask = (state["warmth"] > EMITS_FROM) & (emission < 1.0)
        lacking = np.clip((self._p["emits"] - state["warmth"]) / self._p["emits_over"] - state["ahead"], 0.0, None)
        turned = (mask, {**state, "ahead": state["ahead"] + lacking + 0.5}) if mask.any() else None
        return self._supply.trouble.or_comes(state, turned)

    def _heat(self, warmth: Floats, v: Volts, seconds: float) -> tuple[Floats, Floats]:
        """Warmth then, and heater power; loss is part radiation, part conduction, of temperature over the room's."""
        p = self._p
        pieces = 3
        heat = np.zeros_like(warmth)
        for _ in range(pieces):
            heat = v * v / (p["cold"] + (1.0 - p["cold"]) * warmth)
            absolute = 0.27 + 0.73 * warmth
            cubed = absolute * absolute * absolute
            lost = (0.85 / 0.9947) * (cubed * absolute - 0.0053) + 0.15 * warmth
            slope = (0.85 * 4.0 * 0.73) * cubed + 0.15 + heat
            step = seconds / pieces
            warmth = np.maximum(warmth + step * (heat - lost) / (p["heater_s"] + step * slope), 0.0)
        return warmth, np.asarray(p["heaters"] * heat)
