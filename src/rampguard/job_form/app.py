"""The form itself. One key writes, from anywhere; nothing that was typed is lost without asking."""

from __future__ import annotations

import datetime as dt
import sys
from collections.abc import Callable
from pathlib import Path
from typing import ClassVar, Final

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import VerticalScroll
from textual.screen import Screen as TextualScreen
from textual.widgets import Label, OptionList, Static
from textual.widgets.option_list import Option

from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE
from rampguard.job.errors import JobError
from rampguard.job.missing import missing_of
from rampguard.job.reading import captures_of
from rampguard.job.writing import leftovers
from rampguard.job_form.draft import Draft
from rampguard.job_form.fields import JOB_FIELDS, LISTS, TITLES, line_of
from rampguard.job_form.rows import EntryDialog, Row, Unwritten, told

HOW: Final = "Ctrl-S writes   Tab next   Enter opens   Ctrl-R reads anew   Esc leaves"


class Form(App[int]):
    """One job, as a form. Its return value is the exit code."""

    ENABLE_COMMAND_PALETTE = False
    CSS = """
    Screen { background: #000000; color: #f0f0f0; }
    ModalScreen { background: #000000 70%; }
    #head { height: auto; max-height: 3; padding: 0 1; background: #262626; }
    #fields { height: 1fr; scrollbar-size-vertical: 1; }
    .title { padding: 0 1; margin-top: 1; text-style: bold; }
    OptionList { height: auto; max-height: 8; margin: 0 1; border: none; background: #1c1c1c; color: #f0f0f0; }
    OptionList > .option-list--option-highlighted { background: #1c1c1c; color: #f0f0f0; text-style: none; }
    OptionList:focus > .option-list--option-highlighted { background: #f0f0f0; color: #000000; }
    #wrong { height: auto; max-height: 5; padding: 0 1; background: #262626; }
    #how { height: 1; padding: 0 1; color: #a8a8a8; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("escape,ctrl+c,ctrl+q", "leave", "leave", priority=True),
        Binding("ctrl+s", "write", "write", priority=True),
        Binding("ctrl+r", "read_anew", "read anew", priority=True),
    ]

    def __init__(self, draft: Draft, today: Callable[[], dt.date]) -> None:
        super().__init__()
        self.draft = draft
        self._today = today

    def compose(self) -> ComposeResult:
        """What is missing, the fields, the lists, what is wrong."""
        yield Static(id="head", markup=False)
        with VerticalScroll(id="fields", can_focus=False):
            for one in JOB_FIELDS:
                yield Row(one, self.draft.shown(one))
            for name, title in TITLES.items():
                yield Label(title, classes="title")
                yield OptionList(id=name, markup=False)
        yield Static(id="wrong", markup=False)
        yield Label(HOW, id="how")

    def on_mount(self) -> None:
        """Ready to type."""
        self._show()
        self._say("")
        self._form.query(Row).first().line.focus()

    def on_input_changed(self) -> None:
        """Checked on the spot."""
        self._typed()

    def on_text_area_changed(self) -> None:
        """Checked on the spot."""
        self._typed()

    def on_input_submitted(self) -> None:
        """Enter goes on to the next field."""
        self.screen.focus_next()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """An entry is opened, or a new one."""
        name = str(event.option_list.id)
        entries = len(getattr(self.draft.job, name))
        number = event.option_index if event.option_index < entries else None
        self.push_screen(EntryDialog(self.draft, name, number, self._today()), self._entered)

    def action_write(self) -> None:
        """Write all that was typed."""
        if self._dialog is not None:
            self._dialog.action_write()
        else:
            self._write()

    def action_read_anew(self) -> None:
        """Take what somebody else wrote; what was typed stays, in a dialog that is open too."""
        try:
            self.draft.read_anew()
        except JobError as error:
            self._say(told(error.problems, ""))
            return
        self._show()
        self._say("read anew; what was typed stays" if self.draft.typed else "read anew")

    def action_leave(self) -> None:
        """Leave; what was typed is not lost without asking."""
        if self._dialog is not None:
            self._dialog.action_leave()
        elif self.draft.typed:
            self.push_screen(Unwritten(), self._answered)
        else:
            self.exit(EXIT_DONE)

    @property
    def _form(self) -> TextualScreen[object]:
        """The form, whatever is open above it."""
        return self.screen_stack[0]

    @property
    def _dialog(self) -> EntryDialog | Unwritten | None:
        return self.screen if isinstance(self.screen, EntryDialog | Unwritten) else None

    def _answered(self, answer: str | None) -> None:
        if answer == "discard" or (answer == "write" and self._write()):
            self.exit(EXIT_DONE)

    def _entered(self, written: bool | None) -> None:  # noqa: FBT001 - what a dialog returns
        if written:
            self._show()
            self._say("written")

    def _write(self) -> bool:
        if not self.draft.typed:
            self._say("nothing new to write")
            return True
        try:
            self.draft.write()
        except JobError as error:
            self._say(told(error.problems, ""))
            return False
        self._show()
        self._say("written")
        return True

    def _typed(self) -> None:
        for row in self._form.query(Row):
            self.draft.type(row.one, row.typed)
        self._say(told(self.draft.problems(), "not written yet" if self.draft.typed else ""))

    def _show(self) -> None:
        """Everything as it was read, and as it was typed."""
        job = self.draft.job
        for row in self._form.query(Row):
            row.put(self.draft.shown(row.one))
        for name in LISTS:
            options = self._form.query_one(f"#{name}", OptionList)
            options.clear_options()
            lines = [line_of(name, entry).replace("\n", " ") for entry in getattr(job, name)]
            options.add_options([Option(line) for line in [*lines, "+ one more"]])
            options.highlighted = len(lines)
        missing = missing_of(job, captures_of(self.draft.folder, job))
        lacks = f"missing: {', '.join(one.what for one in missing)}" if missing else "nothing is missing"
        lines = [f"{job.number}: {job.unit.title}", lacks, *leftovers(self.draft.folder)]
        self._form.query_one("#head", Static).update("\n".join(lines))

    def _say(self, text: str) -> None:
        self._form.query_one("#wrong", Static).update(text)


def fill(folder: Path) -> int:
    """Open the form on a terminal. Returns the exit code. Raises JobError."""
    if not (sys.stdin is not None and sys.stdin.isatty() and sys.stdout.isatty()):
        print(f"the form needs a terminal; without one: rampguard job ask {folder}", file=sys.stderr)
        return EXIT_BAD_INPUT
    code = Form(Draft.read(folder), lambda: dt.datetime.now().astimezone().date()).run()
    return EXIT_DONE if code is None else code
