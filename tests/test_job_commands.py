"""`rampguard job`: begun, asked for, written down, shown, closed; and nothing in it about whose unit it is."""

from __future__ import annotations

import builtins
import datetime as dt
import json
import re
import shutil
import sys
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest

from rampguard.cli import main
from rampguard.job.missing import missing_of
from rampguard.job.model import parse_job, read_job
from rampguard.job.reading import captures_of
from rampguard.job_desk import commands
from rampguard.job_desk.asking import ask_for
from rampguard.job_desk.typed import day, mains, names, number, price, reading, result
from rampguard.job_desk.words import WIDTH
from test_job_model import JOB

CAPTURES = Path(__file__).resolve().parent.parent / "captures"
TODAY = dt.date(2026, 3, 9)
FLAGS = ["--title", "a radio", "--load-class", "receiver", "--nameplate-w", "60", "--mains", "230/50"]
SECRET = ("Quillon Vantabrae", "17 Larkspur Mews", "quillon@example.invalid")


@pytest.fixture(autouse=True)
def _on_a_day(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands, "_today", lambda: TODAY)


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(JOB, encoding="utf-8")
    return tmp_path


def answering(monkeypatch: pytest.MonkeyPatch, *answers: str) -> None:
    """Somebody sits at the terminal and types this."""
    left = iter(answers)

    def typed() -> str:
        answer = next(left, None)
        if answer is None:
            raise EOFError
        return answer

    monkeypatch.setattr(builtins, "input", typed)


# -- begun -------------------------------------------------------------------------------------------------------------


