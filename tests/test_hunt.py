"""Finding the section at fault: what is believed, what is unplugged next, what a capture says, and a whole hunt."""

from __future__ import annotations

import itertools
import json
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.stats import multivariate_normal

from instruments.simulated.unit import CHANNEL_NAMES
from instruments.simulated.units import make_unit
from rampguard.archive.rows import Row
from rampguard.cli import main
from rampguard.demo import sections_of
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_STOPPED, EXIT_UNPROVEN, RunOrder
from rampguard.hunt import places
from rampguard.hunt.hunting import Hunt, Hunted, HuntRefused, lines_of, mains_of
from rampguard.hunt.measure import healthy_at, held, hold_from, most_energy_j, weighed, worth_holding
from rampguard.hunt.places import AHEAD, Healthy, Measurement, believe
from rampguard.hunt.plans import LOOKS_AT, finding_plan, holding_plan
from rampguard.hunt.sections import Sections, SectionsError, load_sections
from rampguard.hunt.steps import SURE, verdict, what_next
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Bounds, Expectation, Reading
from rampguard.ramp.plan import check_plan

sys.path.insert(0, str(Path(__file__).resolve().parent.parent / "benchmarks"))

NAMES = ("a", "b", "c", "d")
SUSPECTS = dict.fromkeys(NAMES, 1.0)
HEALTHY = Healthy(0.5, 2.0)


def drawn(unplugged: tuple[str, ...], *, at: str | None, fault: float = 20.0, share: float = 0.15) -> Measurement:
    """What a unit draws at the hold: half a siemens of its own, a share a section, and the fault."""
    plugged = [name for name in NAMES if name not in unplugged]
    carries = at == AHEAD or at in plugged
    return Measurement(frozenset(unplugged), 0.5 + share * len(plugged) + fault * carries, 0.01)


# -- what is believed --------------------------------------------------------------------------------------------------


def test_nothing_measured_every_section_is_as_suspect_as_it_was_said_to_be() -> None:
    belief = believe({"a": 3.0, "b": 1.0}, HEALTHY, ())
    assert sum(belief.by_places.values()) == pytest.approx(1.0)
    alone = {name: belief.by_places[frozenset({name})] for name in "ab"}
    assert alone["a"] == pytest.approx(3.0 * alone["b"])


@given(st.sampled_from((*NAMES, AHEAD)), st.floats(3.0, 1e3), st.permutations(NAMES))
def test_the_section_at_fault_is_found_whatever_the_order_and_the_size(at: str, fault: float, order: list[str]) -> None:
    steps = [tuple(order[:k]) for k in range(len(order) + 1)]
    belief = believe(SUSPECTS, HEALTHY, [drawn(out, at=at, fault=fault) for out in steps])
    assert belief.best[0] == {at}
    assert belief.best[1] > 0.95
    assert sum(belief.by_places.values()) == pytest.approx(1.0)


def test_two_faults_are_told_as_two() -> None:
    steps = [tuple(NAMES[:k]) for k in range(5)]
    both = [Measurement(frozenset(out), 1.0 + 20.0 * ("a" not in out) + 30.0 * ("c" not in out), 0.01) for out in steps]
    assert believe(SUSPECTS, HEALTHY, both).best[0] == {"a", "c"}


def test_what_a_healthy_section_may_draw_blames_nobody_for_sure() -> None:
    """No fault that shows: shares come and go as sections do."""
    steps = [drawn(tuple(NAMES[:k]), at=None) for k in range(5)]
    belief = believe(SUSPECTS, HEALTHY, steps)
    assert all(belief.by_places[frozenset({name})] < 0.9 for name in NAMES)


def test_a_hypothesis_of_one_size_is_weighed_as_a_normal_distribution(monkeypatch: pytest.MonkeyPatch) -> None:
    """Against scipy's multivariate normal density, the fault's size being one alone."""
    monkeypatch.setattr(places, "SMALLEST", 8.0)
    monkeypatch.setattr(places, "LARGEST", 8.0)
    monkeypatch.setattr(places, "SIZES", 1)
    measured = [drawn((), at="a", fault=4.0), drawn(("b",), at="a", fault=1.0), drawn(("a", "b"), at="a")]
    plugged = np.array([[float(name not in m.unplugged) for name in NAMES] for m in measured])
    share, spread = 0.5 * 1.25 / 4, 0.5 * 1.25
    own = [m.sigma**2 + (0.05 * m.siemens) ** 2 for m in measured]
    covariance = spread**2 + share**2 * plugged @ plugged.T + np.diag(own)
    base = 0.5 * 1.25 + share * plugged.sum(axis=1)
    carried = {name: base + 8.0 * 1.25 * plugged[:, k] for k, name in enumerate(NAMES)} | {AHEAD: base + 10.0}
    values = [m.siemens for m in measured]
    density = {name: multivariate_normal(mean, covariance).pdf(values) for name, mean in carried.items()}
    belief = believe(SUSPECTS, HEALTHY, measured)
    one, other = belief.by_places[frozenset({"a"})], belief.by_places[frozenset({"b"})]
    assert one / other == pytest.approx(density["a"] / density["b"], rel=1e-6)
    ahead = belief.by_places[frozenset({AHEAD})]
    assert ahead / other == pytest.approx(density[AHEAD] / density["b"] * 0.10 / (0.90 / 4), rel=1e-6)


