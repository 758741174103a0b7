"""What must be said where people reach for mains: the cautions, and the pre-power checks a person confirms.

Common practice, no source, unless stated. Local codes and a licensed person, where required, come first.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


@dataclass(frozen=True, slots=True)
class PrePowerCheck:
    """One thing a person looks at before anything may be armed."""

    key: str
    text: str


PRE_POWER_CHECKS: Final = (
    PrePowerCheck(
        "isolation",
        "The unit is fed through an isolation transformer and a fuse. Behind it an upstream RCD/GFCI no longer"
        " protects against touching both output conductors.",
    ),
    PrePowerCheck(
        "earths",
        "No more than one point of the unit is earthed, counting the grounds of earthed scopes, USB digitisers and the"
        " laptop. A switch-mode primary or a hot chassis gets no earthed ground clip at all.",
    ),
    PrePowerCheck("emergency-off", "An emergency-off and the plug are within reach without reaching across the unit."),
    PrePowerCheck("knob", "The variac, where a person turns one, stands at zero."),
    PrePowerCheck(
        "discharged",
        "Reservoirs were below 2 V, measured, when the last clip was moved; clips sit so that none can slip.",
    ),
    PrePowerCheck(
        "loads",
        "No speakers are connected; a valve amplifier has its dummy load, since it must not run without one; inputs are"
        " quiet.",
    ),
    PrePowerCheck(
        "clips",
        "Neither terminal of a bridged or floating output is clipped to earth: such an output has no ground side.",
    ),
    PrePowerCheck("eyes", "Eye protection is on, and one hand stays off the bench: parts burst at first power-up."),
    PrePowerCheck("second-person", "Someone knows that you are working, and how to switch this bench off."),
    PrePowerCheck(
        "selector", "The unit's voltage selector and fuse are right for these mains; its power switch is on."
    ),
    PrePowerCheck(
        "trimmers",
        "Where the idle has to be set: every bias trimmer stands at its least idle, proven cold with an ohmmeter, not"
        " by which way it points. A valve amplifier's negative bias was measured at each grid before any high tension.",
    ),
    PrePowerCheck(
        "cold-checks",
        "Output devices, rectifiers and emitter resistors were measured unpowered: none is shorted, and no channel"
        " reads otherwise than the rest.",
    ),
    PrePowerCheck(
        "earth-continuity",
        "Protective earth to touchable metal was measured, unplugged, and is as your local codes ask.",
    ),
    PrePowerCheck(
        "insulation",
        "Insulation of mains parts against touchable metal was measured, unplugged, and is as your local codes ask.",
    ),
)
"""In the order of the table of all that is watched; each key is one of its rows."""

NO_SAFETY_DEVICE: Final = (
    "rampguard is not a safety device. What must be there without it: isolation transformer, fuse, RCD/GFCI where it"
    " can work, an emergency-off within reach, local codes, and a licensed person where required."
)

NOT_PROVEN_OFF: Final = "NOT PROVEN OFF: EMERGENCY-OFF, THEN THE PLUG, DO NOT REACH ACROSS THE UNIT"
NOT_PROVEN_OFF_BANNER: Final = f"{'!' * 76}\n{NOT_PROVEN_OFF}\n{'!' * 76}"
"""The same between two lines, for a terminal."""

RESERVOIRS: Final = (
    "AC at zero says nothing about a charged reservoir. With the mains plug out, before any connector inside is undone"
    " or anything is touched: discharge, then measure; below 2 V before hands or clips go in."
)
