"""Learns a model from captures of good units of it."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from pathlib import Path

from rampguard.archive.errors import CaptureError
from rampguard.archive.reader import read_descriptor
from rampguard.engine.known_good import good_units
from rampguard.learnt.model import Learnt
from rampguard.learnt.whose import Named
from rampguard.loads.basis import Basis
from rampguard.loads.classes import UnknownLoadClass, load_class


def learn(captures: Sequence[str | Path], model: str = "", done: Callable[[str], None] = lambda said: None) -> Learnt:
    """What captures of good units say of their model; class, nameplate and mains are those of the first.

    Each is a folder, or ``UNIT=FOLDER`` where nothing else tells the units apart. A few seconds a capture; ``done``
    hears of each. Raises ArchiveError with every capture that cannot stand for a good unit of that model, a line each.
    """
    if not captures:
        raise CaptureError("nothing to learn from: name captures of good units")
    first = Named.of(captures[0]).folder
    found = read_descriptor(first)
    try:
        basis = Basis(
            load_class=load_class(str(found["load_class"])).name,
            nameplate_v=float(found["nameplate_v"]),
            nameplate_w=float(found["nameplate_w"]),
            series_lamp_w=None if found.get("series_lamp_w") is None else float(found["series_lamp_w"]),
        )
        mains_v, frequency_hz = float(found["mains_v"]), float(found["mains_frequency_hz"])
    except (KeyError, TypeError, ValueError, UnknownLoadClass) as error:
        raise CaptureError(f"{first}: its class, nameplate or mains cannot be read ({error})") from None
    return Learnt(
        model=model or str(found.get("unit") or basis.load_class),
        load_class=basis.load_class,
        nameplate_w=basis.nameplate_w,
        nameplate_v=basis.nameplate_v,
        mains_v=mains_v,
        mains_frequency_hz=frequency_hz,
        series_lamp_w=basis.series_lamp_w,
        units=good_units(captures, basis, done),
    )