# -- what comes next ---------------------------------------------------------------------------------------------------


def test_the_most_suspect_is_unplugged_first_and_nothing_more_once_it_is_sure() -> None:
    suspects = {"a": 1.0, "b": 5.0, "c": 1.0, "d": 1.0}
    first = what_next(suspects, HEALTHY, (drawn((), at="b"),))
    assert first.unplug == "b"
    then = what_next(suspects, HEALTHY, (drawn((), at="b"), drawn(("b",), at="b")))
    assert then.unplug is None
    assert then.belief.best[1] >= SURE


@pytest.mark.parametrize("at", [*NAMES, AHEAD])
def test_a_hunt_ends_with_its_place_after_as_many_runs_as_it_takes(at: str) -> None:
    out: tuple[str, ...] = ()
    measured = (drawn(out, at=at),)
    while (step := what_next(SUSPECTS, HEALTHY, measured)).unplug is not None:
        assert step.unplug not in out
        out = (*out, step.unplug)
        measured = (*measured, drawn(out, at=at))
    assert step.belief.best[0] == {at}
    assert len(measured) == (5 if at == AHEAD else NAMES.index(at) + 2)


def test_words_say_where_and_how_sure() -> None:
    def said(by_places: dict[str, float]) -> str:
        return verdict(
            places.Belief({frozenset(key.split("+")) if key != "-" else frozenset(): p for key, p in by_places.items()})
        )

    assert said({"left": 0.97, "": 0.03}) == "left carries the fault (97 % sure)"
    assert said({"left+right": 0.9, "left": 0.1}).startswith("left and right each carry a fault (90 %")
    assert said({"": 0.995, "left": 0.005}).startswith("the fault lies ahead of all sections (99.5 % sure)")
    assert said({"-": 0.9, "left": 0.1}).startswith("no fault shows")
    assert said({"left": 0.4, "right": 0.35, "-": 0.25}) == (
        "cannot tell which section carries the fault: left 40 %; right 35 %; no fault 25 %"
    )


# -- what a capture says -----------------------------------------------------------------------------------------------


def row(time_s: float, volts: float, amperes: float, watts: float | None = None, *, bounds: float = 0.0) -> Row:
    readings = [
        Reading(LINE_VOLTAGE, volts, time_s, time_s),
        Reading(LINE_CURRENT, amperes, time_s, time_s, bound=0.001),
    ]
    if watts is not None:
        readings.append(Reading(REAL_POWER, watts, time_s, time_s, bound=bounds))
    told = Expectation(current_a=Bounds(0.01, 0.03), power_w=Bounds(0.1, 0.4))
    return Row(time_s, readings=tuple(readings), expectation=told)


def test_conductance_is_by_what_is_told_better_there() -> None:
    fine = [row(0.1 * k, 10.0, 0.05, 0.3, bounds=0.001) for k in range(20)]
    coarse = [row(0.1 * k, 10.0, 0.05, 0.3, bounds=1.0) for k in range(20)]
    assert (weighed(fine, 10.0), weighed(coarse, 10.0)) == (REAL_POWER, LINE_CURRENT)
    assert weighed([row(0.0, 10.0, 0.05)], 10.0) == LINE_CURRENT
    assert held(fine, 10.0, REAL_POWER).measurement((), 10.0).siemens == pytest.approx(0.003)
    assert held(coarse, 10.0, LINE_CURRENT).measurement((), 10.0).siemens == pytest.approx(0.005)


