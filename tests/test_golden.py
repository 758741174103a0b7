"""The golden corpus: the same readings give the same outcome, layer and row, whatever numpy the models run on.

Recorded and judged by tests/golden/make.py; a change of the guard that moves one of them is made on purpose, and the
corpus with it.
"""

from __future__ import annotations

import importlib.util

import pytest

from golden_help import FOLDER, golden

GOLDEN = golden()

_spec = importlib.util.spec_from_file_location("golden_make", FOLDER / "make.py")
assert _spec is not None
assert _spec.loader is not None
make = importlib.util.module_from_spec(_spec)
_spec.loader.exec_module(make)


@pytest.mark.parametrize("name", GOLDEN)
def test_the_same_readings_give_the_same_outcome_layer_and_row(name: str) -> None:
    told = GOLDEN[name]
    assert make.judged(FOLDER / f"{name}.csv", told) == told["judged"]


def test_the_corpus_is_whole_and_has_both_outcomes_and_layers() -> None:
    assert set(GOLDEN) == set(make.UNITS)
    layers = {told["judged"]["layer"] for told in GOLDEN.values()}
    assert {None, "band", "ceiling"} <= layers
