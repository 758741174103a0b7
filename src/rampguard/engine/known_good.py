"""A capture of a unit known to be good, as a basis for the next band of the same model."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path
from typing import Final

from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import Capture, read_capture
from rampguard.engine.expecting import Sights
from rampguard.guard.decision import DRIVEN, TOUCHED, Observation
from rampguard.loads.basis import Basis, narrowed_by_known_good
from rampguard.loads.following import Sight

LEAST_READINGS: Final = 50
"""Fewer readings narrow nothing that could be relied on."""


class KnownGoodRefused(ArchiveError):  # noqa: N818 - what happened
    """A capture that cannot stand for a good unit: of another kind, tripped, unfinished, or too short."""


def check_passed(capture: Path, load_class: str, nameplate_w: float) -> Capture:
    """A capture of such a unit that passed, its seal whole. Raises ArchiveError."""
    read = read_capture(capture)
    found = read.descriptor
    if read.problems or found.get("outcome") != "passed":
        raise KnownGoodRefused(
            f"{capture}: only a capture that passed, its seal whole, stands for a good unit; this one's outcome is"
            f" {found.get('outcome')!r}{', and its seal does not hold' if read.problems else ''}"
        )
    for name, wanted in (("load_class", load_class), ("nameplate_w", nameplate_w)):
        if found.get(name) != wanted:
            raise KnownGoodRefused(f"{capture}: its {name} is {found.get(name)}, this unit's is {wanted}")
    if found.get("direct_after") is not None:
        raise KnownGoodRefused(f"{capture}: is of a switch-on at full mains; name a ramp's")
    if found.get("unplugged"):
        raise KnownGoodRefused(f"{capture}: {', '.join(found['unplugged'])} was unplugged; name a whole unit's")
    return read


def known_good_spans(capture: Path, basis: Basis) -> dict[str, tuple[float, float]]:
    """What a known-good capture leaves of the basis's ranges. Raises ArchiveError."""
    read = check_passed(capture, basis.load_class, basis.nameplate_w)
    found = read.descriptor
    if found.get("series_lamp_w") != basis.series_lamp_w:
        raise KnownGoodRefused(f"{capture}: was not taken with the same series lamp ({found.get('series_lamp_w')} W)")
    # A capture made on other mains speaks of the same model wound for them.
    scale = basis.nameplate_v / float(found["nameplate_v"])
    seen, sights = Sights(), list[Sight]()
    for row in read.rows():
        if row.expected_event in (TOUCHED, DRIVEN):
            raise KnownGoodRefused(f"{capture}: its idle was set, or it was driven; name a plain ramp's")
        if row.state == "live":
            found_now = seen.of(Observation(row.time_s, row.readings, row.set_voltage_v, row.expected_event))
            if found_now is not None:
                sights.append(_scaled(found_now.sight, scale))
    if len(sights) < LEAST_READINGS:
        raise KnownGoodRefused(f"{capture}: only {len(sights)} live readings; at least {LEAST_READINGS} tell something")
    return narrowed_by_known_good(basis, sights)


def _scaled(sight: Sight, scale: float) -> Sight:
    volts, amperes = sight.line_voltage_v, sight.line_current_a
    return replace(
        sight,
        line_voltage_v=None if volts is None else volts * scale,
        line_current_a=None if amperes is None else amperes / scale,
        voltage_bound_v=sight.voltage_bound_v * scale,
        current_bound_a=sight.current_bound_a / scale,
    )
