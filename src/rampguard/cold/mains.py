"""The mains checks of a cold sheet: earth, insulation, selector, fuse, primary winding. Pure.

Local codes, and a licensed person where they require one, come first; the limits here are where to begin looking.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from typing import Final

from rampguard.cold.finding import Finding, Verdict, told
from rampguard.cold.mains_sheet import WINDING_DEGC, MainsSheet
from rampguard.loads.basis import FACTS, FactError, narrowed_by_facts
from rampguard.loads.families import FAMILIES
from rampguard.ramp.plan import same_mains
from rampguard.warmup.winding import COPPER_K

Facts = Mapping[str, float]
EARTH, INSULATION, SELECTOR = "earth-continuity", "insulation", "selector"
FUSE, WINDING = "fuse", "primary-winding"
TEST_V: Final = 250.0
"""An insulation tester's least: below it, and by a multimeter's ohms, insulation is not tested (from memory)."""
FUSE_MOST: Final = 4.0
"""A fuse of more than so many times nameplate current is not the maker's (common practice, no source)."""
SHORT_OHM: Final = 0.1
INRUSH_VA: Final = 100.0
"""From here on a transformer wants a slow fuse, T (a maker's note on toroids)."""
_LASTS: Final = "at 2.1 times its rating it may last 2 to 30 minutes"
"""IEC 60127-2, T fuses: 2 minutes at most in sheet 3, 30 in sheet 5 (makers' data sheets)."""


def mains_findings(mains: MainsSheet, load_class: str | None) -> tuple[Finding, ...]:
    """A finding for each mains check; those not made are not evaluated, but where there is nothing to check."""
    return (*_earth(mains), _insulation(mains), *_selector(mains), *_fuse(mains), *_winding(mains, load_class))


def _missing(what: str, do: str) -> Finding:
    return Finding("", what, Verdict.NOT_EVALUATED, do=do)


def _found(what: str, *, right: bool, reads: str, good: str, do: str = "") -> Finding:
    return Finding("", what, Verdict.GOOD if right else Verdict.WRONG, reads=reads, good=good, do="" if right else do)


def _earth(mains: MainsSheet) -> Iterator[Finding]:
    if not mains.protective_earth:
        return
    ohms = mains.earth_continuity_ohm
    if ohms is None:
        yield _missing(EARTH, "Measure from the earth pin to touchable metal, as local codes ask")
        return
    less = max(0.0, ohms - mains.earth_leads_ohm)
    yield _found(
        EARTH,
        right=less <= mains.earth_limit_ohm,
        reads=f"{told(less, 'ohm')} without the leads",
        good=f"{mains.earth_limit_ohm:g} ohm at most, or as local codes ask",
        do="No power: mend the earth, then measure again",
    )


def _insulation(mains: MainsSheet) -> Finding:
    mohm, test_v, least = mains.insulation_mohm, mains.insulation_test_v, mains.insulation_least_mohm
    if mohm is None:
        return _missing(INSULATION, "With a tester, from both mains pins together to touchable metal, switch on")
    good = f"{least:g} Mohm or more, or as local codes ask"
    reads = "over range" if math.isinf(mohm) else f"reads {mohm:.3g} Mohm"
    low = mohm < least
    if not low and (test_v is None or test_v < TEST_V):
        how = "at a voltage that is not stated" if test_v is None else f"at {test_v:g} V"
        return Finding(
            "",
            INSULATION,
            Verdict.NOT_EVALUATED,
            reads=f"{reads} {how}",
            good=good,
            do=f"Below {TEST_V:g} V that tests no insulation: use a tester, and write insulation_test_v",
        )
    at = "" if test_v is None else f" at {test_v:g} V"
    do = "No power: find the leak (filter, transformer, wet dirt, heater)"
    return _found(INSULATION, right=not low, reads=f"{reads}{at}", good=good, do=do)


def _selector(mains: MainsSheet) -> Iterator[Finding]:
    stands, what = mains.selector_v or mains.nameplate_v, "stands" if mains.selector_v else "nameplate"
    if stands is None:
        return
    if mains.mains_v is None:
        yield _missing(SELECTOR, "Write mains_v, so that it can be compared")
        return
    yield _found(
        SELECTOR,
        right=same_mains(stands, mains.mains_v),
        reads=f"{what} at {stands:g} V",
        good=f"the mains, {mains.mains_v:g} V",
        do="No power: set the selector, and put in the fuse that goes with it",
    )


