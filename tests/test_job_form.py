"""The form without a terminal: checked as it is typed, written by one key, nothing lost without asking."""

from __future__ import annotations

import asyncio
import datetime as dt
from collections.abc import Awaitable, Callable
from pathlib import Path

import pytest
from textual.pilot import Pilot
from textual.widgets import Input, OptionList, Static, TextArea

from rampguard.job.edits import with_entry
from rampguard.job.model import read_job
from rampguard.job.writing import change_job
from rampguard.job_form.app import HOW, Form
from rampguard.job_form.draft import Draft, Entry
from rampguard.job_form.fields import JOB_FIELDS, shown, text_of
from rampguard.job_form.rows import EntryDialog, Row, Unwritten
from test_job_model import JOB

TODAY = dt.date(2026, 3, 9)
Act = Callable[[Pilot[int], Form], Awaitable[None]]


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    (tmp_path / "job.toml").write_text(f"# kept\n{JOB}", encoding="utf-8")
    return tmp_path


def played(folder: Path, act: Act, size: tuple[int, int] = (80, 24)) -> Form:
    async def play() -> Form:
        form = Form(Draft.read(folder), lambda: TODAY)
        async with form.run_test(size=size) as pilot:
            await pilot.pause()
            await act(pilot, form)
        return form

    return asyncio.run(play())


async def put(pilot: Pilot[int], form: Form, key: str, text: str) -> None:
    """Type a text into a field of what is open."""
    [row] = [row for row in form.screen.query(Row) if row.one.key == key]
    row.line.focus()
    if isinstance(row.line, TextArea):
        row.line.text = text
    else:
        row.line.value = text
    await pilot.pause()


async def opened(pilot: Pilot[int], form: Form, name: str, number: int) -> None:
    options = form.query_one(f"#{name}", OptionList)
    options.focus()
    options.highlighted = number
    await pilot.press("enter")
    await pilot.pause()


def said(form: Form) -> str:
    return str(form.screen.query_one("#wrong", Static).content)


def test_what_is_typed_is_checked_on_the_spot_and_written_by_one_key(folder: Path) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        await put(pilot, form, "nameplate_w", "30x")
        assert "'30x' is not a number" in said(form)
        await put(pilot, form, "nameplate_w", "-30")
        assert "unit.nameplate_w: " in said(form)
        await pilot.press("ctrl+s")
        assert "unit.nameplate_w: " in said(form)
        assert read_job(folder).unit.nameplate_w == 300.0
        await put(pilot, form, "nameplate_w", "150,5")
        await put(pilot, form, "cause", "age\nand heat")
        assert said(form) == "not written yet"
        await pilot.press("ctrl+s")
        assert said(form) == "written"
        await pilot.press("escape")

    assert played(folder, act).return_value == 0
    job = read_job(folder)
    assert (job.unit.nameplate_w, job.cause) == (150.5, "age\nand heat")
    assert (folder / "job.toml").read_text(encoding="utf-8").startswith("# kept\n")


@pytest.mark.parametrize(
    ("key", "answer", "closed", "cause"),
    [("escape", "w", True, "age"), ("ctrl+c", "d", True, None), ("ctrl+q", "escape", False, None)],
)
def test_leaving_asks_first_where_something_was_typed(
    folder: Path, key: str, answer: str, closed: bool, cause: str | None
) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        await put(pilot, form, "cause", "age")
        await pilot.press(key)
        assert isinstance(form.screen, Unwritten)
        await pilot.press(answer)
        await pilot.pause()
        if not closed:
            assert form.draft.typed == {("cause",): "age"}

    form = played(folder, act)
    assert (form.return_value is not None) == closed
    assert read_job(folder).cause == cause


def test_what_cannot_be_written_is_not_left_by_writing(folder: Path) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        await put(pilot, form, "mains_v", "")
        await pilot.press("escape", "w")
        await pilot.pause()
        assert not isinstance(form.screen, Unwritten)
        assert "unit.mains_v: missing" in said(form)

    assert played(folder, act).return_value is None
    assert (folder / "job.toml").read_text(encoding="utf-8") == f"# kept\n{JOB}"