def test_only_the_rows_at_the_hold_count_and_a_run_cut_on_its_way_gives_its_highest() -> None:
    way = [row(0.1 * k, 0.5 * k, 0.001 * k * k) for k in range(1, 19)]
    assert held(way, 40.0, LINE_CURRENT).points == ()
    with pytest.raises(ValueError, match="no reading within"):
        held(way, 40.0, LINE_CURRENT).measurement((), 40.0)
    assert {point.line_voltage_v for point in held(way, 10.0, LINE_CURRENT).points} == {9.0}
    off = held(way, 10.0, LINE_CURRENT).measurement((), 10.0)
    assert off.sigma > 0.2 * off.siemens


def test_the_band_is_told_as_conductance_with_the_meters_bound() -> None:
    healthy = healthy_at([row(0.0, 10.0, 0.05)], 10.0, LINE_CURRENT)
    assert healthy is not None
    assert (healthy.low, healthy.high) == pytest.approx((0.001 - 0.0001, 0.003 + 0.0001))
    assert healthy_at([row(0.0, 30.0, 0.05)], 10.0, LINE_CURRENT) is None


def test_energy_is_apparent_power_over_time_and_nothing_across_a_gap() -> None:
    rows = [row(0.1 * k, 10.0, 0.5) for k in range(11)]
    assert most_energy_j(rows) == pytest.approx(5.0)
    assert most_energy_j([*rows, row(9.0, 10.0, 0.5)]) == pytest.approx(5.0)


def test_the_hold_is_where_much_is_drawn_first_and_below_where_it_tripped() -> None:
    rows = [row(0.1 * k, 2.0 * k, 0.001 * k * k) for k in range(1, 20)]
    assert worth_holding(rows, [2.0, 10.0, 20.0, 30.0]) == 10.0
    assert worth_holding(rows[:3], [2.0, 4.0, 6.0]) == 6.0
    assert hold_from(10.0) == 9.5


@pytest.mark.parametrize(("volts", "hertz"), [(100.0, 50.0), (120.0, 60.0), (230.0, 50.0)])
def test_plans_are_gentle_and_low(volts: float, hertz: float) -> None:
    for plan in (
        finding_plan(volts, hertz),
        holding_plan(0.02 * volts, volts, hertz),
        holding_plan(0.25 * volts, volts, hertz),
    ):
        check_plan(plan, mains_v=volts, frequency_hz=hertz, nameplate_v=volts, selector_v=volts)
        assert plan.highest_v <= 0.25 * volts
    assert len(finding_plan(volts, hertz).stages) == len(LOOKS_AT)


# -- the sections file -------------------------------------------------------------------------------------------------


def test_a_bias_sensor_comes_out_with_its_channel_and_never_alone(tmp_path: Path) -> None:
    file = tmp_path / "sections.toml"
    file.write_text(
        'format = 1\nmodel = "two channels"\n[[sections]]\nname = "left"\nsuspect = 2.0\n'
        '[[sections]]\nname = "left-bias-sensor"\nunplugged_with = "left"\n[[sections]]\nname = "right"\n',
        encoding="utf-8",
    )
    sections = load_sections(file)
    assert sections.suspects == {"left": 2.0, "right": 1.0}
    assert sections.with_its_own("left") == ("left", "left-bias-sensor")


@pytest.mark.parametrize(
    ("text", "says"),
    [
        ("format = 2", "format"),
        ('format = 1\nmodel = "m"\nsections = []', "sections"),
        ('format = 1\nmodel = "m"\n[[sections]]\nname = "a"\n[[sections]]\nname = "a"', "two have one name"),
        ('format = 1\nmodel = "m"\n[[sections]]\nname = "a"\nunplugged_with = "b"', "none can be unplugged"),
        (
            'format = 1\nmodel = "m"\n[[sections]]\nname = "a"\n[[sections]]\nname = "b"\nunplugged_with = "c"',
            "no section that is unplugged by itself",
        ),
        ('format = 1\nmodel = "m"\n[[sections]]\nname = "a"\nsuspect = 0.0', "suspect"),
        ('format = 1\nmodel = "m"\n[[sections]]\nname = "A left one"', "name"),
        ('format = 1\nmodel = "m"\nvolts = 3\n[[sections]]\nname = "a"', "unknown key"),
        ("format = ", "is not TOML"),
    ],
)
def test_a_sections_file_that_cannot_be_is_refused(tmp_path: Path, text: str, says: str) -> None:
    (tmp_path / "sections.toml").write_text(text, encoding="utf-8")
    with pytest.raises(SectionsError, match=says):
        load_sections(tmp_path / "sections.toml")


def test_no_file_no_sections(tmp_path: Path) -> None:
    with pytest.raises(SectionsError, match="cannot be read"):
        load_sections(tmp_path / "none.toml")


