"""`rampguard learn`, and what takes what it wrote: which captures it learns from, and which it refuses."""

from __future__ import annotations

import json
import subprocess
from pathlib import Path
from typing import Any

import pytest

from learnt_help import GOOD, another, job_of
from live_help import RAMPGUARD
from rampguard.archive.errors import ArchiveError
from rampguard.cli import main
from rampguard.engine.known_good import good_units
from rampguard.engine.link import RunOrder
from rampguard.engine.resting import basis_for
from rampguard.learning.learn import learn
from rampguard.learnt.file import load_learnt
from rampguard.loads.basis import Basis, FactError, narrowed_by_known_good

AMPLIFIER = Basis(load_class="linear-amplifier", nameplate_v=230.0, nameplate_w=300.0)
GIVEN = ["--load-class", "linear-amplifier", "--nameplate-w", "300", "--mains", "230/50"]


@pytest.fixture(scope="module")
def jobs(tmp_path_factory: pytest.TempPathFactory) -> list[Path]:
    """Captures of three jobs: the second and the third are of one unit."""
    into = tmp_path_factory.mktemp("jobs")
    captures = [job_of(into / f"job-{n}", f"2026-{n}", serial) for n, serial in ((1, "A7"), (2, "B8"), (3, "B8"))]
    return [another(folder, "after", draws=draws) for folder, draws in zip(captures, (1.0, 1.04, 1.06), strict=True)]


@pytest.fixture(scope="module")
def model(jobs: list[Path], tmp_path_factory: pytest.TempPathFactory) -> Path:
    """What was learnt from them."""
    out = tmp_path_factory.mktemp("model") / "model.toml"
    assert main(["learn", *map(str, jobs), "--out", str(out), "--model", "shelf amplifier"]) == 0
    return out


def test_captures_of_one_unit_count_as_one(model: Path) -> None:
    learnt = load_learnt(model)
    assert (learnt.model, learnt.rests_on) == ("shelf amplifier", "rests on 2 units, 3 captures")
    assert [unit.name for unit in learnt.units] == ["job 2026-1", "job 2026-2"]
    assert "B8" not in model.read_text(encoding="utf-8")  # serial numbers tell units apart, and stay in the jobs


