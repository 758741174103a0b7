"""What narrows a band: facts about the unit, a known-good capture, a series lamp ahead of it."""

from __future__ import annotations

import json
import math
import subprocess
import sys
from dataclasses import replace
from pathlib import Path

import pytest

from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from rampguard.archive.errors import ArchiveError
from rampguard.engine.known_good import known_good_spans
from rampguard.engine.resting import basis_for
from rampguard.loads.basis import FACTS, Basis, FactError, narrowed_by_facts
from rampguard.loads.following import Sight
from rampguard.quantities import Bounds, Expectation, Told
from simulated_help import brought_up

AMPLIFIER = Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=300.0)
# The simulated amplifier's nominal parts, as a technician would know them.
KNOWN = {"va": 300.0, "rail_v": 50.0, "reservoir_uf": 10_000.0, "idle_w": 30.0, "winding_ohm": 6.0}


def _along(
    basis: Basis, name: str, seed: int = 2, lamp_w: float | None = None, full_line_at: float = 120.0
) -> list[tuple[Sight, Expectation]]:
    """A simulated unit brought up within 24 s, and what the basis expected."""
    world = World(make_unit(name, seed, 230.0, 50.0, series_lamp_w=lamp_w), 230.0, 50.0)
    band = basis.band()
    state, seen = band.begin(), []
    for sight in brought_up(world, 160, full_line_at):
        state, expected = band.step(state, sight)
        seen.append((sight, expected))
    return seen


def _holds(seen: list[tuple[Sight, Expectation]]) -> bool:
    return all(
        e.current_a.low <= (s.line_current_a or 0.0) <= e.current_a.high
        and e.power_w.low <= (s.real_power_w or 0.0) <= e.power_w.high
        for s, e in seen
        if e.current_a is not None and e.power_w is not None
    )


def _width(seen: list[tuple[Sight, Expectation]]) -> float:
    """Mean of log(high/low) of power from half of line on; what low there is, at least a thousandth."""
    spans = [e.power_w for s, e in seen if e.power_w is not None and (s.line_voltage_v or 0.0) > 115.0]
    return sum(math.log(b.high / max(b.low, 0.3)) for b in spans) / len(spans)


def test_facts_narrow_the_band_and_it_still_holds_the_unit() -> None:
    spans = narrowed_by_facts("linear-amplifier", 230.0, 300.0, KNOWN)
    known = replace(AMPLIFIER, narrowed=spans)
    seen, coarse = _along(known, "healthy-amplifier"), _along(AMPLIFIER, "healthy-amplifier")
    assert _holds(seen)
    assert _width(seen) < 0.8 * _width(coarse)


def test_the_soft_start_fact_says_that_there_is_one() -> None:
    spans = narrowed_by_facts("linear-amplifier", 230.0, 300.0, {"soft_start_ohm": 28.0})
    assert spans["soft_share"] == (0.0, 0.0)
    low, high = spans["soft_ohm"]
    assert low < 28.0 * 300.0 / 230.0**2 < high


@pytest.mark.parametrize(
    ("load_class", "facts", "says"),
    [
        ("linear-amplifier", {"tubes": 4.0}, "no such fact"),
        ("heater", {"va": 300.0}, "says nothing about the load class heater"),
        ("linear-amplifier", {"idle_w": 3000.0}, "Check its unit"),
        ("linear-amplifier", {"idle_w": -1.0}, "above zero"),
        ("linear-amplifier", {"idle_w": math.nan}, "above zero"),
        ("linear-amplifier", {"reservoir_uf": 10_000.0}, "needs rail_v"),
    ],
)
def test_facts_that_cannot_be_are_refused(load_class: str, facts: dict[str, float], says: str) -> None:
    with pytest.raises(FactError, match=says):
        narrowed_by_facts(load_class, 230.0, 300.0, facts)


def test_facts_that_do_not_go_together_are_refused() -> None:
    with pytest.raises(FactError, match="winding_ohm = 10 does not go with"):
        narrowed_by_facts("linear-amplifier", 230.0, 300.0, {"va": 1200.0, "winding_ohm": 10.0})


def test_every_fact_narrows_a_parameter_of_the_linear_amplifier() -> None:
    for name in FACTS:
        value = {"soft_start_ohm": 28.0}.get(name) or KNOWN[name]
        assert narrowed_by_facts("linear-amplifier", 230.0, 300.0, {name: value, "rail_v": 50.0})


def test_two_facts_of_one_parameter_leave_what_both_allow() -> None:
    rating = narrowed_by_facts("linear-amplifier", 230.0, 300.0, {"va": 300.0})["source_ohm"]
    winding = narrowed_by_facts("linear-amplifier", 230.0, 300.0, {"winding_ohm": 10.0})["source_ohm"]
    both = (max(rating[0], winding[0]), min(rating[1], winding[1]))
    for order in (("va", "winding_ohm"), ("winding_ohm", "va")):
        facts = {name: {"va": 300.0, "winding_ohm": 10.0}[name] for name in order}
        assert narrowed_by_facts("linear-amplifier", 230.0, 300.0, facts)["source_ohm"] == both
    assert both not in (rating, winding)


