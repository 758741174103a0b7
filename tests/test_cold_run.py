"""`rampguard cold`, its questions, and what a cold sheet answers of the pre-power checks of a run."""

from __future__ import annotations

import json
import subprocess
import sys
import tomllib
from collections.abc import Callable, Iterator
from pathlib import Path

import pytest

from cold_help import POINTS, sheet, sheet_text
from live_help import RAMPGUARD, ServedBench, plan_toml, served_bench
from rampguard.cli import main
from rampguard.cold.gate import answered_by, gate_of, load_gate
from rampguard.cold.sheet import ColdSheetError, load_cold_sheet
from rampguard.cold.writing import with_value, write_value
from rampguard.cold_checks.asking import ask_for
from rampguard.cold_checks.questions import questions
from rampguard.engine.link import RunOrder
from rampguard.engine.setup import Prepared, Refused, prepare
from rampguard.guard.permissives import Standing, blocking
from rampguard.guard.watched import PERSONS
from rampguard.pre_power import confirm_checks
from rampguard.screen.shown import asked_checks
from test_sheet_refused import BENCH


@pytest.fixture(scope="module")
def bench(tmp_path_factory: pytest.TempPathFactory) -> Iterator[ServedBench]:
    with served_bench(tmp_path_factory.mktemp("bench")) as served:
        yield served


ROOT = Path(__file__).resolve().parent.parent
TWO = ("left", "right")
SHORT = {"left": {"ce": {"reads_v": 0.002, "reversed_v": 0.001}}}
MAINS = {
    "mains_v": 230.0,
    "nameplate_w": 300.0,
    "earth_continuity_ohm": 0.08,
    "insulation_mohm": 200.0,
    "insulation_test_v": 500.0,
    "fuse_a": 3.15,
    "fuse_marked_a": 3.15,
    "winding_ohm": 4.0,
}

# -- the command -------------------------------------------------------------------------------------------------------


def _written(folder: Path, text: str, name: str = "unit-cold.toml") -> Path:
    path = folder / name
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.parametrize(
    ("text", "code", "outcome"),
    [
        (sheet_text(TWO), 0, "good"),
        (sheet_text(TWO, mains=MAINS), 0, "good"),
        (sheet_text(TWO, SHORT), 2, "wrong"),
        (sheet_text(TWO, {"left": {"re": None}}), 2, "not-evaluated"),
        (sheet_text(TWO, mains={**MAINS, "earth_continuity_ohm": 3.0}), 2, "wrong"),
        ("format = 3", 2, "unreadable"),
    ],
)
def test_json_is_one_object_and_the_exit_code_says_the_same(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], text: str, code: int, outcome: str
) -> None:
    assert main(["cold", str(_written(tmp_path, text)), "--json"]) == code
    [line] = capsys.readouterr().out.splitlines()
    told = json.loads(line)
    assert (told["format"], told["outcome"]) == (1, outcome)
    if outcome == "good":
        [first] = [one for one in told["findings"] if (one["channel"], one["point"]) == ("left", "be")]
        assert first["readings"] == {"reads_v": 0.55, "reversed_v": "open"}


