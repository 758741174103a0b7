"""Whole, cut short, changed: each told from the others, wherever a record is cut and whatever of it is changed."""

from __future__ import annotations

import hashlib
import json
import shutil
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from archive_help import captured, create, cut_short, row
from cut_help import Rebuilt, changed, steps_of, wrong_with_a_cut
from live_help import RAMPGUARD
from rampguard.archive.found import look
from rampguard.archive.seal import seal_text
from rampguard.archive.verdict import Kind, State, Verdict, verdict
from rampguard.cli import main

ROOT = Path(__file__).resolve().parent.parent
TRIPPED = ROOT / "captures" / "shorted-output"
SEALED = sorted(path.name for path in TRIPPED.iterdir() if path.name != "ramp.png")


def judged(folder: Path, on_paper: str = "") -> Verdict:
    return verdict(look(folder), on_paper)


def kinds(folder: Path, on_paper: str = "") -> list[tuple[str, str]]:
    return [(problem.file, problem.kind) for problem in judged(folder, on_paper).problems]


@pytest.fixture(scope="module")
def sealed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    folder = tmp_path_factory.mktemp("sealed") / "capture"
    shutil.copytree(TRIPPED, folder)
    return folder


@pytest.fixture
def fresh(tmp_path: Path) -> Path:
    """One by the writer as it is now, with the number of lines in its descriptor."""
    return captured(tmp_path, [row(number) for number in range(8)])


@pytest.mark.parametrize("name", ["healthy-amplifier", "shorted-output"])
def test_the_examples_are_whole(name: str) -> None:
    assert judged(ROOT / "captures" / name) == Verdict(State.WHOLE, "")


def test_a_record_cut_at_every_write_and_inside_writes_is_cut_short_and_loses_nothing(tmp_path: Path) -> None:
    steps, rows, made = steps_of(TRIPPED, tmp_path / "made", 0, 7)
    built = Rebuilt(tmp_path / "cut")
    cuts = 0
    for step in steps:
        assert wrong_with_a_cut(built, rows) == ""
        if step.act == "append":
            for length in {*range(1, len(step.data), 41), len(step.data) - 1} - {0, -1}:
                with built.torn(step, length):
                    assert wrong_with_a_cut(built, rows) == "", (step, length)
                cuts += 1
        built.take(step)
    assert cuts > 200
    assert judged(built.folder) == Verdict(State.WHOLE, "")
    assert {path.name: path.read_bytes() for path in built.folder.iterdir()} == {
        path.name: path.read_bytes() for path in made.iterdir()
    }


def test_what_a_cut_leaves_is_told(tmp_path: Path) -> None:
    folder = cut_short(captured(tmp_path, [row(number) for number in range(8)]))
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes()[:-9])
    found = look(folder)
    assert (found.rows.count, found.rows.until_s) == (7, 0.6)
    assert found.files["readings.csv"].since_line_end > 0


@settings(max_examples=150, deadline=None)
@given(data=st.data())
def test_any_change_of_one_byte_of_a_sealed_record_is_called_changed(sealed: Path, data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(SEALED))
    was = (sealed / name).read_bytes()
    at = data.draw(st.integers(0, len(was) - 1))
    by = data.draw(st.integers(1, 255))
    other = bytes([was[at] ^ by])
    for content in (was[:at] + other + was[at + 1 :], was[:at] + was[at + 1 :], was[:at] + other + was[at:]):
        assert changed(sealed, name, content) == State.CHANGED


@settings(max_examples=60, deadline=None)
@given(data=st.data())
def test_lines_swapped_deleted_or_repeated_are_called_changed(sealed: Path, data: st.DataObject) -> None:
    name = data.draw(st.sampled_from(SEALED))
    lines = (sealed / name).read_bytes().splitlines(keepends=True)
    first, second = (data.draw(st.integers(0, len(lines) - 1)) for _ in range(2))
    swapped = list(lines)
    swapped[first], swapped[second] = swapped[second], swapped[first]
    deleted, repeated = lines[:first] + lines[first + 1 :], [*lines[: first + 1], *lines[first:]]
    for some in (swapped, deleted, repeated):
        if some != lines:
            assert changed(sealed, name, b"".join(some)) == State.CHANGED