@pytest.mark.parametrize(
    ("name", "lamp_w"),
    [("healthy-amplifier", 60.0), ("healthy-amplifier", 100.0), ("heater", 100.0), ("healthy-valve", 60.0)],
)
def test_behind_a_series_lamp_the_band_holds_the_unit(name: str, lamp_w: float) -> None:
    plate = make_unit(name, 2, 230.0, 50.0).nameplate
    basis = Basis(load_class=plate.load_class, nameplate_v=230.0, nameplate_w=plate.nameplate_w, series_lamp_w=lamp_w)
    assert _holds(_along(basis, name, lamp_w=lamp_w))


def test_a_shorted_amplifier_behind_a_lamp_is_outside() -> None:
    basis = replace(AMPLIFIER, series_lamp_w=100.0)
    seen = _along(basis, "shorted-output", lamp_w=100.0, full_line_at=600.0)
    above = [s for s, e in seen if e.current_a is not None and (s.line_current_a or 0.0) > 1.1 * e.current_a.high]
    assert len(above) >= 5
    assert (above[0].line_voltage_v or 0.0) < 0.04 * 230.0


# -- a known-good capture ---------------------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def good(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A capture of the simulated amplifier, seed 1."""
    into = tmp_path_factory.mktemp("good")
    done = subprocess.run(
        [sys.executable, "-m", "rampguard", "demo", "--no-screen", "--speed", "1000", "--json", "--into", str(into)],
        capture_output=True,
        text=True,
        timeout=120,
    )
    assert done.returncode == 0, done.stderr
    return Path(json.loads(done.stdout)["capture"])


def test_a_known_good_capture_narrows_the_band_for_another_unit_of_the_model(good: Path) -> None:
    learnt = replace(AMPLIFIER, narrowed=known_good_spans(good, AMPLIFIER))
    for seed in (2, 3):
        seen = _along(learnt, "healthy-amplifier", seed)
        assert _holds(seen)
        assert _width(seen) < 0.8 * _width(_along(AMPLIFIER, "healthy-amplifier", seed))


def test_a_capture_of_another_kind_is_refused(good: Path) -> None:
    with pytest.raises(ArchiveError, match="nameplate_w"):
        known_good_spans(good, replace(AMPLIFIER, nameplate_w=100.0))
    with pytest.raises(ArchiveError, match="series lamp"):
        known_good_spans(good, replace(AMPLIFIER, series_lamp_w=60.0))


def test_a_changed_capture_is_refused(good: Path, tmp_path: Path) -> None:
    changed = tmp_path / "changed"
    changed.mkdir()
    for file in good.iterdir():
        (changed / file.name).write_bytes(file.read_bytes())
    with (changed / "readings.csv").open("a") as stream:
        stream.write("\n")
    with pytest.raises(ArchiveError, match="seal does not hold"):
        known_good_spans(changed, AMPLIFIER)


def test_a_replay_takes_facts_lamp_and_known_good(good: Path) -> None:
    given = ["--load-class", "linear-amplifier", "--nameplate-w", "300", "--mains", "230/50"]
    for more in (["--facts", "va=300,idle_w=30"], ["--known-good", str(good)], []):
        done = subprocess.run(
            [sys.executable, "-m", "rampguard", "replay", str(good), "--json", *given, *more],
            capture_output=True,
            text=True,
            timeout=120,
        )
        assert done.returncode == 0, done.stdout + done.stderr
    done = subprocess.run(
        [sys.executable, "-m", "rampguard", "replay", str(good), "--facts", "va=300"], capture_output=True, text=True
    )
    assert done.returncode == 2
    assert "need --load-class" in done.stderr


def test_a_capture_keeps_its_band_and_replays_to_the_same(good: Path) -> None:
    """Bit-equal: every bound, and the evidence, that the run kept is what a new band makes of the same readings."""
    from rampguard.archive.reader import read_capture
    from rampguard.engine.expecting import Expecting, Sights
    from rampguard.guard.decision import Observation
    from rampguard.guard.evidence import EvidenceMemory, weigh_evidence
    from rampguard.guard.limits import Limits

    expecting, sights = Expecting(AMPLIFIER), Sights()
    evidence, limits = EvidenceMemory(), Limits(line_voltage_v=253.0)
    kept = spoken = 0
    for row in read_capture(good).rows():
        if row.expectation is None:
            continue
        seen = sights.of(Observation(row.time_s, row.readings, row.set_voltage_v, row.expected_event))
        assert seen is not None
        expected = expecting.expect(seen)
        assert replace(expected, told=Told()) == row.expectation
        evidence, _ = weigh_evidence(evidence, limits, expected.told)
        assert {cause: nats for cause, nats in evidence.sums.items() if nats > 0.0} == row.evidence
        kept += isinstance(row.expectation.current_a, Bounds)
        spoken += bool(row.evidence)
    assert kept > 100
    assert spoken > 0


def test_the_basis_is_checked_before_anything_is_energised() -> None:
    with pytest.raises(FactError):
        basis_for(
            "heater",
            nameplate_v=230.0,
            nameplate_w=300.0,
            facts={"va": 300.0},
            series_lamp_w=None,
            known_good=None,
        )
