"""What a job answers of a run, what it must not say otherwise, and how the run comes into it."""

from __future__ import annotations

import json
import shutil
from pathlib import Path

import pytest

from live_help import run_demo
from rampguard.cli import main
from rampguard.engine.link import RunOrder
from rampguard.engine.setup import Prepared, Refused, prepare
from rampguard.hunt.hunting import HuntRefused, mains_of
from rampguard.job.keeping import keep_capture
from rampguard.job.model import read_job
from test_job_model import JOB
from test_sheet_refused import BENCH

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
UNIT = '[unit]\nload_class = "{load_class}"\nnameplate_w = {nameplate_w}\n{more}\n'
INTAKE = JOB.split("[[part]]")[0]


def bench(folder: Path, unit: str = "") -> str:
    assert UNIT in BENCH
    text = BENCH.replace(UNIT, "").format(range_v=1.0, cut_off='["contactor"]')
    path = folder / "bench.toml"
    path.write_text(text + unit, encoding="utf-8")
    return str(path)


def ordered(folder: Path, bench_unit: str = "", job: str | None = INTAKE, **more: object) -> RunOrder:
    where = folder / "job"
    where.mkdir(exist_ok=True)
    if job is not None:
        (where / "job.toml").write_text(job, encoding="utf-8")
    order = RunOrder(bench=bench(folder, bench_unit), into="captures", job=str(where), permissives_confirmed="by flag")
    return RunOrder(**{**order.as_message()["order"], **more})


def prepared(folder: Path, *given: str | None, **more: object) -> Prepared:
    return prepare(ordered(folder, *given, **more))  # type: ignore[arg-type]


# -- what the unit is --------------------------------------------------------------------------------------------------


def test_the_job_answers_what_the_bench_file_does_not(tmp_path: Path) -> None:
    found = prepared(tmp_path, "", INTAKE.replace("mains_v = 230.0", "mains_v = 230.0\nnameplate_v = 240.0"))
    assert (found.load_class.name, found.nameplate_w, found.nameplate_v) == ("linear-amplifier", 300.0, 240.0)
    assert found.unit_name == "shelf amplifier, 2 x 60 W"


def test_the_command_line_goes_before_the_job_and_the_job_before_the_bench_file(tmp_path: Path) -> None:
    other = '[unit]\nname = "something"\nload_class = "heater"\nnameplate_w = 40.0\n'
    found = prepared(tmp_path, other, load_class="receiver", nameplate_w=200.0)
    assert (found.load_class.name, found.nameplate_w) == ("receiver", 200.0)
    assert found.unit_name == "shelf amplifier, 2 x 60 W"


def test_what_job_and_bench_file_say_otherwise_is_refused_with_a_line_each(tmp_path: Path) -> None:
    other = '[unit]\nload_class = "heater"\nnameplate_w = 40.0\nnameplate_v = 120.0\n'
    job = INTAKE.replace("mains_v = 230.0", "mains_v = 120.0\nnameplate_v = 230.0").replace("hz = 50", "hz = 60")
    with pytest.raises(Refused) as refused:
        prepared(tmp_path, other, job)
    lines = str(refused.value).splitlines()
    assert len(lines) == 5
    for key in ("load_class", "nameplate_w", "nameplate_v", "mains_v", "mains_frequency_hz"):
        assert sum(f"unit.{key} = " in line for line in lines) == 1
    assert 'load_class = "linear-amplifier", but the bench file says "heater"; correct one of them' in lines[0]


def test_220_and_230_volts_are_the_same_mains(tmp_path: Path) -> None:
    prepared(tmp_path, "", INTAKE.replace("mains_v = 230.0", "mains_v = 220.0"))


def test_a_folder_without_a_job_is_a_folder_only(tmp_path: Path) -> None:
    unit = '[unit]\nload_class = "heater"\nnameplate_w = 40.0\n'
    assert prepared(tmp_path, unit, None).load_class.name == "heater"
    with pytest.raises(Refused, match="what kind of unit"):
        prepared(tmp_path, "", None)