def test_the_story_fits_a_terminal_and_says_what_it_rests_on(
    jobs: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    assert main(["learn", str(jobs[0]), "--out", str(tmp_path / "one.toml")]) == 0
    out = capsys.readouterr().out
    told = " ".join(out.split())
    assert "rests on 1 unit, 1 capture; how far units" in told
    assert "Of one unit there is no spread" in told
    assert "not a safety device" in told
    assert max(map(len, out.splitlines()[:-1])) <= 80


def test_json_is_one_object(jobs: list[Path], tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    out = tmp_path / "model.toml"
    assert main(["learn", str(jobs[0]), f"other={jobs[1]}", "--out", str(out), "--json"]) == 0
    told = json.loads(capsys.readouterr().out)
    assert (told["format"], told["outcome"], told["units"], told["captures"]) == (1, "learnt", 2, 2)
    idle = told["parameters"]["idle"]
    assert idle["class_low"] <= idle["low"] < idle["high"] <= idle["class_high"]


REFUSED: list[tuple[dict[str, Any], str]] = [
    ({"outcome": "tripped"}, "outcome is 'tripped'"),
    ({"outcome": "stopped"}, "outcome is 'stopped'"),
    ({"sealed": False}, "not sealed"),
    ({"expected_event": "idle-touched"}, "idle was set, or it was driven"),
    ({"expected_event": "driven"}, "idle was set, or it was driven"),
    ({"direct_after": "before"}, "switch-on at full mains"),
    ({"unplugged": ["left"]}, "left was unplugged"),
    ({"load_class": "receiver"}, "its load_class is receiver"),
    ({"nameplate_w": 100.0}, "its nameplate_w is 100.0"),
    ({"series_lamp_w": 60.0}, "same series lamp"),
    ({"every": 60}, "live readings; at least"),
]


def test_whatever_is_no_good_units_plain_ramp_is_refused_all_at_once(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    from rampguard.guard.decision import DRIVEN, TOUCHED

    names = {"idle-touched": TOUCHED, "driven": DRIVEN}
    for number, (facts, _) in enumerate(REFUSED):
        facts = {key: names.get(value, value) if key == "expected_event" else value for key, value in facts.items()}
        another(tmp_path, f"c{number:02}", **facts)
    out = tmp_path / "model.toml"
    given = [str(GOOD), *(str(tmp_path / f"c{number:02}") for number in range(len(REFUSED)))]
    assert main(["learn", *given, "--out", str(out)]) == 2
    said = capsys.readouterr()
    assert said.out == ""
    lines = said.err.splitlines()
    assert len(lines) == len(REFUSED)
    for number, (_, says) in enumerate(REFUSED):
        assert f"c{number:02}" in lines[number]
        assert says in lines[number]
    assert not out.exists()


def test_a_changed_capture_and_the_same_twice_are_refused(tmp_path: Path) -> None:
    changed = another(tmp_path, "changed")
    with (changed / "readings.csv").open("a") as stream:
        stream.write("\n")
    with pytest.raises(ArchiveError, match="seal does not hold"):
        good_units([changed], AMPLIFIER)
    with pytest.raises(ArchiveError, match="the same capture twice"):
        good_units([f"one={GOOD}", f"two={GOOD}"], AMPLIFIER)


@pytest.mark.parametrize("role", ["as-found", "hunt", "cold-start"])
def test_what_a_job_says_of_a_capture_is_heard(tmp_path: Path, role: str) -> None:
    more = f'[[capture]]\nfolder = "captures/ramp"\nrole = "{role}"\n'
    folder = another(job_of(tmp_path / "job", "2026-9", more=more), "ramp")
    with pytest.raises(ArchiveError, match=f"its job says '{role}'"):
        good_units([folder], AMPLIFIER)


def test_units_that_nothing_tells_apart_count_as_one_unless_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    folders = [another(tmp_path, f"run{n}", draws=1.0 + 0.02 * n, seed=None) for n in range(2)]
    assert len(good_units(folders, AMPLIFIER)) == 1
    assert [unit.name for unit in good_units([folders[0], f"second={folders[1]}"], AMPLIFIER)] == [
        "healthy-amplifier",
        "second",
    ]
    assert main(["learn", *map(str, folders), "--out", str(tmp_path / "model.toml")]) == 0
    assert f"second={folders[1]}" in capsys.readouterr().err


def test_simulated_specimens_are_told_by_their_seeds(tmp_path: Path) -> None:
    folders = [another(tmp_path, f"run{n}", draws=1.0 + 0.02 * n, seed=seed) for n, seed in enumerate((4, 5, 4))]
    units = good_units(folders, AMPLIFIER)
    assert [len(unit.captures) for unit in units] == [2, 1]


def test_one_capture_is_as_it_was_before(tmp_path: Path) -> None:
    """The same ranges, to the bit, by the way that takes one capture's readings alone."""
    folder = another(tmp_path, "one")
    basis = basis_for("linear-amplifier", nameplate_v=230.0, nameplate_w=300.0, facts={}, series_lamp_w=None,
                      known_good=[str(folder)])  # fmt: skip
    assert basis.narrowed == narrowed_by_known_good(AMPLIFIER, _sights_of(folder))
    assert basis.rests_on.startswith("rests on 1 unit, 1 capture")


def _sights_of(folder: Path) -> list[Any]:
    from rampguard.archive.reader import read_capture
    from rampguard.engine.expecting import Sights
    from rampguard.guard.decision import Observation

    sights = Sights()
    live = (row for row in read_capture(folder).rows() if row.state == "live")
    seen = [sights.of(Observation(row.time_s, row.readings, row.set_voltage_v, row.expected_event)) for row in live]
    return [one.sight for one in seen if one is not None]


def test_what_was_learnt_narrows_a_replay_and_says_what_it_rests_on(
    model: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    measured = another(tmp_path, "measured") / "readings.csv"
    assert main(["replay", str(measured), *GIVEN, "--learnt", str(model)]) == 0
    assert "shelf amplifier: rests on 2 units, 3 captures" in capsys.readouterr().err
    assert main(["replay", str(measured), "--learnt", str(model)]) == 2
    assert "--learnt need --load-class" in capsys.readouterr().err


def test_a_run_says_what_its_band_rests_on(jobs: list[Path], tmp_path: Path) -> None:
    """By captures here; by a file in the docs' commands."""
    given = ["--known-good", str(jobs[0]), "--known-good", str(jobs[1])]
    command = [*RAMPGUARD, "demo", "--no-screen", "--speed", "1000", "--into", str(tmp_path), "--json", *given]
    done = subprocess.run(command, capture_output=True, text=True, timeout=100)
    assert done.returncode == 0, done.stderr
    folder = Path(json.loads(done.stdout)["capture"])
    assert 'band,"rests on 2 units, 2 captures"' in (folder / "events.csv").read_text(encoding="utf-8")
    assert json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))["narrowed"]


def test_a_learnt_band_goes_with_its_own_model_and_with_facts(model: Path) -> None:
    given: dict[str, Any] = {"nameplate_v": 230.0, "nameplate_w": 300.0, "facts": {}, "series_lamp_w": None}
    basis = basis_for("linear-amplifier", **given, learnt=str(model))
    assert basis.narrowed == load_learnt(model).spans
    with_fact = basis_for("linear-amplifier", **given | {"facts": {"idle_w": 30.0}}, learnt=str(model))
    assert with_fact.narrowed["idle"][1] <= 0.13 + 1e-12
    with pytest.raises(ArchiveError, match=r"load_class = linear-amplifier, but this unit's is receiver"):
        basis_for("receiver", **given, learnt=str(model))
    with pytest.raises(ArchiveError, match=r"nameplate_w = 300.0[^\n]*\n[^\n]*series_lamp_w = None"):
        basis_for("linear-amplifier", **given | {"nameplate_w": 90.0, "series_lamp_w": 60.0}, learnt=str(model))
    with pytest.raises(FactError, match="--known-good and --learnt"):
        basis_for("linear-amplifier", **given, learnt=str(model), known_good=[str(GOOD)])


def test_a_learnt_band_that_facts_speak_against_is_refused(tmp_path: Path) -> None:
    out = tmp_path / "model.toml"
    assert main(["learn", str(another(tmp_path, "one")), "--out", str(out)]) == 0
    given: dict[str, Any] = {"nameplate_v": 230.0, "nameplate_w": 300.0, "series_lamp_w": None}
    with pytest.raises(ArchiveError, match="idle does not go with the facts"):
        basis_for("linear-amplifier", **given, facts={"idle_w": 10.0}, learnt=str(out))


def test_a_file_that_is_no_learnt_band_is_not_written_over(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    notes = tmp_path / "notes.toml"
    notes.write_text("mine = true\n", encoding="utf-8")
    assert main(["learn", str(GOOD), "--out", str(notes), "--json"]) == 2
    said = capsys.readouterr()
    assert "is no learnt band" in said.err
    assert json.loads(said.out)["outcome"] == "refused"
    assert notes.read_text(encoding="utf-8") == "mine = true\n"
    one = another(tmp_path, "one")
    assert main(["learn", str(one), "--out", str(tmp_path / "no" / "model.toml")]) == 2
    assert "cannot be written" in capsys.readouterr().err


def test_nothing_is_learnt_from_nothing() -> None:
    with pytest.raises(ArchiveError, match="nothing to learn from"):
        learn([])
    with pytest.raises(ArchiveError, match="cannot be read"):
        learn([Path("nowhere")])


def test_several_are_taken_by_run_demo_and_replay(model: Path) -> None:
    from rampguard.cli import parser

    several = ["--known-good", "a", "--known-good", "b=c"]
    for command in (["run", "--bench", "x"], ["demo"], ["replay", "x"]):
        assert parser().parse_args([*command, *several]).known_good == ["a", "b=c"]
        assert parser().parse_args([*command, "--learnt", str(model)]).learnt == str(model)
    order = RunOrder(bench="b", into="i", known_good=["a", "b=c"], learnt="m")
    assert RunOrder.from_message(order.as_message()) == order
