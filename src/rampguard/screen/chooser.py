"""Which unit stands on the simulated bench: chosen at the screen, or by chance and told only at the end."""

from __future__ import annotations

import random
from typing import ClassVar, Final

from textual.app import App, ComposeResult
from textual.binding import Binding, BindingType
from textual.widgets import Label, OptionList
from textual.widgets.option_list import Option

CHANCE: Final = "chance"
CHOICES: Final = (
    ("healthy-amplifier", "an amplifier, mended: nothing is wrong"),
    ("shorted-output", "an output pair shorted from rail to rail"),
    ("one-sided-short", "one output device shorted"),
    ("shorted-rectifier", "a rectifier diode shorted"),
    ("shorted-turns", "shorted turns in the power transformer"),
    ("leaky-reservoir", "a reservoir capacitor that leaks"),
    ("idle-runaway", "idle current that runs away"),
    ("shorted-receiver", "a receiver with a shorted output: wait for its relay"),
    ("shorted-switch", "a switch-mode unit with its switch shorted"),
    ("healthy-valve", "a valve amplifier: nothing is wrong"),
)
"""Units of the simulated bench, and what they are."""


class Chooser(App[str]):
    """One list. Its return value is a unit's name; None where nobody chose."""

    ENABLE_COMMAND_PALETTE = False
    CSS = "Label { padding: 1 2; } OptionList { height: 1fr; margin: 0 2; }"
    BINDINGS: ClassVar[list[BindingType]] = [Binding("escape,q,ctrl+c", "leave", "leave", priority=True)]

    def compose(self) -> ComposeResult:
        """A word before, and the list."""
        yield Label(
            "What is to stand on the simulated bench? Nothing is live yet.\n"
            "Up, down, Enter chooses; Esc leaves. A fault, or by chance, and find out."
        )
        by_chance = Option("by chance: told at the end", id=CHANCE)
        yield OptionList(by_chance, *(Option(f"{said}  ({name})", id=name) for name, said in CHOICES))

    def on_mount(self) -> None:
        """Ready to choose."""
        self.query_one(OptionList).focus()

    def on_option_list_option_selected(self, event: OptionList.OptionSelected) -> None:
        """Chosen."""
        self.exit(str(event.option.id))

    def action_leave(self) -> None:
        """Nothing was chosen."""
        self.exit(None)


def choose_unit() -> tuple[str, bool] | None:
    """The unit, and whether it is to be told only at the end; None where nobody chose."""
    chosen = Chooser().run()
    if chosen is None:
        return None
    if chosen == CHANCE:
        return random.choice([name for name, _ in CHOICES]), True  # noqa: S311 - no secret
    return chosen, False
