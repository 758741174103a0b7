"""What the band of a run or replay rests on, from what the user gave: checked before anything is energised."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from pathlib import Path

from rampguard.engine.known_good import good_units
from rampguard.learnt.file import LearntError, load_learnt
from rampguard.learnt.model import Learnt, rests_on
from rampguard.loads.basis import Basis, FactError, Span, narrowed_by_facts
from rampguard.loads.learnt import learnt_spans


def basis_for(
    load_class: str,
    *,
    nameplate_v: float,
    nameplate_w: float,
    facts: Mapping[str, float],
    series_lamp_w: float | None,
    known_good: Sequence[str] | None = None,
    learnt: str | None = None,
) -> Basis:
    """The basis. Known-good captures and learnt bands speak last, within what the facts leave.

    Raises FactError, ArchiveError.
    """
    if known_good and learnt is not None:
        raise FactError(
            "--known-good and --learnt both say what a good unit draws: learn from all captures, or give one"
        )
    basis = Basis(
        load_class=load_class,
        nameplate_v=nameplate_v,
        nameplate_w=nameplate_w,
        narrowed=narrowed_by_facts(load_class, nameplate_v, nameplate_w, facts),
        series_lamp_w=series_lamp_w,
    )
    if learnt is not None:
        return _by_learnt(basis, Path(learnt))
    if not known_good:
        return basis
    units = good_units(known_good, basis)
    narrowed = learnt_spans(basis.ranges(), [unit.shown for unit in units])
    return replace(basis, narrowed=narrowed, rests_on=rests_on(units))


def _by_learnt(basis: Basis, path: Path) -> Basis:
    learnt = load_learnt(path)
    problems = _unlike(learnt, basis)
    spans = {name: _both(span, basis.narrowed.get(name)) for name, span in learnt.spans.items()}
    for name, (low, high) in spans.items():
        if low > high:
            problems.append(f"what it says of {name} does not go with the facts given; check them, or leave them out")
    if problems:
        raise LearntError(str(path), problems)
    return replace(basis, narrowed=spans, rests_on=f"{learnt.model}: {learnt.rests_on}")


def _unlike(learnt: Learnt, basis: Basis) -> list[str]:
    pairs = (
        ("load_class", learnt.load_class, basis.load_class),
        ("nameplate_w", learnt.nameplate_w, basis.nameplate_w),
        ("series_lamp_w", learnt.series_lamp_w, basis.series_lamp_w),
    )
    return [
        f"{name} = {own}, but this unit's is {wanted}; name the file of its own model"
        for name, own, wanted in pairs
        if own != wanted
    ]


def _both(learnt: Span, known: Span | None) -> Span:
    return learnt if known is None else (max(learnt[0], known[0]), min(learnt[1], known[1]))
