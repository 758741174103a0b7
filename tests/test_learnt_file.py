"""A learnt band's file: what is written is read back, and what cannot be is refused, all of it at once."""

from __future__ import annotations

import tomllib
from collections.abc import Callable
from pathlib import Path

import pytest

from rampguard.learnt.file import LearntError, load_learnt, text_of
from rampguard.learnt.model import Learnt, LearntCapture, LearntUnit
from rampguard.loads.basis import Shown
from rampguard.loads.families import FAMILIES


def a_model(units: int = 3, load_class: str = "linear-amplifier", lamp_w: float | None = None) -> Learnt:
    bare = Learnt(
        model='shelf amplifier, "2 x 60 W"',
        load_class=load_class,
        nameplate_w=300.0,
        nameplate_v=230.0,
        mains_v=230.0,
        mains_frequency_hz=50.0,
        series_lamp_w=lamp_w,
        units=(),
    )
    names = list(bare.ranges)
    of = [
        LearntUnit(
            f"unit {k}",
            (LearntCapture(f"after-{k}", f"{k:064x}"),),
            {name: Shown(0.4 + 0.02 * k + 0.001 * n, 0.03) for n, name in enumerate(names)},
        )
        for k in range(units)
    ]
    return Learnt(**{slot: getattr(bare, slot) for slot in bare.__slots__} | {"units": tuple(of)})


def _written(tmp_path: Path, change: Callable[[str], str] = lambda text: text, learnt: Learnt | None = None) -> Path:
    path = tmp_path / "model.toml"
    path.write_text(change(text_of(learnt or a_model())), encoding="utf-8")
    return path


@pytest.mark.parametrize("name", FAMILIES)
@pytest.mark.parametrize("units", [1, 2, 12])
def test_what_is_written_is_read_back(tmp_path: Path, name: str, units: int) -> None:
    model = a_model(units, name, lamp_w=60.0 if units == 2 else None)
    read = load_learnt(_written(tmp_path, learnt=model))
    assert (read.model, read.load_class, read.series_lamp_w) == (model.model, name, model.series_lamp_w)
    assert read.rests_on == model.rests_on
    for one, other in zip(read.units, model.units, strict=True):
        assert one.captures == other.captures
        for each, shown in other.shown.items():
            assert one.shown[each].mean == pytest.approx(shown.mean, abs=2e-5)
            assert one.shown[each].own == pytest.approx(shown.own, abs=2e-5)
    for each, span in model.spans.items():
        assert read.spans[each] == pytest.approx(span, rel=1e-3, abs=1e-4)


def test_it_says_what_it_rests_on(tmp_path: Path) -> None:
    assert load_learnt(_written(tmp_path)).rests_on == "rests on 3 units, 3 captures"
    assert a_model(1).rests_on.startswith("rests on 1 unit, 1 capture; how far units")


@pytest.mark.parametrize(
    ("old", "new", "says"),
    [
        ("format = 1", "format = 2", "format"),
        ("nameplate_w = 300.0", 'nameplate_w = "300 W"', "nameplate_w: '300 W' is not a number"),
        ("mains_v = 230.0", "mains_v = -230.0", "mains_v"),
        ("nameplate_v = 230.0", "nameplate_v = inf", "nameplate_v"),
        ('load_class = "linear-amplifier"', 'load_class = "toaster"', "there is no 'toaster'"),
        ("coverage = 0.99 ", "coverage = 0.5 ", "coverage and confidence"),
        ("[parameter.idle]", "[parameter.idel]", "parameter.idel: unknown to this class"),
        ("class = [0.025, 0.2]", "class = [0.025, 0.3]", "parameter.idle: was learnt with another range"),
        ('name = "unit 1"', 'name = "unit 0"', "the unit unit 0 is there twice"),
        (f'"{1:064x}"', f'"{0:064x}"', "is there twice; what it showed would count twice"),
        (f'"{1:064x}"', '"ABC"', "seal"),
        ("[[unit]]\n", 'driven = true\n[[unit]]\nsize = "big"\n', "size: unknown key"),
    ],
)
def test_what_cannot_be_is_refused(tmp_path: Path, old: str, new: str, says: str) -> None:
    with pytest.raises(LearntError, match=r"model\.toml") as refused:
        load_learnt(_written(tmp_path, lambda text: text.replace(old, new, 1)))
    assert says in str(refused.value)


@pytest.mark.parametrize("key", ["low", "high", "middle", "own"])
def test_a_changed_figure_is_found(tmp_path: Path, key: str) -> None:
    def change(text: str) -> str:
        before, idle = text.split("[parameter.idle]")
        value = tomllib.loads(f"[parameter.idle]{idle}")["parameter"]["idle"][key]
        first = value[0] if isinstance(value, list) else value
        return f"{before}[parameter.idle]{idle.replace(repr(first), repr(1.1 * first), 1)}"

    with pytest.raises(LearntError, match=r"parameter\.idle: low = .* the file was changed"):
        load_learnt(_written(tmp_path, change))


def test_lists_of_another_length_are_told_together(tmp_path: Path) -> None:
    def change(text: str) -> str:
        lines = [line.split(",")[0] + "]" if line.startswith(("middle", "own")) else line for line in text.splitlines()]
        return "\n".join(lines)

    with pytest.raises(LearntError) as refused:
        load_learnt(_written(tmp_path, change))
    assert len(refused.value.problems) == 2 * len(a_model().ranges)
    assert "parameter.idle: middle has 1 values, there are 3 units" in str(refused.value)


def test_a_value_beyond_the_class_is_refused(tmp_path: Path) -> None:
    def change(text: str) -> str:
        before, idle = text.split("[parameter.idle]")
        return before + "[parameter.idle]" + idle.replace("middle = [", "middle = [7.5, ", 1)

    with pytest.raises(LearntError, match=r"middle: not within the class's 0\.025 to 0\.2"):
        load_learnt(_written(tmp_path, change))


def test_a_file_that_is_none_is_refused(tmp_path: Path) -> None:
    with pytest.raises(LearntError, match="cannot be read"):
        load_learnt(tmp_path / "none.toml")
    (tmp_path / "bad.toml").write_bytes(b"\xff")
    with pytest.raises(LearntError, match="not TOML"):
        load_learnt(tmp_path / "bad.toml")
