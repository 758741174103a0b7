"""What the band of a run or replay rests on, from what the user gave: checked before anything is energised."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

from rampguard.engine.known_good import known_good_spans
from rampguard.loads.basis import Basis, narrowed_by_facts


def basis_for(
    load_class: str,
    *,
    nameplate_v: float,
    nameplate_w: float,
    facts: Mapping[str, float],
    series_lamp_w: float | None,
    known_good: str | None,
) -> Basis:
    """The basis. A known-good capture speaks last, within what the facts leave. Raises FactError, ArchiveError."""
    basis = Basis(
        load_class=load_class,
        nameplate_v=nameplate_v,
        nameplate_w=nameplate_w,
        narrowed=narrowed_by_facts(load_class, nameplate_v, nameplate_w, facts),
        series_lamp_w=series_lamp_w,
    )
    return basis if known_good is None else replace(basis, narrowed=known_good_spans(Path(known_good), basis))
