"""Pieces of a frame: letters that are read across the room, lines cut to their width, columns side by side."""

from __future__ import annotations

import functools
import textwrap
from collections.abc import Iterable, Sequence
from typing import Final

from pyfiglet import Figlet
from rich.text import Text

BIG_FONTS: Final = ("ansi_regular", "smblock")
"""Fonts of block letters, the larger first; heights in rows of `BIG_ROWS`."""
BIG_ROWS: Final = {"ansi_regular": 5, "smblock": 4}

STYLES: Final = {"well": "bold green", "look": "bold yellow", "danger": "bold white on red"}
"""By how it stands; the words say it, too."""


@functools.cache
def _letters(font: str) -> Figlet:
    """A font's file is read once: figures change with every frame."""
    return Figlet(font=font, width=1000)


@functools.lru_cache(maxsize=512)
def big(said: str, font: str) -> tuple[str, ...]:
    """Words in block letters, in lines of one width."""
    lines = _letters(font).renderText(said).splitlines()[: BIG_ROWS[font]]
    width = max((len(line.rstrip()) for line in lines), default=0)
    return tuple(line.rstrip().ljust(width) for line in lines)


def big_row(said: Sequence[tuple[str, str]], width: int, *, tall: bool, style: str = "bold") -> list[Text]:
    """Words with a label below each, side by side: as large as fit the width, `BIG_ROWS` and one rows high."""
    said = [pair for pair in said if pair[0]]
    for font in BIG_FONTS if tall else BIG_FONTS[1:]:
        blocks = [big(words, font) for words, _ in said]
        gaps = len(said) + 1
        if sum(len(block[0]) for block in blocks) + 2 * gaps <= width:
            break
    else:
        plain = Text("   ".join(f"{words} {label}" for words, label in said), style)
        return [Text(), Text(), cut(plain, width), Text(), Text()]
    room = (width - sum(len(block[0]) for block in blocks)) // gaps
    rows = [Text("".join(" " * room + line for line in lines), style) for lines in zip(*blocks, strict=True)]
    return [*(cut(row, width) for row in rows), cut(Text(_labels(blocks, said, room), "dim"), width)]


def _labels(blocks: Sequence[tuple[str, ...]], said: Sequence[tuple[str, str]], room: int) -> str:
    """Each below its block, and into the room beside it; the last as far as it goes."""
    line, at = "", 0
    for block, (_, label) in zip(blocks, said, strict=True):
        at += room
        line = line[: at - 1].ljust(at) + label
        at += len(block[0])
    return line


def cut(line: Text, width: int) -> Text:
    """A line, no longer than this."""
    line = line.copy()
    line.no_wrap = True
    line.truncate(width, overflow="ellipsis")
    return line


def wrapped(said: str, width: int, *, most: int, style: str = "") -> list[Text]:
    """Words in so many lines at most, the last of which says that there was more."""
    lines = textwrap.wrap(said, max(10, width)) or [""]
    if len(lines) > most:
        lines = lines[:most]
        lines[-1] = lines[-1][: max(0, width - 2)] + " …"
    return [Text(line, style) for line in lines]


def paragraphs(lines: Iterable[str], width: int) -> list[Text]:
    """Lines of a story, wrapped; what a line is indented by, its continuations are, too."""
    found = []
    for said in lines:
        for line in said.splitlines() or [""]:
            indent = " " * (len(line) - len(line.lstrip()))
            found += [Text(part) for part in textwrap.wrap(line, max(20, width), subsequent_indent=indent) or [""]]
    return found


def beside(left: Sequence[Text], right: Sequence[Text], left_width: int, height: int) -> list[Text]:
    """Two columns as lines."""
    rows = []
    for k in range(height):
        row = left[k].copy() if k < len(left) else Text()
        row.no_wrap = True
        row.truncate(left_width, overflow="crop", pad=True)
        row.append("  ")
        if k < len(right):
            row.append_text(right[k])
        rows.append(row)
    return rows


def filled(lines: Sequence[Text], height: int) -> list[Text]:
    """Exactly so many lines."""
    return [*lines[:height], *(Text() for _ in range(height - len(lines)))]
