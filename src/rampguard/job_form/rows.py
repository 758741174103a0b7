"""The form's rows and its two dialogs: an entry of a list, and what is to become of what was typed.

The keys that leave and write are the form's own, from anywhere; it hands them to the dialog that is open.
"""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from typing import ClassVar, Final

from textual.app import ComposeResult
from textual.binding import Binding, BindingType
from textual.containers import Horizontal, Vertical, VerticalScroll
from textual.screen import ModalScreen
from textual.widgets import Input, Label, Static, TextArea

from rampguard.job.errors import JobError
from rampguard.job_form.draft import Draft, Entry
from rampguard.job_form.fields import LISTS, Field, texts_of_entry

_MOST_LINES: Final = 4
"""Problems that are told at once; how many more there are is told too."""


class Row(Horizontal):
    """A field: its name, and a line or a few to type into."""

    DEFAULT_CSS = """
    Row { height: 1; }
    Row.long { height: 2; }
    Row Label { width: 26; padding: 0 1; }
    Row Input, Row TextArea { width: 1fr; background: #1c1c1c; color: #f0f0f0; }
    Row TextArea { height: 2; padding: 0; }
    Row Input:focus, Row TextArea:focus { background: #303030; }
    """

    def __init__(self, one: Field, text: str) -> None:
        super().__init__(classes="long" if one.long else "")
        self.one = one
        self.line: Input | TextArea = (
            TextArea(text, compact=True, highlight_cursor_line=False)
            if one.long
            else Input(text, compact=True, select_on_focus=False)
        )

    def compose(self) -> ComposeResult:
        """Name and line."""
        yield Label(self.one.label)
        yield self.line

    @property
    def typed(self) -> str:
        """What stands in it."""
        return self.line.text if isinstance(self.line, TextArea) else self.line.value

    def put(self, text: str) -> None:
        """Let this stand in it."""
        if text == self.typed:
            return
        with self.line.prevent(Input.Changed, TextArea.Changed):  # it was not typed
            if isinstance(self.line, TextArea):
                self.line.text = text
            else:
                self.line.value = text


def told(problems: list[str], nothing: str) -> str:
    """Problems in a few lines; ``nothing`` where there are none."""
    more = len(problems) - _MOST_LINES
    lines = [*problems[:_MOST_LINES], *([f"and {more} more"] if more > 0 else [])]
    return "\n".join(lines) or nothing


class EntryDialog(ModalScreen[bool]):
    """One entry of a list. Its return value is whether it was written."""

    CSS = """
    EntryDialog { align: center middle; }
    EntryDialog > Vertical { width: 90%; height: auto; max-height: 90%; border: solid #f0f0f0; background: #000000; }
    EntryDialog VerticalScroll { height: auto; max-height: 16; }
    EntryDialog #wrong { padding: 0 1; margin-top: 1; height: auto; }
    """

    def __init__(self, draft: Draft, name: str, number: int | None, today: dt.date) -> None:
        super().__init__()
        self._draft, self._list, self._number = draft, name, number
        self._first = texts_of_entry(draft.job, name, number, today)
        if number is not None and name == "check":
            self._first["reads"] = draft.job.check[number].reads

    def compose(self) -> ComposeResult:
        """The fields, and what is wrong with them."""
        with Vertical():
            yield VerticalScroll(*(Row(one, self._first[one.key]) for one in LISTS[self._list]))
            yield Static("Ctrl-S writes, Esc leaves", id="wrong", markup=False)

    def on_mount(self) -> None:
        """Ready to type."""
        next(self._rows).line.focus()

    def on_input_changed(self) -> None:
        """Checked on the spot."""
        self._check()

    def on_text_area_changed(self) -> None:
        """Checked on the spot."""
        self._check()

    def on_input_submitted(self) -> None:
        """Enter goes on to the next field."""
        self.focus_next()

    def action_write(self) -> None:
        """Write it, with all else that was typed."""
        try:
            self._draft.write(self._entry)
        except JobError as error:
            self._say(told(error.problems, ""))
        else:
            self.dismiss(True)

    def action_leave(self) -> None:
        """Leave; what was typed is not lost without asking."""
        if dict(self._entry.typed) == self._first:
            self.dismiss(False)
        else:
            self.app.push_screen(Unwritten(), self._answered)

    def _answered(self, answer: str | None) -> None:
        if answer == "write":
            self.action_write()
        elif answer == "discard":
            self.dismiss(False)

    @property
    def _rows(self) -> Iterator[Row]:
        return iter(self.query(Row))

    @property
    def _entry(self) -> Entry:
        return Entry(self._list, self._number, {row.one.key: row.typed for row in self._rows})

    def _check(self) -> None:
        typed = self._entry
        problems = [] if dict(typed.typed) == self._first else self._draft.problems(typed)
        self._say(told(problems, "Ctrl-S writes, Esc leaves"))

    def _say(self, text: str) -> None:
        self.query_one("#wrong", Static).update(text)


class Unwritten(ModalScreen[str]):
    """Asks what is to become of what was typed: ``write``, ``discard`` or ``stay``."""

    CSS = """
    Unwritten { align: center middle; }
    Unwritten > Static { width: 60; height: auto; border: solid #ffd75f; padding: 1 2; background: #000000; }
    """
    BINDINGS: ClassVar[list[BindingType]] = [
        Binding("w", "answer('write')", "write"),
        Binding("d", "answer('discard')", "discard"),
    ]

    def compose(self) -> ComposeResult:
        """The question."""
        yield Static(
            "What was typed is not written.\n\nw writes it, d throws it away, Esc goes back to it.", markup=False
        )

    def action_leave(self) -> None:
        """Back to what was typed."""
        self.dismiss("stay")

    def action_write(self) -> None:
        """The key that writes, writes here too."""
        self.dismiss("write")

    def action_answer(self, answer: str) -> None:
        """Answered."""
        self.dismiss(answer)