def test_a_job_is_begun_by_flags_alone_and_never_over_another(
    tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    where = str(tmp_path / "2026-015")
    assert main(["job", "new", where, *FLAGS, "--channels", "left,right", "--serial", "7"]) == 0
    job = read_job(tmp_path / "2026-015")
    assert (job.number, job.opened, job.unit.title, job.unit.serial) == ("2026-015", TODAY, "a radio", "7")
    assert (job.unit.channels, job.unit.mains_v, job.unit.mains_frequency_hz) == (("left", "right"), 230.0, 50.0)
    before = (tmp_path / "2026-015" / "job.toml").read_bytes()
    assert main(["job", "new", where, *FLAGS]) == 2
    assert "is there already" in capsys.readouterr().err
    assert (tmp_path / "2026-015" / "job.toml").read_bytes() == before


def test_without_a_terminal_every_flag_that_is_missing_is_named(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commands, "_at_a_terminal", lambda: False)
    assert main(["job", "new", str(tmp_path / "x"), "--title", "a radio"]) == 2
    said = capsys.readouterr().err
    assert all(flag in said for flag in ("--load-class", "--nameplate-w", "--mains"))
    assert "--title" not in said
    assert not (tmp_path / "x").exists()


def test_at_a_terminal_what_is_missing_is_asked_for(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr(commands, "_at_a_terminal", lambda: True)
    mains_ = ("230", "230/55", "230/50")
    answering(monkeypatch, "", "radio", "2", "60 W", "-60", "60", *mains_, "left, left", "left, right", "", "hums")
    assert main(["job", "new", str(tmp_path / "16"), "--title", "a radio"]) == 0
    said = capsys.readouterr().err
    assert "this one is needed" in said
    for text in ("'60 W' is not a number", "no such load class", "greater than 0", "50 or 60 Hz", "two have one name"):
        assert text in said
    job = read_job(tmp_path / "16")
    assert (job.unit.load_class, job.unit.nameplate_w, job.complaint) == ("receiver", 60.0, "hums")
    answering(monkeypatch, "receiver", "q")
    assert main(["job", "new", str(tmp_path / "17"), "--title", "a radio"]) == 2
    assert not (tmp_path / "17").exists()


# -- written down ------------------------------------------------------------------------------------------------------


def test_work_parts_checks_and_cautions_are_written_down(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    here = str(folder)
    assert main(["job", "log", here, "soaked", "--hours", "1.5"]) == 0
    assert capsys.readouterr().out == "5.25 h spent of 4 h quoted: 1.25 h MORE than quoted\n"
    assert main(["job", "part", here, "Q702", "transistor", "--with", "same", "--origin", "new", "--lot", "4"]) == 0
    assert main(["job", "check", here, "insulation", "passed", "--reads", "over 1000 Mohm", "--by", "tester"]) == 0
    assert main(["job", "check", here, "touch current", "not-made", "--limit", "no meter for it"]) == 0
    assert main(["job", "caution", here, "keep it dry"]) == 0
    job = read_job(folder)
    assert (job.work[-1].date, job.part[-1].lot, job.caution[0].text) == (TODAY, "4", "keep it dry")
    assert (job.check[1].reads, job.check[2].result) == ("over 1000 Mohm", "not made")


@pytest.mark.parametrize(
    ("line", "says"),
    [
        (["log", "{}", "soaked", "--hours", "25"], "[[work]] 3: hours"),
        (["log", "{}", "soaked", "--hours", "1", "--date", "2026-02-01"], "before the job was opened"),
        (["part", "{}", "Q1", " ", "--with", "a", "--origin", "b"], "[[part]] 2: what: is blank"),
        (["check", "{}", "touch", "not-made", "--reads", "1 mA"], "says not made, but has a value"),
        (["show", "{}/none"], "begin one: rampguard job new"),
    ],
)
def test_what_cannot_be_is_refused_and_the_file_stays(
    folder: Path, capsys: pytest.CaptureFixture[str], line: list[str], says: str
) -> None:
    assert main(["job", *(part.format(folder) for part in line)]) == 2
    assert says in capsys.readouterr().err
    assert (folder / "job.toml").read_text(encoding="utf-8") == JOB


@pytest.mark.parametrize("line", [["log", "x", "t", "--hours", "-1"], ["check", "x", "y", "good"], ["log", "x", "t"]])
def test_bad_usage_is_exit_2(line: list[str]) -> None:
    with pytest.raises(SystemExit) as left:
        main(["job", *line])
    assert left.value.code == 2


def test_what_is_typed_is_understood_or_refused() -> None:
    assert (number("2,5"), day("2026-03-04"), names(" a, b ,")) == (2.5, dt.date(2026, 3, 4), ("a", "b"))
    assert reading(">1000 Mohm") == {"value": 1000.0, "unit": "Mohm", "over_range": True}
    assert reading("0,08ohm") == {"value": 0.08, "unit": "ohm"}
    assert (price("240 eur"), mains("230/50")) == ({"price": 240.0, "currency": "EUR"}, (230.0, 50.0))
    assert [result(text) for text in ("p", "Failed", "n", "not-made")] == ["passed", "failed", "not made", "not made"]
    for understood, text in ((number, "x"), (reading, "ohm"), (reading, "3"), (price, "240"), (day, "4 March")):
        with pytest.raises(ValueError, match=r"type it|type number|type price"):
            understood(text)
    for understood, text in ((result, "ok"), (mains, "230")):
        with pytest.raises(ValueError, match="type "):
            understood(text)


def test_the_form_needs_a_terminal(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "fill", str(folder)]) == 2
    assert "rampguard job ask" in capsys.readouterr().err


# -- asked for ---------------------------------------------------------------------------------------------------------


def asked(folder: Path, *answers: str) -> list[str]:
    """What was said while these answers were given."""
    left: Iterator[str] = iter(answers)
    said: list[str] = []

    def ask(text: str) -> str:
        said.append(text)
        answer = next(left, None)
        if answer is None:
            raise EOFError
        return answer

    ask_for(folder, ask, said.append, TODAY)
    return said


def test_each_thing_that_is_missing_is_asked_for_and_written_at_once(folder: Path) -> None:
    (folder / "job.toml").write_text(JOB.split("[quoted]")[0].replace("dead, blows its fuse", ""), encoding="utf-8")
    serial, complaint, cause, quoted = ["7"], ["hums"], [""], ["4 h", "4", "240 EUR"]
    part = ["Q701", "", "transistor", "same", "new", "", "", ""]
    work, earth = ["", ""], ["p", "0.08 ohm", "0.2 ohm", "ohmmeter"]
    insulation = ["n", "no tester"]
    said = asked(folder, *serial, *complaint, *cause, *quoted, *part, work[0], *earth, *insulation)
    job = read_job(folder)
    assert (job.unit.serial, job.complaint, job.cause, job.work) == ("7", "hums", None, ())
    assert job.quoted is not None
    assert (job.quoted.hours, job.quoted.price, job.part[0].origin) == (4.0, 240.0, "new")
    assert [(one.what, one.result, one.reads) for one in job.check] == [
        ("earth continuity", "passed", "0.08 ohm"),
        ("insulation resistance", "not made", ""),
    ]
    assert any("'4 h' is not a number" in line for line in said)
    assert not any("what was found wrong?" in line for line in said)


def test_q_stops_and_an_answer_that_cannot_be_is_asked_for_again(folder: Path) -> None:
    (folder / "job.toml").write_text(JOB.split("[[work]]")[0], encoding="utf-8")
    said = asked(folder, "", "", "rebuilt", "30", "rebuilt", "3", "q")
    assert any("[[work]] 1: hours" in line for line in said)
    job = read_job(folder)
    assert ([one.hours for one in job.work], job.check) == ([3.0], ())


# -- shown and closed --------------------------------------------------------------------------------------------------


def missing_keys(folder: Path) -> list[str]:
    job = read_job(folder)
    return [one.key for one in missing_of(job, captures_of(folder, job))]


def test_the_page_says_everything_and_fits_80_columns(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    shutil.copytree(CAPTURES, folder / "captures")
    assert main(["job", "log", str(folder), "soaked " * 30, "--hours", "1"]) == 0
    (folder / "job.toml.part").write_text("format = ", encoding="utf-8")
    capsys.readouterr()
    assert main(["job", "show", str(folder)]) == 0
    page = capsys.readouterr().out
    for text in (
        "2026-014: shelf amplifier, 2 x 60 W",
        "cause: not written down yet",
        "4.75 h spent of 4 h quoted: 0.75 h MORE than quoted",
        "passed    earth continuity: 0.08 ohm (limit 0.2 ohm at most",
        "captures/healthy-amplifier: after-repair (worked out); passed",
        "tripped, at 4.49 V",
        "job.toml.part: a write was cut short here",
        "MISSING before hand-back",
        "- touch current: make it as local codes ask",
    ):
        assert text in page, text
    assert max(map(len, page.splitlines())) <= WIDTH
    assert main(["job", "caution", str(folder), "keep it dry"]) == 0
    assert "job.toml.part: a write was cut short here" in capsys.readouterr().err


def test_json_is_one_object_and_says_the_same(folder: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["job", "show", str(folder), "--json"]) == 0
    [line] = capsys.readouterr().out.splitlines()
    told: dict[str, Any] = json.loads(line)
    assert (told["format"], told["outcome"], told["status"]) == (1, "missing", "open")
    assert told["hours"] == {"spent": 3.75, "quoted": 4.0}
    assert [one["key"] for one in told["missing"]] == missing_keys(folder)
    (folder / "job.toml").write_text("format = 2", encoding="utf-8")
    assert main(["job", "show", str(folder), "--json"]) == 2
    [line] = capsys.readouterr().out.splitlines()
    assert json.loads(line)["outcome"] == "refused"


def test_a_check_that_failed_is_in_the_way_until_it_was_made_again(folder: Path) -> None:
    here = str(folder)
    assert main(["job", "check", here, "touch current", "failed", "--reads", "0.9 mA"]) == 0
    assert "failed" in missing_keys(folder)
    assert "check touch current" not in missing_keys(folder)
    assert main(["job", "check", here, "Touch current", "passed", "--reads", "0.1 mA"]) == 0
    assert "failed" not in missing_keys(folder)


def test_a_power_up_after_the_repair_must_have_passed_whole_and_be_the_last(folder: Path) -> None:
    assert "run" in missing_keys(folder)
    shutil.copytree(CAPTURES / "healthy-amplifier", folder / "captures" / "a")
    assert "run" not in missing_keys(folder)
    shutil.copytree(CAPTURES / "shorted-output", folder / "captures" / "b")
    assert "run" in missing_keys(folder)  # it came after the one that passed
    shutil.rmtree(folder / "captures" / "b")
    with (folder / "captures" / "a" / "readings.csv").open("a", encoding="utf-8") as file:
        file.write("1\n")
    assert {"seal", "run"} <= set(missing_keys(folder))


def test_a_job_is_closed_when_nothing_is_missing_or_all_the_same(
    folder: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    here = str(folder)
    assert main(["job", "close", here]) == 2
    said = capsys.readouterr().err
    assert "missing: cause: write down why it failed" in said
    assert "--unfinished" in said
    assert read_job(folder).status == "open"
    assert main(["job", "close", here, "--unfinished"]) == 0
    assert read_job(folder).closed == TODAY
    assert main(["job", "close", here, "--unfinished"]) == 2


def test_a_whole_job_is_closed(folder: Path) -> None:
    here = str(folder)
    (folder / "job.toml").write_text(f'cause = "age"\n{JOB}', encoding="utf-8")
    shutil.copytree(CAPTURES / "healthy-amplifier", folder / "captures" / "a")
    for what in ("insulation", "touch current"):
        assert main(["job", "check", here, what, "not-made"]) == 0
    assert missing_keys(folder) == []
    assert main(["job", "close", here]) == 0
    assert parse_job((folder / "job.toml").read_text(encoding="utf-8"), "x").status == "closed"


# -- whose unit it is --------------------------------------------------------------------------------------------------


def test_nothing_private_is_read_shown_or_asked_for(
    folder: Path, capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    name, address, contact = SECRET
    text = f'format = 1\nname = "{name}"\naddress = "{address}"\ncontact = "{contact}"\n'
    (folder / "private.toml").write_text(text, encoding="utf-8")
    opened: list[str] = []
    watching = True

    def hear(event: str, args: tuple[Any, ...]) -> None:
        if watching and event == "open":
            opened.append(str(args[0]))

    sys.addaudithook(hear)  # stays for good
    for line in (["show", str(folder)], ["show", str(folder), "--json"], ["log", str(folder), "a", "--hours", "1"]):
        assert main(["job", *line]) == 0
    answering(monkeypatch)
    assert main(["job", "ask", str(folder)]) == 0
    assert main(["job", "close", str(folder), "--unfinished"]) == 0
    watching = False
    told = capsys.readouterr()
    assert any("job.toml" in path for path in opened)
    assert not any("private.toml" in path for path in opened)
    written = "".join(path.read_text(encoding="utf-8") for path in folder.glob("job.toml*"))
    assert not any(word in said for word in SECRET for said in (told.out, told.err, written))


def test_only_one_module_opens_it_and_only_what_hands_back_may_ask_it_to() -> None:
    source = Path(commands.__file__).resolve().parents[1]
    speaks = {
        path.relative_to(source).as_posix()
        for path in source.rglob("*.py")
        if re.search(r"read_private|PRIVATE_NAME|job\.private\b", path.read_text(encoding="utf-8"))
    }
    # An index of jobs knows the file's name, by which a folder that has lost its job.toml is told; it never opens it.
    assert {path for path in speaks if not path.startswith("handback/")} == {"job/private.py", "jobs/looking.py"}
    assert "read_private" not in (source / "jobs" / "looking.py").read_text(encoding="utf-8")
