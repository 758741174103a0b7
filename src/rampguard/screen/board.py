"""The widget that shows a frame: lines of text as they are, one below the other."""

from __future__ import annotations

from collections.abc import Callable

from rich.text import Text
from textual.geometry import Region
from textual.strip import Strip
from textual.widget import Widget

from rampguard.screen.frame import Size
from rampguard.screen.giving_way import offer_processor


class Board(Widget):
    """All of the screen but the line that is typed into."""

    DEFAULT_CSS = "Board { width: 1fr; height: 1fr; }"

    def __init__(self, drawn: Callable[[Size], list[Text]]) -> None:
        super().__init__()
        self._drawn = drawn
        self._lines: list[Text] = []

    def draw(self) -> None:
        """Take a new frame. Of the one before only the lines that differ are drawn anew."""
        offer_processor()
        before, self._lines = self._lines, self._drawn(Size(self.size.width, self.size.height))
        if len(before) != len(self._lines):
            self.refresh()
            return
        differ = [y for y, (old, new) in enumerate(zip(before, self._lines, strict=True)) if not _same(old, new)]
        if differ:
            self.refresh(*(Region(0, y, self.size.width, 1) for y in differ))

    def render_line(self, y: int) -> Strip:
        """One line of the newest frame."""
        offer_processor()
        style = self.rich_style
        if y >= len(self._lines):
            return Strip.blank(self.size.width, style)
        line, console = self._lines[y], self.app.console
        # A text without spans renders without its own style.
        strip = Strip(line.render(console)).apply_style(console.get_style(line.style)).apply_style(style)
        return strip.adjust_cell_length(self.size.width, style)


def _same(one: Text, other: Text) -> bool:
    """Whether two lines look the same; texts that differ in style alone compare as equal."""
    return one == other and one.style == other.style
