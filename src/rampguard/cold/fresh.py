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
# The mains side. Local codes come first: limits here are from memory of product standards.
# [mains]
# mains_v = 230.0
# selector_v = 230.0             # as it stands; leave it out where there is none
# nameplate_w = 300.0
# protective_earth = true        # false: double insulated
# earth_continuity_ohm = 0.0     # earth pin to touchable metal
# earth_leads_ohm = 0.0          # of that, leads and cord
# insulation_mohm = 0.0          # both mains pins together to touchable metal, switch on; or "over-range"
# insulation_test_v = 500.0
# fuse_a = 3.15                  # of the fuse that is in it
# fuse_type = "T"
# fuse_marked_a = 3.15           # beside its holder
# fuse_marked_type = "T"
# winding_ohm = 0.0              # at the plug, switch on: narrows the band
# winding_leads_ohm = 0.0
# winding_degc = 20.0            # of the copper
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
    ("plus-emitter-resistor", "emitter-resistor", "across it"),
    ("minus-emitter-resistor", "emitter-resistor", "across it"),
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
    blocks = [_HEAD.format(channels=", ".join(f'"{name}"' for name in channels))]
    blocks += [_point(name, part, where) for name, part, where in _POINTS]
    blocks += [_point(name, part, where, of="unit") for name, part, where in _OF_THE_UNIT]
    blocks += [f"[readings.{name}]\n" for name in (*channels, "unit")]
    return "\n".join([*blocks, _MAINS])


def _point(name: str, part: str, where: str, of: str = "channel") -> str:
    lines = [f"[points.{name}]", f'part = "{part}"', f'where = "{where}"']
    lines += (
        [f"nominal_ohm = {EMITTER_OHM}              # correct it: see the part"] if part == "emitter-resistor" else []
    )
    lines += ['of = "unit"'] if of == "unit" else []
    return "\n".join([*lines, ""])
