"""The load classes: what kind of unit it is, in the plain numbers that layer 1 and the default plan need.

The ratios are against the nameplate and bound a *healthy* unit during a slow power-up, without signal. All are
common practice, no source; they are deliberately coarse, since the expected band does the fine work.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Final


class UnknownLoadClass(ValueError):  # noqa: N818 - a state of the input, read as one
    """No such load class, or one that must not be powered up this way."""


@dataclass(frozen=True, slots=True, kw_only=True)
class LoadClass:
    """One kind of unit."""

    name: str
    title: str
    current_ratio: float
    """Ceiling on line current during power-up, as a part of nameplate current."""
    power_ratio: float
    """Ceiling on real power during power-up, as a part of nameplate power."""
    no_current_from_fraction: float
    """Part of line voltage from which a healthy unit, switched on, must draw something."""
    current_seen_by_fraction: float
    """Part of line voltage by which that something must have been told from the meter's zero."""
    event_current_ratio: float | None = None
    """Ceiling on line current while an expected event (the main relay closing) explains it."""
    event_power_ratio: float | None = None
    """The same of real power."""
    event_lasting_current_ratio: float | None = None
    """Current that an inrush passes for one reading, and no longer: a core's wears off, reservoirs fill."""
    event_lasting_power_ratio: float | None = None
    """The same of real power."""
    starts_at_once: bool = False
    """Whether a healthy unit goes from nothing to its whole draw in one reading, so that no rise tells anything."""
    power_seen_by_fraction: float | None = None
    """Part of line voltage by which some real power must have been told from zero; None: current tells enough."""
    press_power_at_fraction: float | None = None
    """Part of line voltage at which the power button is pressed; None where the mains switch is simply on."""
    evidence_gross_nats: float | None = None
    """Allowance, for each independent reading, taken off the evidence for a short; None: the guard's own."""
    evidence_subtle_nats: float | None = None
    """The same, for faults that may be small."""
    has_channels: bool = False
    """Whether there are amplifier channels to watch (emitter-resistor voltage, DC offset)."""


_CLASSES: Final = (
    LoadClass(
        name="linear-amplifier",
        title="amplifier with a linear supply",
        current_ratio=0.6,
        power_ratio=0.5,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.4,
        has_channels=True,
    ),
    LoadClass(
        name="receiver",
        title="receiver: standby supply, main relay that closes when power is pressed",
        current_ratio=0.6,
        power_ratio=0.5,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.6,
        press_power_at_fraction=0.7,
        event_current_ratio=8.0,
        event_power_ratio=6.0,
        event_lasting_current_ratio=2.5,
        event_lasting_power_ratio=2.0,
        has_channels=True,
    ),
    LoadClass(
        name="valve-amplifier",
        title="valve amplifier",
        current_ratio=1.2,
        power_ratio=1.1,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.2,
        # How emission comes to its end is like no sample: readings of a whole one said up to 1.1 nats for a runaway.
        evidence_subtle_nats=1.5,
    ),
    LoadClass(
        name="switch-mode",
        title="unit with a switch-mode supply",
        current_ratio=2.5,
        power_ratio=1.2,
        no_current_from_fraction=0.7,
        current_seen_by_fraction=0.9,
        power_seen_by_fraction=0.9,
        starts_at_once=True,
        # Without a lockout a healthy one wakes like no sample of its class: its shorts are the band's to trip for.
        evidence_gross_nats=1000.0,
    ),
    LoadClass(
        name="transformer",
        title="transformer alone",
        current_ratio=0.75,
        power_ratio=0.2,
        evidence_subtle_nats=1.0,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.6,
    ),
    LoadClass(
        name="heater",
        title="heater",
        current_ratio=1.4,
        power_ratio=1.4,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.1,
    ),
    LoadClass(
        name="filament-lamp",
        title="filament lamp",
        current_ratio=2.0,
        power_ratio=1.3,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.1,
    ),
    LoadClass(
        name="motor",
        title="motor",
        current_ratio=4.0,
        power_ratio=2.0,
        no_current_from_fraction=0.1,
        current_seen_by_fraction=0.2,
    ),
)

LOAD_CLASSES: Final = {load_class.name: load_class for load_class in _CLASSES}
"""All load classes by name."""

PHASE_CONTROLLED = "phase-controlled"
"""Not a load class: a phase-controlled primary does not belong on a variac, and is refused by name."""


def load_class(name: str) -> LoadClass:
    """The load class of that name. Raises UnknownLoadClass, saying which there are."""
    if name == PHASE_CONTROLLED:
        raise UnknownLoadClass(
            "a phase-controlled primary (triac dimmer, controlled rectifier) does not belong on a variac: its firing"
            " depends on full line voltage. Bring it up by its maker's service instructions instead"
        )
    try:
        return LOAD_CLASSES[name]
    except KeyError:
        raise UnknownLoadClass(f"no load class {name!r}; choose from: {', '.join(LOAD_CLASSES)}") from None
