"""A fresh cold sheet: the usual points of a class-AB channel, nothing measured yet."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Final

_HEAD: Final = """\
# A cold sheet: measured with the unit UNPLUGGED and its reservoirs discharged, below 2 V, measured.
# A reading is a plain number, or "open" where the meter says over range. What is not there was not measured.
# Fill it in by hand, or: rampguard cold THIS-FILE --ask
format = 1
model = "what the nameplate says"
load_class = "linear-amplifier"
channels = [{channels}]

[meter]                          # as its manual has it, +/-
percent_of_reading = 1.0
absolute_ohm = 0.2               # on its lowest range of ohms
absolute_v = 0.003               # in its diode test
wires = 2                        # 4: the leads are not in the reading
# leads_ohm = 0.15               # two wires: what they read, held together
"""
_MAINS: Final = """\
# The mains side. Local codes come first: limits here are from memory of product standards. What may stand here:
# mains_v, nameplate_w, nameplate_v, selector_v (where there is one), protective_earth = false (double insulated),
# earth_continuity_ohm (earth pin to touchable metal), earth_leads_ohm (of that, leads and cord), earth_limit_ohm,
# insulation_mohm (both mains pins together to touchable metal, switch on; or "over-range"), insulation_test_v,
# insulation_limit_mohm, fuse_a, fuse_type (what is in it), fuse_marked_a, fuse_marked_type (beside its holder),
# winding_ohm (primary, at the plug, switch on: narrows the band), winding_leads_ohm, winding_degc.
[mains]
"""
_DEVICES: Final = (
    ("base-emitter", "transistor-junction", "base to emitter"),
    ("base-collector", "transistor-junction", "base to collector"),
    ("collector-emitter", "collector-emitter", "collector to emitter"),
)
_POINTS: Final = (
    *(
        (f"{side}-{key}", part, f"{side} output device, {leads}")
        for side in ("plus", "minus")
        for key, part, leads in _DEVICES
    ),
    ("plus-emitter-resistor", "emitter-resistor", "emitter resistor of the plus output device"),
    ("minus-emitter-resistor", "emitter-resistor", "emitter resistor of the minus output device"),
    ("plus-rail-to-output", "rail-to-output", "plus rail to output, ahead of the speaker relay"),
    ("minus-rail-to-output", "rail-to-output", "minus rail to output, ahead of the speaker relay"),
    ("output-to-ground", "output-to-ground", "output ahead of the speaker relay to ground"),
)
_OF_THE_UNIT: Final = (
    ("plus-rail-to-ground", "rail-to-ground", "plus rail to ground, once it no longer climbs"),
    ("minus-rail-to-ground", "rail-to-ground", "minus rail to ground, once it no longer climbs"),
)
EMITTER_OHM: Final = 0.22


def fresh_sheet(channels: Sequence[str]) -> str:
    """The file's text."""
    blocks = [_HEAD.format(channels=", ".join(f'"{name}"' for name in channels)), _MAINS]
    blocks += [_point(name, part, where) for name, part, where in _POINTS]
    blocks += [_point(name, part, where, of="unit") for name, part, where in _OF_THE_UNIT]
    blocks += [f"[readings.{name}]\n" for name in (*channels, "unit")]
    return "\n".join(blocks)


def _point(name: str, part: str, where: str, of: str = "channel") -> str:
    lines = [f"[points.{name}]", f'part = "{part}"', f'where = "{where}"']
    lines += (
        [f"nominal_ohm = {EMITTER_OHM}              # correct it: see the part"] if part == "emitter-resistor" else []
    )
    lines += ['of = "unit"'] if of == "unit" else []
    return "\n".join([*lines, ""])