def test_a_job_that_cannot_be_used_is_refused_before_anybody_is_asked(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    order = ordered(tmp_path, "", INTAKE.replace("nameplate_w = 300", 'nameplate_w = "300 W"'))
    with pytest.raises(Refused, match=r"unit\.nameplate_w"):
        prepare(order)
    with pytest.raises(HuntRefused, match=r"unit\.nameplate_w"):
        mains_of(order)
    commands = (["run"], ["hunt", "--sections", "none.toml"])
    for command in (*commands, ["demo", "--unit", "shorted-output", "--no-screen"]):
        at = [] if command[0] == "demo" else ["--bench", order.bench]
        assert main([*command, *at, "--job", str(tmp_path / "job"), "--json"]) == 2
        told = capsys.readouterr()
        assert json.loads(told.out)["outcome"] == "refused"
        assert "unit.nameplate_w" in told.err
    assert not (tmp_path / "job" / "captures").exists()


def test_a_hunt_knows_the_load_class_by_the_job(tmp_path: Path) -> None:
    order = ordered(tmp_path, "", INTAKE.replace("linear-amplifier", "switch-mode"))
    with pytest.raises(HuntRefused, match="switch-mode is not hunted"):
        mains_of(order)


def test_a_unit_sheet_that_is_not_there_is_refused(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    job = INTAKE.replace("mains_v = 230.0", 'mains_v = 230.0\nunit_sheet = "sheets/unit.toml"')
    order = ordered(tmp_path, "", job)
    assert main(["run", "--bench", order.bench, "--job", str(tmp_path / "job")]) == 2
    assert "unit.unit_sheet" in capsys.readouterr().err


# -- how a run comes into it -------------------------------------------------------------------------------------------


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    shutil.copytree(CAPTURES, tmp_path / "captures")
    (tmp_path / "job.toml").write_text(f"# kept\n{INTAKE}", encoding="utf-8")
    return tmp_path


def test_a_capture_is_entered_with_the_role_that_follows(folder: Path) -> None:
    said = keep_capture(folder, folder / "captures" / "shorted-output")
    assert "entered as as-found" in said
    with (folder / "job.toml").open("a", encoding="utf-8") as file:
        file.write(JOB[JOB.index("[[part]]") : JOB.index("[[work]]")])
    keep_capture(folder, folder / "captures" / "healthy-amplifier")
    first, second = read_job(folder).capture
    assert (first.folder, first.role, first.note) == ("captures/shorted-output", "as-found", "tripped at 4.49 V")
    assert (second.role, second.note) == ("after-repair", "passed, up to 230 V")
    assert (folder / "job.toml").read_text(encoding="utf-8").startswith("# kept\n")


def test_a_run_of_a_hunt_is_one_of_a_hunt(folder: Path) -> None:
    keep_capture(folder, folder / "captures" / "shorted-output", hunting=True)
    assert read_job(folder).capture[0].role == "hunt"


def test_a_capture_elsewhere_or_a_folder_without_a_job_gets_no_entry(folder: Path, tmp_path: Path) -> None:
    assert "lies outside the job folder" in keep_capture(folder, CAPTURES / "shorted-output")
    assert read_job(folder).capture == ()
    (folder / "job.toml").unlink()
    assert keep_capture(folder, folder / "captures" / "shorted-output") == ""


def test_a_demo_with_a_job_from_end_to_end(tmp_path: Path) -> None:
    """As found: it trips; its capture is called by the job's title and stands in job.toml."""
    job = tmp_path / "job"
    job.mkdir()
    (job / "job.toml").write_text(f"# kept\n{INTAKE}", encoding="utf-8")
    code, summary, story = run_demo(job / "captures", "shorted-output", 1, "1000", "--job", str(job))
    assert code == 3, story
    [entry] = read_job(job).capture
    assert (job / entry.folder).resolve() == Path(summary["capture"]).resolve()
    assert entry.role == "as-found"
    described = json.loads((job / entry.folder / "datapackage.json").read_text(encoding="utf-8"))
    assert described["unit"] == "shelf amplifier, 2 x 60 W"
    assert (job / "job.toml").read_text(encoding="utf-8").startswith("# kept\n")