# -- the hunt ----------------------------------------------------------------------------------------------------------


def test_the_simulated_sections_are_the_simulated_units() -> None:
    assert tuple(load_sections(sections_of()).suspects) == CHANNEL_NAMES[:7]


def test_an_unplugged_channel_draws_nothing_and_its_short_is_gone() -> None:
    unit: Any = make_unit("shorted-section", 1, 230.0, 50.0)
    at = int(unit.stages.short_in)
    unit.stages.unplug([n for n in range(7) if n != at])
    assert unit.stages.shorted(at, unit.ops) == 1.0
    unit.stages.unplug([at])
    assert unit.stages.shorted(at, unit.ops) == 0.0
    for k in range(20_000):
        unit.step(60.0 * math.sqrt(2.0) * math.sin(2.0 * math.pi * k / 128.0), 1.0 / (50.0 * 128.0))
    idles = [channel.now_a for channel in unit.stages.channels]
    assert idles[at] == 0.0
    assert all(idle > 0.0 for n, idle in enumerate(idles) if n != at)
    assert unit.stages.short_a == 0.0


@pytest.mark.parametrize(
    ("unit", "seed"),
    [("shorted-section", 20261142), ("shorted-section", 20261128), ("seven-sections-shorted-rectifier", 3)],
)
def test_a_whole_hunt_by_the_engines_own_runs(unit: str, seed: int) -> None:
    from hunts import one

    hunt = one(unit, seed)
    assert hunt.said == (hunt.truth,)
    assert hunt.sure > 0.9
    assert hunt.energy_j < 300.0


def test_a_healthy_unit_is_not_said_to_have_a_fault_for_sure() -> None:
    from hunts import one

    hunt = one("seven-sections", 6)
    assert (hunt.said, hunt.runs) == ((), 8)


SECTIONS = Sections.model_validate({"format": 1, "model": "m", "sections": [{"name": name} for name in NAMES]})


def hunted(*results: tuple[int, dict[str, Any]], agrees: bool = True) -> Hunted:
    told = itertools.chain(results, itertools.repeat(results[-1]))
    return Hunt(RunOrder(bench="", into=""), (230.0, 50.0), SECTIONS, lambda order: next(told), lambda _: agrees).hunt()


def test_a_run_that_is_not_proven_off_ends_the_hunt() -> None:
    assert hunted((EXIT_UNPROVEN, {"outcome": "unproven"})).exit_code == EXIT_UNPROVEN
    assert hunted((EXIT_STOPPED, {"outcome": "stopped"})).exit_code == EXIT_STOPPED


def test_a_trip_for_the_bench_is_no_fault_of_the_units() -> None:
    trip = {"line_voltage_v": 10.0, "layer": "reading", "reason": "power-meter: no answer"}
    ended = hunted((3, {"outcome": "tripped", "trip": trip}))
    assert "no fault of the unit's: power-meter" in ended.said
    assert ended.as_message["outcome"] == "not-told"


def test_by_the_command_line(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["demo", "--unit", "shorted-section", "--hunt", "--seed", "6", "--speed", "1000", "--no-screen", "--json"]
    assert main([*line, "--into", str(tmp_path)]) == EXIT_DONE
    captured = capsys.readouterr()
    told = json.loads(captured.out)
    assert told["outcome"] == "told"
    assert told["places"] == ["back-left"]
    assert told["energy_j"] == pytest.approx(sum(step["energy_j"] for step in told["steps"]))
    descriptor = json.loads((Path(told["steps"][-1]["capture"]) / "datapackage.json").read_text(encoding="utf-8"))
    assert descriptor["unplugged"] == told["steps"][-1]["unplugged"]
    assert "unplug left" in captured.err
    assert "MEASURED below 2 V" in captured.err


def test_what_is_not_hunted_is_refused(tmp_path: Path) -> None:
    with pytest.raises(HuntRefused, match="cannot be read"):
        mains_of(RunOrder(bench=str(tmp_path / "none.toml"), into=""))


def test_a_hand_is_not_steady_enough(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    line = ["demo", "--unit", "shorted-section", "--hunt", "--hand", "--no-screen", "--into", str(tmp_path / "none")]
    assert main(line) == EXIT_BAD_INPUT
    assert "needs a programmable source" in capsys.readouterr().err
    assert not (tmp_path / "none").exists()


def test_lines_of_a_hunt_say_what_it_cost() -> None:
    ended = Hunted(EXIT_BAD_INPUT, "left carries the fault (99 % sure)")
    assert lines_of(ended) == ["left carries the fault (99 % sure)"]