def _fuse(mains: MainsSheet) -> Iterator[Finding]:
    if mains.fuse_a is None:
        yield _missing(FUSE, "Read what is printed on the fuse, and beside its holder")
        return
    kind = mains.fuse_type or ""
    reads = f"{kind}{mains.fuse_a:g} A"
    if mains.fuse_marked_a is not None:
        yield _as_marked(mains, reads)
        return
    full_a = mains.full_current_a
    if full_a is None:
        yield _missing(FUSE, "Write fuse_marked_a, or the nameplate, so that it can be compared")
        return
    right = full_a <= mains.fuse_a <= FUSE_MOST * full_a
    do = "No power: find out what the maker put in; what was changed was changed for a reason"
    good = f"between nameplate current, {full_a:.3g} A, and {FUSE_MOST:g} times that (common practice)"
    told_more = _kind_told(mains)
    yield Finding("", FUSE, Verdict.GOOD if right else Verdict.WRONG, "", reads, good, told_more if right else do)


def _as_marked(mains: MainsSheet, reads: str) -> Finding:
    marked = f"{mains.fuse_marked_type or ''}{mains.fuse_marked_a:g} A"
    kinds_differ = None not in (mains.fuse_type, mains.fuse_marked_type) and mains.fuse_type != mains.fuse_marked_type
    right = mains.fuse_a == mains.fuse_marked_a and not kinds_differ
    do = _kind_told(mains) if right else "No power: put in what is marked"
    return Finding("", FUSE, Verdict.GOOD if right else Verdict.WRONG, "", reads, f"as marked, {marked}", do)


def _kind_told(mains: MainsSheet) -> str:
    """What the fuse's kind means here; told, not judged."""
    if mains.fuse_type is None:
        return "T or F is not told: write fuse_type"
    if mains.fuse_type in ("T", "TT"):
        return f"It guards the wiring, not the output devices: {_LASTS}"
    if (mains.nameplate_w or 0.0) > INRUSH_VA:
        return f"{mains.fuse_type} may blow at switch-on of a transformer of more than {INRUSH_VA:g} VA"
    return ""


def winding_20_ohm(mains: MainsSheet) -> float | None:
    """Resistance of the primary at 20 degC, without the leads, by the copper rule; None where it was not measured."""
    if mains.winding_ohm is None or math.isinf(mains.winding_ohm):
        return None
    less = max(0.0, mains.winding_ohm - mains.winding_leads_ohm)
    return less * (COPPER_K + WINDING_DEGC) / (COPPER_K + mains.winding_degc)


def winding_facts(mains: MainsSheet) -> Facts:
    """The fact that the winding's resistance is, for the expected band; none where it was not measured."""
    ohms = winding_20_ohm(mains)
    return {} if ohms is None or ohms < SHORT_OHM else {"winding_ohm": round(ohms, 4)}


def facts_for(load_class: str, facts: Facts) -> dict[str, float]:
    """Of these facts those that say something about a load class."""
    ranges = FAMILIES[load_class].ranges
    return {name: value for name, value in facts.items() if FACTS[name].parameter in ranges}


def _winding(mains: MainsSheet, load_class: str | None) -> Iterator[Finding]:
    measured, cold = mains.winding_ohm, winding_20_ohm(mains)
    if measured is None:
        return
    if cold is None:
        do = "No power: switch, fuse and selector first, then the winding and a thermal fuse in it"
        yield _found(WINDING, right=False, reads="open", good="some ohms", do=do)
        return
    reads = f"{cold:.3g} ohm at {WINDING_DEGC:g} degC"
    if cold < SHORT_OHM:
        do = "No power: a filter or varistor may be shorted ahead of it; measure the winding alone"
        yield _found(WINDING, right=False, reads=reads, good="some ohms", do=do)
        return
    yield _against_the_nameplate(mains, load_class, cold, reads)


def _against_the_nameplate(mains: MainsSheet, load_class: str | None, cold: float, reads: str) -> Finding:
    volts = mains.nameplate_v or mains.selector_v or mains.mains_v
    fact = facts_for(load_class, {"winding_ohm": cold}) if load_class is not None else {}
    if not fact or volts is None or mains.nameplate_w is None or load_class is None:
        do = "It is not open and not shorted; against what it should be it was not compared"
        return Finding("", WINDING, Verdict.GOOD, reads=reads, do=do)
    try:
        narrowed_by_facts(load_class, volts, mains.nameplate_w, fact)
    except FactError:
        do = "No power: measure again, the selector as it should stand; is the nameplate right?"
        good = f"what a {load_class} of {mains.nameplate_w:g} W can have"
        return _found(WINDING, right=False, reads=reads, good=good, do=do)
    return Finding("", WINDING, Verdict.GOOD, reads=reads, do="It narrows the expected band (--facts)")
