"""The widget that shows a frame: lines of text as they are, one below the other."""

from __future__ import annotations

from collections.abc import Callable

from rich.text import Text
from textual.strip import Strip
from textual.widget import Widget

from rampguard.screen.frame import Size


class Board(Widget):
    """All of the screen but the line that is typed into."""

    DEFAULT_CSS = "Board { width: 1fr; height: 1fr; }"

    def __init__(self, drawn: Callable[[Size], list[Text]]) -> None:
        super().__init__()
        self._drawn = drawn
        self._lines: list[Text] = []

    def draw(self) -> None:
        """Take a new frame."""
        self._lines = self._drawn(Size(self.size.width, self.size.height))
        self.refresh()

    def render_line(self, y: int) -> Strip:
        """One line of the newest frame."""
        style = self.rich_style
        if y >= len(self._lines):
            return Strip.blank(self.size.width, style)
        line, console = self._lines[y], self.app.console
        # A text without spans renders without its own style.
        strip = Strip(line.render(console)).apply_style(console.get_style(line.style)).apply_style(style)
        return strip.adjust_cell_length(self.size.width, style)