def test_an_entry_is_added_and_one_is_corrected(folder: Path) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        await opened(pilot, form, "part", 1)
        await put(pilot, form, "designator", "Q702")
        assert "[[part]] 2: what: missing; add it" in said(form)
        for key, text in (
            ("what", "transistor"),
            ("replaced_with", "same"),
            ("origin", "new"),
            ("matched_with", "Q701"),
        ):
            await put(pilot, form, key, text)
        await pilot.press("ctrl+s")
        await pilot.pause()
        assert not isinstance(form.screen, EntryDialog)
        await opened(pilot, form, "check", 0)
        assert form.screen.query(Row)[2].typed == "0.08 ohm"
        await put(pilot, form, "reads", "over 20 ohm")
        await put(pilot, form, "result", "f")
        await pilot.press("ctrl+s")
        await pilot.pause()
        await opened(pilot, form, "work", 2)
        assert form.screen.query(Row)[0].typed == "2026-03-09"
        await put(pilot, form, "what", "soaked")
        await put(pilot, form, "hours", "1")
        await pilot.press("ctrl+s")
        await pilot.pause()

    played(folder, act, (120, 40))
    job = read_job(folder)
    assert [one.designator for one in job.part] == ["Q701", "Q702"]
    assert (job.check[0].reads, job.check[0].result) == ("over 20 ohm", "failed")
    assert (job.work[2].what, job.hours_spent) == ("soaked", 4.75)


def test_leaving_an_entry_asks_too_and_stays_in_the_form(folder: Path) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        await opened(pilot, form, "caution", 0)
        await put(pilot, form, "text", "keep it dry")
        await pilot.press("ctrl+c")
        assert isinstance(form.screen, Unwritten)
        await pilot.press("escape")
        await pilot.pause()
        assert form.screen.query(Row)[0].typed == "keep it dry"
        await pilot.press("escape", "d")
        await pilot.pause()
        assert not isinstance(form.screen, EntryDialog | Unwritten)
        await opened(pilot, form, "caution", 0)
        await pilot.press("escape")
        await pilot.pause()
        assert not isinstance(form.screen, EntryDialog | Unwritten)

    assert played(folder, act).return_value is None
    assert read_job(folder).caution == ()


def test_somebody_else_wrote_meanwhile_nothing_of_either_is_lost(folder: Path) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        await put(pilot, form, "cause", "age")
        work = {"date": TODAY, "what": "theirs", "hours": 1.0}
        change_job(folder, lambda text: with_entry(text, "work", work), {"work"})
        await pilot.press("ctrl+s")
        assert "was changed by somebody else" in said(form)
        assert read_job(folder).cause is None
        await pilot.press("ctrl+r")
        await put(pilot, form, "serial", "7")
        await pilot.press("ctrl+s")
        assert said(form) == "written"

    played(folder, act)
    job = read_job(folder)
    assert (job.cause, job.unit.serial, job.work[-1].what) == ("age", "7", "theirs")


def test_every_field_shows_what_is_in_the_job_and_typing_it_again_changes_nothing(folder: Path) -> None:
    draft = Draft.read(folder)
    for one in JOB_FIELDS:
        text = text_of(draft.job, one)
        draft.type(one, text)
        if text:
            value = one.value(text)
            assert shown(value) == text
    assert draft.typed == {}
    entry = Entry("work", 0, {"date": "2026-03-04", "what": "output stage rebuilt", "hours": "2.5"})
    draft.write(entry)
    assert (folder / "job.toml").read_text(encoding="utf-8") == f"# kept\n{JOB}"


@pytest.mark.parametrize("size", [(80, 24), (120, 40)])
def test_the_keys_and_the_fields_are_seen_whole(folder: Path, size: tuple[int, int]) -> None:
    async def act(pilot: Pilot[int], form: Form) -> None:
        assert len(HOW) + 2 <= size[0]
        first = form.query(Row).first()
        assert isinstance(first.line, TextArea | Input)
        assert first.line.region.width > size[0] // 2
        assert form.query_one("#how").region.y == size[1] - 1

    played(folder, act, size)
