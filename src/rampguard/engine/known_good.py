"""Captures of units known to be good, as a basis for the next band of the same model."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import replace
from pathlib import Path
from typing import Final

from rampguard.archive.errors import ArchiveError
from rampguard.archive.reader import Capture, Completeness, read_capture
from rampguard.archive.seal import SEAL_NAME, digest
from rampguard.engine.expecting import Sights
from rampguard.guard.decision import DRIVEN, TOUCHED, Observation
from rampguard.learnt.model import LearntCapture, LearntUnit
from rampguard.learnt.whose import UNFIT_ROLES, Named, Whose, whose
from rampguard.loads.basis import Basis, Shown, Span, shown_by
from rampguard.loads.following import Sight
from rampguard.loads.learnt import learnt_spans, of_one_unit

LEAST_READINGS: Final = 50
"""Fewer readings narrow nothing that could be relied on."""


class KnownGoodRefused(ArchiveError):  # noqa: N818 - what happened
    """A capture that cannot stand for a good unit: of another kind, tripped, unfinished, or too short."""


def check_passed(capture: Path, load_class: str, nameplate_w: float) -> Capture:
    """A capture of such a unit that passed, its seal whole. Raises ArchiveError."""
    read = read_capture(capture)
    found = read.descriptor
    if read.completeness is not Completeness.FINISHED or found.get("outcome") != "passed":
        raise KnownGoodRefused(
            f"{capture}: only a capture that passed, its seal whole, stands for a good unit; this one's outcome is"
            f" {found.get('outcome')!r}{_seal_said(read)}"
        )
    for name, wanted in (("load_class", load_class), ("nameplate_w", nameplate_w)):
        if found.get(name) != wanted:
            raise KnownGoodRefused(f"{capture}: its {name} is {found.get(name)}, this unit's is {wanted}")
    if found.get("direct_after") is not None:
        raise KnownGoodRefused(f"{capture}: is of a switch-on at full mains; name a ramp's")
    if found.get("unplugged"):
        raise KnownGoodRefused(f"{capture}: {', '.join(found['unplugged'])} was unplugged; name a whole unit's")
    return read


def _seal_said(read: Capture) -> str:
    if read.completeness is Completeness.TAMPERED:
        return ", and its seal does not hold"
    return ", and it is not sealed" if read.completeness is Completeness.CUT_SHORT else ""


def known_good_spans(captures: Path | Sequence[str], basis: Basis) -> dict[str, Span]:
    """What known-good captures leave of the basis's ranges: one, or several of one unit or more. Raises ArchiveError.

    Each is given as a folder, or as ``UNIT=FOLDER`` where nothing else tells the units apart.
    """
    given = [str(captures)] if isinstance(captures, Path) else captures
    return learnt_spans(basis.ranges(), [unit.shown for unit in good_units(given, basis)])


def good_units(
    captures: Sequence[str | Path], basis: Basis, done: Callable[[str], None] = lambda said: None
) -> tuple[LearntUnit, ...]:
    """The units that captures are of, and what each unit's showed. Raises ArchiveError, a line for each that is none.

    ``done`` hears of each capture when it has been gone through.
    """
    read = _all_good(captures, basis)
    by_unit: dict[str, list[tuple[Whose, LearntCapture, dict[str, Shown]]]] = {}
    for number, (own, kept, sights) in enumerate(read, 1):
        by_unit.setdefault(own.key, []).append((own, kept, shown_by(basis, sights)))
        done(f"{number} of {len(read)}: {kept.folder}")
    return tuple(
        LearntUnit(some[0][0].name, tuple(kept for _, kept, _ in some), of_one_unit([shown for _, _, shown in some]))
        for some in by_unit.values()
    )


def _all_good(captures: Sequence[str | Path], basis: Basis) -> list[tuple[Whose, LearntCapture, list[Sight]]]:
    """Every capture's unit, seal and readings; those that cannot stand for a good unit are told of together."""
    found, problems = [], []
    for named in map(Named.of, captures):
        try:
            found.append(_good(named, basis))
        except ArchiveError as error:
            problems.append(str(error))
    seals = [kept.seal for _, kept, _ in found]
    problems += [
        f"{kept.folder}: the same capture twice; name each once"
        for place, (_, kept, _) in enumerate(found)
        if kept.seal in seals[:place]
    ]
    if problems:
        raise KnownGoodRefused("\n".join(problems))
    return found


def _good(named: Named, basis: Basis) -> tuple[Whose, LearntCapture, list[Sight]]:
    read = check_passed(named.folder, basis.load_class, basis.nameplate_w)
    own = whose(named, read.descriptor)
    if own.role in UNFIT_ROLES:
        raise KnownGoodRefused(f"{named.folder}: its job says {own.role!r} of it; name one of a unit known to be good")
    sealed = LearntCapture(named.folder.resolve().name, digest(named.folder / SEAL_NAME))
    return own, sealed, _sights(read, basis)


def _sights(read: Capture, basis: Basis) -> list[Sight]:
    """All live readings, at the nameplate voltage of the basis."""
    capture, found = read.folder, read.descriptor
    if found.get("series_lamp_w") != basis.series_lamp_w:
        raise KnownGoodRefused(f"{capture}: was not taken with the same series lamp ({found.get('series_lamp_w')} W)")
    # A capture made on other mains speaks of the same model wound for them.
    scale = basis.nameplate_v / float(found["nameplate_v"])
    seen, sights = Sights(read.line_window_s), list[Sight]()
    for row in read.rows():
        if row.expected_event in (TOUCHED, DRIVEN):
            raise KnownGoodRefused(f"{capture}: its idle was set, or it was driven; name a plain ramp's")
        if row.state == "live":
            found_now = seen.of(Observation(row.time_s, row.readings, row.set_voltage_v, row.expected_event))
            if found_now is not None:
                sights.append(_scaled(found_now.sight, scale))
    if len(sights) < LEAST_READINGS:
        raise KnownGoodRefused(f"{capture}: only {len(sights)} live readings; at least {LEAST_READINGS} tell something")
    return sights


def _scaled(sight: Sight, scale: float) -> Sight:
    volts, amperes = sight.line_voltage_v, sight.line_current_a
    return replace(
        sight,
        line_voltage_v=None if volts is None else volts * scale,
        line_current_a=None if amperes is None else amperes / scale,
        voltage_bound_v=sight.voltage_bound_v * scale,
        current_bound_a=sight.current_bound_a / scale,
    )