@pytest.mark.parametrize("name", SEALED)
def test_a_file_that_is_gone_empty_or_another_is_called_changed(sealed: Path, name: str) -> None:
    for content in (None, b"", (sealed / "plan.toml").read_bytes() + b" "):
        assert changed(sealed, name, content) == State.CHANGED


def test_each_kind_of_change_is_named(fresh: Path) -> None:
    readings, seal = fresh / "readings.csv", fresh / "seal.sha256"
    was = readings.read_bytes()

    def told(data: bytes, of: Path = readings) -> tuple[str, str]:
        before = of.read_bytes()
        of.write_bytes(data)
        [problem] = judged(fresh).problems
        of.write_bytes(before)
        return problem.kind, problem.text

    last = was.splitlines(keepends=True)[-1]
    assert told(was + last) == (Kind.ADDED_TO, f"all that was sealed, and {len(last)} bytes after it, 1 row more")
    assert told(was[: -len(last)]) == (
        Kind.SHORTENED,
        f"{len(last)} bytes fewer than were sealed, 1 row fewer",
    )
    assert told(was.replace(b"live", b"dead", 1)) == (Kind.EDITED, "edited; as long as it was, no row more")
    assert told(was.replace(b"live", b"alive", 1)) == (
        Kind.EDITED,
        "edited; 1 bytes more than were sealed, no row more",
    )
    sealed = seal.read_bytes()
    digit = sealed.index(hashlib.sha256(was).hexdigest().encode())
    other = sealed[:digit] + (b"0" if sealed[digit : digit + 1] != b"0" else b"1") + sealed[digit + 1 :]
    assert told(other, seal) == (Kind.SEAL_EDITED, "its line of readings.csv is not that file's, the descriptor's is")
    assert told(sealed[:-1], seal)[0] == Kind.SEAL_EDITED
    (fresh / "note.txt").write_text("a note")
    assert kinds(fresh) == [("note.txt", Kind.FILE_ADDED)]
    (fresh / "note.txt").unlink()
    (fresh / "plan.toml").unlink()
    assert kinds(fresh) == [("plan.toml", Kind.FILE_MISSING)]


@pytest.mark.parametrize("name", ["ramp.png", "watchdog.json"])
def test_what_is_drawn_or_left_later_changes_nothing(fresh: Path, name: str) -> None:
    (fresh / name).write_bytes(b"later")
    assert judged(fresh).state is State.WHOLE


def test_a_seal_that_was_taken_away_is_no_cut(fresh: Path) -> None:
    (fresh / "seal.sha256").unlink()
    assert judged(fresh).state is State.CHANGED
    assert kinds(fresh) == [("seal.sha256", Kind.FILE_MISSING)]


def test_a_record_with_lines_lost_to_the_disk_is_cut_short_not_changed(tmp_path: Path) -> None:
    writer = create(tmp_path)
    writer.put_row(row(0))
    writer._spool.unwritten = 3  # as the spool counts what it gave up
    writer.finish({"outcome": "passed"})
    told = judged(writer.folder)
    assert told.state is State.CUT_SHORT
    assert "3 lines" in told.why


def test_a_row_inside_an_unsealed_record_that_cannot_be_read_is_no_cut(tmp_path: Path) -> None:
    folder = cut_short(captured(tmp_path, [row(number) for number in range(4)]))
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"0.1,", b"0.1,x,", 1))
    assert judged(folder).state is State.CHANGED
    assert kinds(folder) == [("readings.csv", Kind.UNREADABLE)]


