"""The ramp of a capture folder, as the estimates want it: a unit, what was seen of it, and its rails at the end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any, Final

from rampguard.archive.reader import Completeness, read_capture
from rampguard.archive.rows import Row
from rampguard.engine.expecting import Sights
from rampguard.estimates.along import CLASSES
from rampguard.estimates.estimate import RailRead
from rampguard.estimates.moments import NothingToTell
from rampguard.estimates.sought import Unit
from rampguard.guard.decision import DRIVEN, TOUCHED, Observation
from rampguard.guard.interlock import State
from rampguard.loads.following import Sight
from rampguard.quantities import Quantity

RAILS_OVER_S: Final = 3.0
"""Rails are the mean of so long, at the end."""


@dataclass(frozen=True, slots=True)
class Ramp:
    """``notes`` is what the user should know of the recording, a line each."""

    unit: Unit
    sights: tuple[Sight, ...]
    rails: tuple[RailRead, ...]
    notes: tuple[str, ...] = field(default=())


def ramp_of(folder: Path) -> Ramp:
    """Read a capture. Raises ArchiveError, and NothingToTell for one whose unit was none of these, or not healthy."""
    capture = read_capture(folder)
    unit = _unit(folder, capture.descriptor)
    rows = _live(list(capture.rows()))
    sights = Sights(capture.line_window_s)
    seen = [sights.of(Observation(r.time_s, r.readings, r.set_voltage_v, r.expected_event)) for r in rows]
    notes = []
    if capture.completeness is Completeness.TAMPERED:
        notes.append(f"{folder}: its seal does not hold ({'; '.join(capture.problems)})")
    if capture.completeness is Completeness.CUT_SHORT:
        notes.append(f"{folder}: was cut short; whether the unit passed is not known")
    return Ramp(unit, tuple(one.sight for one in seen if one is not None), _rails(rows), tuple(notes))


def _unit(folder: Path, found: dict[str, Any]) -> Unit:
    """Raises NothingToTell."""
    load_class = str(found.get("load_class"))
    if load_class not in CLASSES:
        raise NothingToTell(
            f"{folder}: its load class is {load_class}; only of {' and '.join(CLASSES)} can anything be estimated"
        )
    if found.get("series_lamp_w") is not None:
        raise NothingToTell(
            f"{folder}: was recorded behind a series lamp, where the unit's voltage is no sine; take a ramp without one"
        )
    if (found.get("result") or {}).get("trip"):
        raise NothingToTell(
            f"{folder}: this run tripped, and estimates are of a healthy unit; `rampguard replay` tells what it saw"
        )
    try:
        return Unit(load_class, float(found["nameplate_v"]), float(found["nameplate_w"]))
    except (KeyError, TypeError, ValueError):
        raise NothingToTell(f"{folder}: does not say the unit's nameplate voltage and power") from None


def _live(rows: Sequence[Row]) -> list[Row]:
    """While it was live, until somebody touched what sets its idle, or drove it."""
    live = [row for row in rows if row.state == State.LIVE]
    touched = next((n for n, row in enumerate(live) if row.expected_event in (TOUCHED, DRIVEN)), len(live))
    return live[:touched]


def _rails(rows: Sequence[Row]) -> tuple[RailRead, ...]:
    """Each metered rail at the end."""
    if not rows:
        return ()
    read: dict[str, list[tuple[float, float]]] = {}
    for row in rows:
        if row.time_s >= rows[-1].time_s - RAILS_OVER_S:
            for reading in row.readings:
                if reading.signal.quantity is Quantity.RAIL and reading.value:
                    read.setdefault(reading.signal.channel, []).append((abs(reading.value), reading.bound))
    means = (tuple(sum(part) / len(part) for part in zip(*some, strict=True)) for some in read.values())
    return tuple(RailRead(volts, bound_v) for volts, bound_v in means)