def test_it_fits_a_terminal_and_tells_the_worst_first(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    changed = {**SHORT, "right": {"fr": {"reads_ohm": 14.0}, "be": None}}
    assert main(["cold", str(_written(tmp_path, sheet_text(TWO, changed, mains=MAINS)))]) == 2
    out = capsys.readouterr().out
    assert all(len(line) < 80 for line in out.splitlines())
    assert out.startswith("a test: 2 wrong, 1 not evaluated, 11 good\n")
    assert out.index("left, ce") < out.index("right, fr") < out.index("? right: be") < out.index("\ngood")
    assert "--facts winding_ohm=4" in out
    assert "Good cold is not proven good" in out


def test_a_file_that_is_not_there_says_so(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["cold", str(tmp_path / "none.toml")]) == 2
    assert "cannot be read (No such file or directory); check the path" in capsys.readouterr().err


def test_a_fresh_sheet_is_written_once(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    path = tmp_path / "fresh.toml"
    assert main(["cold", str(path), "--new", "--channels", "left, right,centre"]) == 0
    assert load_cold_sheet(path).channels == ("left", "right", "centre")
    before = path.read_bytes()
    assert main(["cold", str(path), "--new"]) == 2
    assert path.read_bytes() == before
    assert main(["cold", str(tmp_path / "bad.toml"), "--new", "--channels", "Left"]) == 2
    assert not (tmp_path / "bad.toml").exists()
    assert "'Left': a channel or point is named in lower-case" in capsys.readouterr().err


# -- questions ---------------------------------------------------------------------------------------------------------


def answers(*said: str) -> Callable[[str], str]:
    left = list(said)

    def ask(_: str) -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    return ask


def test_answers_are_in_the_file_at_once_and_comments_stay(tmp_path: Path) -> None:
    text = "# mine\n" + sheet_text(TWO, {name: dict.fromkeys(POINTS) for name in TWO}) + "\n# the end\n"
    path = _written(tmp_path, text)
    seen: list[float | None] = []

    def ask(_: str) -> str:
        seen.append(load_cold_sheet(path).taken("left", "be").reads_v)
        return {0: "0,55", 1: "OL"}.get(len(seen) - 1, "q")

    ask_for(path, ask, lambda _: None)
    assert seen == [None, 0.55, 0.55]
    read = load_cold_sheet(path)
    assert read.values("be") == {"left": 0.55}
    assert read.values("be", swapped=True) == {"left": float("inf")}
    kept = path.read_text(encoding="utf-8")
    assert kept.startswith("# mine\n")
    assert kept.endswith("# the end\n")
    assert not list(tmp_path.glob("*.part"))


def test_what_is_typed_wrong_is_asked_again_and_what_is_skipped_is_not(tmp_path: Path) -> None:
    path = _written(tmp_path, sheet_text(TWO, {"left": {"fr": None, "out": None}, "right": {"fr": None}}))
    said: list[str] = []
    ask_for(path, answers("ten", "-3", "10.1", "", "2.2k"), said.append)
    read = load_cold_sheet(path)
    assert read.values("fr") == {"left": 10.1}
    assert read.values("out") == {"left": 2200.0, "right": 12_000.0}
    assert any("type a number, or open" in line for line in said)
    assert any("below zero: something is still charged" in line for line in said)
    assert any("left and right, out: differs" in line.replace(" (speaker output to ground)", "") for line in said)


def test_questions_go_point_by_point_over_the_channels_then_the_mains() -> None:
    empty = sheet(TWO, {name: dict.fromkeys(POINTS) for name in TWO}, mains={"protective_earth": False})
    asked = list(questions(empty))
    assert [one.where[1:] for one in asked[:4]] == [
        *(("left", "be", "reads_v"), ("left", "be", "reversed_v")),
        *(("right", "be", "reads_v"), ("right", "be", "reversed_v")),
    ]
    of_mains = [one.where[1] for one in asked if one.where[0] == "mains"]
    assert "insulation_mohm" in of_mains
    assert "earth_continuity_ohm" not in of_mains  # there is no protective earth
    assert list(questions(sheet(TWO))) == []


def test_mains_values_that_cannot_be_are_not_written(tmp_path: Path) -> None:
    path = _written(tmp_path, sheet_text(TWO, mains={}))
    said: list[str] = []
    ask_for(path, answers("23", "230", "300", "", "0.08", "", "open", "500", "3.15", "slow", "t"), said.append)
    mains = load_cold_sheet(path).mains
    assert mains is not None
    assert (mains.mains_v, mains.nameplate_w, mains.selector_v, mains.fuse_type) == (230.0, 300.0, None, "T")
    assert mains.insulation_mohm == float("inf")
    assert sum("mains.mains_v" in line for line in said) == 1
    assert sum("mains.fuse_type" in line for line in said) == 1


def test_a_sheet_that_would_not_be_one_is_left_as_it_was(tmp_path: Path) -> None:
    path = _written(tmp_path, sheet_text(TWO))
    before = path.read_bytes()
    with pytest.raises(ColdSheetError):
        write_value(path, ("readings", "left", "fr", "reads_v"), 1.0)
    assert path.read_bytes() == before
    assert tomllib.loads(with_value("a = 1 # one\n", ("b", "c"), 2.0)) == {"a": 1, "b": {"c": 2.0}}


def test_asked_at_a_terminal_it_ends_with_the_judgement(tmp_path: Path) -> None:
    path = _written(tmp_path, sheet_text(TWO, {"left": {"fr": None}}))
    done = subprocess.run(
        [*RAMPGUARD, "cold", str(path), "--ask", "--json"], input="10.1\n", capture_output=True, text=True, timeout=60
    )
    assert (done.returncode, json.loads(done.stdout)["outcome"]) == (0, "good")
    assert done.stderr.startswith("The unit is UNPLUGGED")
    assert "left, fr: fuse resistor [ohm]: " in done.stderr


# -- before power ------------------------------------------------------------------------------------------------------


def test_a_good_sheet_answers_its_checks() -> None:
    gate = gate_of(sheet(TWO, mains=MAINS), "s.toml")
    assert gate.answered() == {"cold-checks", "earth-continuity", "insulation"}
    assert gate.in_the_way() == []
    assert gate.facts == {"winding_ohm": 4.0}
    assert "10 points, all good" in gate.answers["cold-checks"].said


def test_without_a_mains_side_earth_and_insulation_are_a_persons() -> None:
    assert gate_of(sheet(TWO), "s.toml").answered() == {"cold-checks"}


def test_what_was_not_measured_has_not_passed() -> None:
    gate = gate_of(sheet(TWO, {"left": {"re": None}}), "s.toml")
    assert gate.answers["cold-checks"].standing is Standing.NOT_EVALUATED
    [line] = gate.in_the_way()
    assert "not measured: left, re" in line
    assert gate_of(sheet(TWO, points={}, readings={}), "s").answers["cold-checks"].standing is Standing.NOT_EVALUATED


def test_a_selector_that_is_wrong_is_nobodys_to_override() -> None:
    gate = gate_of(sheet(TWO, mains={**MAINS, "selector_v": 115.0}), "s.toml")
    assert gate.answers["selector"].standing is Standing.FAILS
    right = gate_of(sheet(TWO, mains={**MAINS, "selector_v": 230.0}), "s.toml")
    assert "selector" not in right.answers  # a person still looks at switch and fuse


def test_a_sheet_of_other_mains_is_refused(tmp_path: Path) -> None:
    path = _written(tmp_path, sheet_text(TWO, mains=MAINS))
    with pytest.raises(ColdSheetError, match="mains_v = 230, but the bench's mains are 120 V"):
        load_gate(path, 120.0)


def _prepared(folder: Path, text: str | None, overrides: dict[str, str] | None = None, **order: object) -> Prepared:
    bench = BENCH.format(
        load_class="linear-amplifier", nameplate_w=300.0, range_v=1.0, cut_off='["contactor"]', more=""
    )
    path = _written(folder, bench, "bench.toml")
    cold = None if text is None else str(_written(folder, text))
    given = {"permissives_confirmed": "by flag", **order}
    return prepare(RunOrder(bench=str(path), into=str(folder), cold_sheet=cold, overrides=overrides, **given))  # type: ignore[arg-type]


def test_without_a_sheet_it_says_so_and_does_not_stand_in_the_way(tmp_path: Path) -> None:
    prepared = _prepared(tmp_path, None)
    stands = prepared.by_a_person["cold-checks"]
    assert (stands.standing, stands.said) == (Standing.HOLDS, "by flag; no cold sheet")
    assert prepared.cold is None


def test_a_good_sheet_narrows_the_band_and_facts_of_the_order_go_first(tmp_path: Path) -> None:
    without, measured = _prepared(tmp_path, None), _prepared(tmp_path, sheet_text(TWO, mains=MAINS))
    given = _prepared(tmp_path, sheet_text(TWO, mains=MAINS), facts={"winding_ohm": 4.0})
    wide, narrow = without.basis.ranges()["source_ohm"], measured.basis.ranges()["source_ohm"]
    assert narrow.high - narrow.low < wide.high - wide.low
    assert given.basis.narrowed == measured.basis.narrowed
    assert measured.by_a_person["earth-continuity"].said.startswith("unit-cold.toml: 0.08 ohm")
    assert blocking([row.key for row in PERSONS], measured.by_a_person) == ()


@pytest.mark.parametrize(
    ("text", "overrides", "says"),
    [
        (sheet_text(TWO, SHORT), {}, "cold-checks: left, ce .*: shorted; reads 0.002 V"),
        (sheet_text(TWO, {"left": {"re": None}}), {}, "not measured: left, re"),
        (sheet_text(TWO, mains={**MAINS, "earth_continuity_ohm": 2.0}), {}, "earth-continuity: .*2 ohm"),
        (sheet_text(TWO, mains={**MAINS, "insulation_mohm": 0.2}), {}, "insulation: .*0.2 Mohm"),
        (sheet_text(TWO, mains={**MAINS, "fuse_a": 10.0}), {}, "cold-checks: fuse: wrong"),
        (sheet_text(TWO, mains={**MAINS, "winding_ohm": "open"}), {}, "cold-checks: primary-winding: wrong"),
        (sheet_text(TWO, mains={**MAINS, "winding_ohm": 300.0}), {}, "winding_ohm = 300 cannot be of a linear-amp"),
        (sheet_text(TWO, mains={**MAINS, "selector_v": 115.0}), {"selector": "in a hurry"}, "nobody may override"),
        (sheet_text(TWO, mains={**MAINS, "earth_continuity_ohm": 2.0}), {"insulation": "x"}, "earth-continuity"),
        ("format = 9", {}, "unit-cold.toml: format"),
    ],
)
def test_a_bad_sheet_refuses_before_the_bench_is_touched(
    tmp_path: Path, text: str, overrides: dict[str, str], says: str
) -> None:
    with pytest.raises(Refused, match=says):
        _prepared(tmp_path, text, overrides)


@pytest.mark.parametrize("confirmed", ["", "by flag"])
def test_a_persons_word_does_not_undo_a_short(tmp_path: Path, confirmed: str) -> None:
    with pytest.raises(Refused, match="speaks against power"):
        _prepared(tmp_path, sheet_text(TWO, SHORT), permissives_confirmed=confirmed)


def test_an_override_with_a_reason_lets_it_through_and_is_kept(tmp_path: Path) -> None:
    prepared = _prepared(tmp_path, sheet_text(TWO, SHORT), {"cold-checks": "a zobel test"})
    stands = prepared.by_a_person["cold-checks"]
    assert (stands.standing, stands.said) == (Standing.OVERRIDDEN, "a zobel test")
    assert prepared.cold is not None
    assert any("left, ce" in line for line in prepared.cold.for_the_record())


def test_what_a_sheet_answers_nobody_is_asked(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    good = _written(tmp_path, sheet_text(TWO, mains=MAINS))
    answered = answered_by(good, ())
    assert answered is not None
    assert len(asked_checks({}, answered)) == len(PERSONS) - 3
    monkeypatch.setattr(sys, "stdin", _Terminal(["y\n"] * (len(PERSONS) - 3)))
    assert confirm_checks({}, answered) == "at the terminal"
    bad = _written(tmp_path, sheet_text(TWO, SHORT))
    assert answered_by(bad, ()) is None
    assert answered_by(bad, {"cold-checks": "because"}) == frozenset()
    assert answered_by(_written(tmp_path, "no"), ()) is None
    assert answered_by(None, ()) == frozenset()


class _Terminal:
    def __init__(self, lines: list[str]) -> None:
        self._lines = lines

    def isatty(self) -> bool:
        return True

    def readline(self) -> str:
        return self._lines.pop(0) if self._lines else ""


def test_a_run_is_refused_by_a_short_and_recorded_where_it_is_overridden(tmp_path: Path, bench: ServedBench) -> None:
    bad = _written(tmp_path, sheet_text(TWO, SHORT))
    plan = _written(tmp_path, plan_toml((10.0, 10.0, 0.5, 9.0)), "plan.toml")
    command = [*RAMPGUARD, "run", "--bench", str(bench.bench_file), "--plan", str(plan), "--no-screen", "--json"]
    command += ["--into", str(tmp_path / "captures"), "--cold-sheet", str(bad)]
    # Not at a terminal, and refused all the same before any check is asked for.
    refused = subprocess.run(command, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert refused.returncode == 2
    assert "left, ce" in json.loads(refused.stdout)["reason"]
    assert not (tmp_path / "captures").exists()
    overriding = [*command, "--permissives-confirmed", "--override", "cold-checks=a trial"]
    done = subprocess.run(overriding, stdin=subprocess.DEVNULL, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr
    kept = (Path(json.loads(done.stdout)["capture"]) / "events.csv").read_text(encoding="utf-8").splitlines()
    assert any("override" in line and "cold-checks: a trial" in line for line in kept)
    assert any("cold-sheet" in line and "left, ce" in line for line in kept)


def test_some_drawn_sheets() -> None:
    """The benchmark in small: `benchmarks/cold_sheets.py` has the figures; here only what must not be."""
    sys.path.insert(0, str(ROOT / "benchmarks"))
    from cold_sheets import FAULTS, drawn, table, totals, tried

    counted = totals(table(48, 5, "here"))
    assert counted["with a fault"]["sheets"] == counted["none"]["sheets"] == 48
    assert counted["none"]["something called"] <= 2
    assert counted["with a fault"]["channel and point named"] >= 38
    for fault in FAULTS:
        assert drawn(3, 5, fault, "handheld") == drawn(3, 5, fault, "handheld")  # the seed is all there is to it
    for seed in range(10):
        assert tried(drawn(seed, 7, "short", "handheld"))["channel and point named"]