def forge(folder: Path, *, descriptor: bool) -> None:
    """A reading made nicer, and the seal made anew; of the descriptor's hash, too, if the forger thought of it."""
    path = folder / "readings.csv"
    path.write_bytes(path.read_bytes().replace(b"live", b"LIVE", 1))
    if descriptor:
        described = json.loads((folder / "datapackage.json").read_text(encoding="utf-8"))
        for resource in described["resources"]:
            if resource["path"] == "readings.csv":
                resource["hash"] = "sha256:" + hashlib.sha256(path.read_bytes()).hexdigest()
        (folder / "datapackage.json").write_text(json.dumps(described, indent=2) + "\n", encoding="utf-8")
    (folder / "seal.sha256").write_text(seal_text(folder), encoding="utf-8")


def test_a_seal_made_anew_without_the_descriptor_is_told(fresh: Path) -> None:
    forge(fresh, descriptor=False)
    assert kinds(fresh) == [("readings.csv", Kind.SEAL_ANEW)]


def test_a_seal_made_anew_with_everything_is_told_by_paper_alone(fresh: Path) -> None:
    """What a seal cannot prove is said, and tested too."""
    on_paper = look(fresh).seal_digest
    assert judged(fresh, on_paper).state is State.WHOLE
    forge(fresh, descriptor=True)
    assert judged(fresh).state is State.WHOLE
    assert kinds(fresh, on_paper) == [("seal.sha256", Kind.SEAL_ANEW)]
    assert kinds(fresh, on_paper[:16]) == [("seal.sha256", Kind.SEAL_ANEW)]


def test_a_record_that_never_ended_cannot_be_sealed_by_hand(tmp_path: Path) -> None:
    folder = cut_short(captured(tmp_path, [row(0)]))
    (folder / "seal.sha256").write_text(seal_text(folder), encoding="utf-8")
    assert kinds(folder) == [("seal.sha256", Kind.SEAL_ANEW)]


