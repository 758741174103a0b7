"""What a good part reads on an ohmmeter, or on a meter's diode test, in the circuit and without power.

A diode test drives some 1 mA through the part and shows volts; a meter that can drive no more shows *open*. What lies
in parallel can only lower a reading. All figures are for a part at room temperature; each has its source beside it.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, replace
from enum import StrEnum
from typing import Final

OPEN: Final = math.inf
"""What stands for a reading that the meter calls open, or over range."""
PRACTICE: Final = "common practice, no source"
MEMORY: Final = "textbook, from memory"
DIODE_TELLS_TO_V: Final = 1.5
"""From here on a diode test says *open*, whatever the meter can still show: meters drive 1.5 to 3 V (from memory)."""
OHM_TELLS_TO: Final = 50_000.0
"""Above this a resistance in a circuit depends on the meter's own voltage and on charge left; open is as good."""
SHORT_OHM: Final = 5.0
SHORT_V: Final = 0.02
"""A diode test that shows no more than this shows a short: 20 ohm at 1 mA, less than any base-emitter resistor."""


class Kind(StrEnum):
    """What the meter is set to."""

    RESISTANCE = "resistance"
    DIODE = "diode"


@dataclass(frozen=True, slots=True)
class Good:
    """What a good part reads in one direction, ohm or volts: ``low`` to ``high``; a ``high`` of `OPEN`: or open.

    At ``short_below`` or less it is shorted. ``spread`` is by how much two good ones may differ: volts for a diode
    test, a part of the reading for a resistance.
    """

    low: float
    high: float
    short_below: float
    spread: float


@dataclass(frozen=True, slots=True)
class Part:
    """A kind of part. ``good`` is None where the point has to say what is nominal."""

    name: str
    kind: Kind
    what: str
    source: str
    good: Good | None = None
    reversed: Good | None = None
    """With the leads swapped; None: the same as, or nothing is told by it."""
    tolerance: float = 0.05
    """Of a part with a nominal value."""
    look_also: str = ""
    """What dies with it, and is looked at before power."""


_SEES_OTHERS: Final = Good(0.35, OPEN, SHORT_V, 0.15)
_OUTPUT_STAGE: Final = "its emitter resistor, its driver and the other half"


def _junction(name: str, what: str, low_v: float, high_v: float, source: str, look_also: str = "") -> Part:
    """A junction: conducts one way, blocks the other; in a circuit other parts may be seen past it, never a short."""
    forward = Good(low_v, high_v, SHORT_V, 0.06)
    return Part(name, Kind.DIODE, what, source, forward, _SEES_OTHERS, look_also=look_also)


def _clear(name: str, what: str, least_ohm: float, look_also: str = "", spread: float = 0.35) -> Part:
    """A place that is no part: so many ohms at least."""
    return Part(name, Kind.RESISTANCE, what, PRACTICE, Good(least_ohm, OPEN, SHORT_OHM, spread), look_also=look_also)


def _resistor(name: str, what: str, tolerance: float, look_also: str = "") -> Part:
    source = f"nominal value and tolerance of the part; {100 * tolerance:g} % where not given: {PRACTICE}"
    return Part(name, Kind.RESISTANCE, what, source, tolerance=tolerance, look_also=look_also)


PARTS: Final[Mapping[str, Part]] = {
    part.name: part
    for part in (
        _junction(
            "transistor-junction",
            "silicon transistor, base to emitter or collector",
            0.42,
            0.78,
            f"0.45 V (large die) to 0.75 V (small) at some 1 mA, 25 degC: {MEMORY}",
            _OUTPUT_STAGE,
        ),
        _junction(
            "darlington-junction",
            "Darlington transistor, base to emitter",
            0.75,
            1.4,
            f"two junctions in a row, resistors across them: {MEMORY}",
            _OUTPUT_STAGE,
        ),
        Part(
            "collector-emitter",
            Kind.DIODE,
            "bipolar transistor, collector to emitter",
            f"blocks both ways; a diode across it, or the rest of the circuit, may conduct: {PRACTICE}",
            _SEES_OTHERS,
            _SEES_OTHERS,
            look_also=_OUTPUT_STAGE,
        ),
        _junction(
            "mosfet-drain-source",
            "power MOSFET, its own diode from source to drain",
            0.38,
            0.75,
            f"one large silicon junction: {MEMORY}",
            "its gate resistor, gate zeners and source resistor",
        ),
        _clear("mosfet-gate-source", "power MOSFET, gate to source", 500.0, "its gate resistor and the driver"),
        _junction("rectifier-diode", "silicon rectifier diode", 0.38, 0.75, MEMORY, "the fuse, and the other diodes"),
        _junction("schottky-diode", "Schottky diode", 0.12, 0.45, MEMORY),
        _resistor("emitter-resistor", "emitter or source resistor", 0.10, "the device that it feeds"),
        _resistor("fuse-resistor", "fuse resistor", 0.10, "what it feeds: it opens for a reason"),
        _resistor("resistor", "resistor", 0.05),
        Part("fuse", Kind.RESISTANCE, "fuse", PRACTICE, Good(0.0, 2.0, -1.0, 1.0), look_also="what it feeds"),
        _clear("output-to-ground", "speaker output to ground", 200.0, "both output devices, the output network"),
        _clear("rail-to-ground", "supply rail to ground, reservoirs discharged, once it no longer climbs", 200.0),
        _clear("rail-to-rail", "plus rail to minus rail, once it no longer climbs", 400.0),
        _clear("rail-to-output", "supply rail to speaker output", 200.0, _OUTPUT_STAGE),
    )
}
"""By name. A point may say otherwise of its own part."""


def of_nominal(nominal_ohm: float, tolerance: float) -> Good:
    """What a resistor reads: within its tolerance; two of them may differ by twice that."""
    low, high = nominal_ohm * (1.0 - tolerance), nominal_ohm * (1.0 + tolerance)
    return Good(low, high, 0.1 * nominal_ohm, 2.0 * tolerance)


def overridden(good: Good, span: tuple[float, float] | None, short_below: float | None) -> Good:
    """What a point says of its own part, in place of what its kind does."""
    if span is not None:
        good = replace(good, low=span[0], high=span[1], short_below=min(good.short_below, 0.5 * span[0]))
    return good if short_below is None else replace(good, short_below=short_below)
