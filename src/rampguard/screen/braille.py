"""A picture of dots in text: each character cell holds two by four of them (Unicode's Braille patterns, U+2800)."""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass, field
from typing import Final

DOTS_ACROSS, DOTS_DOWN = 2, 4
_BITS: Final = ((0x01, 0x08), (0x02, 0x10), (0x04, 0x20), (0x40, 0x80))
"""By row and column of a cell's dots, top left first (the Unicode Standard, Braille Patterns)."""
_FIRST: Final = 0x2800


@dataclass(slots=True)
class Dots:
    """A field of so many character cells; the origin is at the bottom left."""

    width: int
    height: int
    _cells: dict[tuple[int, int], int] = field(default_factory=dict)
    """Pattern by (column, row from the top)."""

    def plot(self, points: Iterable[tuple[float, float]]) -> None:
        """Set dots at positions given as parts of width and height, 0 to 1; what lies outside is left out."""
        across, down = self.width * DOTS_ACROSS, self.height * DOTS_DOWN
        cells = self._cells
        for x, y in points:
            column, row = int(x * across), int((1.0 - y) * down)
            if y == 0.0:
                row = down - 1
            if 0 <= column < across and 0 <= row < down:
                cell = (column >> 1, row >> 2)
                cells[cell] = cells.get(cell, 0) | _BITS[row & 3][column & 1]

    def drawn(self) -> Iterator[tuple[tuple[int, int], str]]:
        """Every cell in which a dot is, (column, row from the top), with its character."""
        return ((at, chr(_FIRST + pattern)) for at, pattern in self._cells.items())