@pytest.mark.parametrize("length", range(1, 12))
def test_a_record_cut_inside_a_letter_replays_to_its_last_whole_row(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], length: int
) -> None:
    folder = cut_short(captured(tmp_path, [row(0), row(1), row(2, reason="Überlast: größer, längs, öfter")]))
    path = folder / "readings.csv"
    data = path.read_bytes()
    path.write_bytes(data[: data.index("Überlast".encode()) + length])
    assert main(["replay", str(folder), "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["readings"] == 2


# -- the command --------------------------------------------------------------------------------------------------


@pytest.fixture
def job(tmp_path: Path) -> Path:
    """A job folder with a whole capture, a cut one and a changed one."""
    into = tmp_path / "job" / "captures"
    shutil.copytree(TRIPPED, into / "a-whole")
    cut = captured(tmp_path / "made", [row(number) for number in range(4)]).rename(into / "b-cut")
    cut_short(cut)
    (cut / "pids.json").write_text('{"format": 1, "engine": 1, "watchdog": 2}')
    path = captured(tmp_path / "made", [row(0)]).rename(into / "c-changed") / "readings.csv"
    path.write_bytes(path.read_bytes() + b"1,2\n")
    return tmp_path / "job"


def run(capsys: pytest.CaptureFixture[str], *words: object) -> tuple[int, str, str]:
    code = main([str(word) for word in words])
    said = capsys.readouterr()
    return code, said.out, said.err


def test_verify_tells_the_three_apart(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, _ = run(capsys, "verify", job, "--json")
    told = json.loads(out)
    assert code == 2
    assert (told["format"], told["whole"], told["errors"]) == (1, False, [])
    assert [one["state"] for one in told["captures"]] == ["whole", "cut-short", "changed"]
    assert [one["rows"] for one in told["captures"]] == [19, 4, 2]
    assert told["captures"][0]["seal"] == hashlib.sha256((TRIPPED / "seal.sha256").read_bytes()).hexdigest()
    assert told["captures"][2]["problems"][0]["kind"] == "bytes-added"
    code, out, _ = run(capsys, "verify", job)
    assert code == 2
    assert max(map(len, out.replace(str(job), "JOB").splitlines())) <= 80
    for words in ("WHOLE", "CUT SHORT", "CHANGED", "1 of 3 captures are whole", "emergency-off"):
        assert words in out


JOB = """format = 1
number = "17"
opened = 2026-11-27
[unit]
title = "test amplifier"
load_class = "linear-amplifier"
nameplate_w = 300.0
mains_v = 230.0
mains_frequency_hz = 50.0
channels = ["left"]
[[capture]]
folder = "elsewhere"
role = "other"
[[capture]]
folder = "captures/a-whole"
role = "after-repair"
"""


def test_verify_looks_for_what_a_job_names(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (job / "job.toml").write_text(JOB, encoding="utf-8")
    code, out, err = run(capsys, "verify", job, "--json")
    assert code == 2
    assert "elsewhere: cannot be read" in err
    assert len(json.loads(out)["captures"]) == 3
    shutil.copytree(TRIPPED, job / "elsewhere")
    assert len(json.loads(run(capsys, "verify", job, "--json")[1])["captures"]) == 4
    (job / "job.toml").write_text("format = 2\n", encoding="utf-8")
    code, out, err = run(capsys, "verify", job, "--json")
    assert len(json.loads(out)["captures"]) == 3
    assert "were not looked for" in err


def test_verify_by_paper(job: Path, capsys: pytest.CaptureFixture[str]) -> None:
    digest = look(TRIPPED).seal_digest
    assert run(capsys, "verify", TRIPPED, "--seal-of", digest)[0] == 0
    assert run(capsys, "verify", TRIPPED, "--seal-of", f"{digest[:8]} {digest[8:16].upper()}")[0] == 0
    code, out, _ = run(capsys, "verify", TRIPPED, "--seal-of", "0" * 64)
    assert code == 2
    assert "made anew, or another capture's" in " ".join(out.split())
    code, _, err = run(capsys, "verify", TRIPPED, job / "captures" / "a-whole", "--seal-of", "0" * 64)
    assert code == 2
    assert "no capture here has that seal" in err
    assert run(capsys, "verify", TRIPPED, job / "captures" / "a-whole", "--seal-of", digest)[0] == 0


@pytest.mark.parametrize("words", [["--seal-of", "123"], ["--seal-of", "x" * 64], []])
def test_verify_refuses_what_is_no_digest_and_no_path(words: list[str]) -> None:
    with pytest.raises(SystemExit) as refused:
        main(["verify", *words, *(["x"] if words else [])])
    assert refused.value.code == 2


def test_verify_says_where_there_is_no_capture(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    code, out, err = run(capsys, "verify", tmp_path, tmp_path / "none", TRIPPED, "--json")
    assert code == 2
    assert len(json.loads(out)["errors"]) == 2
    assert "name a capture or a job\n" in err


@pytest.mark.parametrize("damage", [b"", b"\xff\xfe", b"[]", b'{"format": 1}', b'{"format": 1, "resources": [1, {}]}'])
def test_verify_survives_any_descriptor_and_any_seal(fresh: Path, damage: bytes) -> None:
    described: Callable[[], str] = lambda: judged(fresh).state  # noqa: E731
    (fresh / "datapackage.json").write_bytes(damage)
    assert described() == State.CHANGED
    (fresh / "seal.sha256").write_bytes(damage)
    assert described() == State.CHANGED
    (fresh / "seal.sha256").unlink()
    assert described() == State.CHANGED


def test_a_killed_writer_leaves_what_verify_calls_cut_short(tmp_path: Path) -> None:
    code = (
        "import sys, os, signal\n"
        "from pathlib import Path\n"
        f"sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "from archive_help import create, row\n"
        f"writer = create(Path({str(tmp_path)!r}))\n"
        "for number in range(400):\n"
        "    writer.put_row(row(number))\n"
        "os.kill(os.getpid(), signal.SIGTERM)\n"
    )
    subprocess.run([sys.executable, "-c", code], check=False)
    [folder] = tmp_path.iterdir()
    done = subprocess.run([*RAMPGUARD, "verify", str(folder)], capture_output=True, text=True)
    assert done.returncode == 2
    assert "CUT SHORT" in done.stdout
