"""What a sheet is made of: sections of paragraphs, lists, tables and pictures, as plain text. It holds no markup.

Whoever decides what is said makes one of these; whoever writes HTML or PDF turns it into bytes and says nothing new.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal


@dataclass(frozen=True, slots=True)
class Para:
    """A paragraph. What is ``loud`` must not be missed: it stands in a frame."""

    text: str
    loud: bool = False
    kind: Literal["para"] = "para"


@dataclass(frozen=True, slots=True)
class Bullets:
    """A list, each entry one sentence or a few."""

    entries: tuple[str, ...]
    kind: Literal["bullets"] = "bullets"


@dataclass(frozen=True, slots=True)
class Facts:
    """Terms, and what each is."""

    pairs: tuple[tuple[str, str], ...]
    kind: Literal["facts"] = "facts"


@dataclass(frozen=True, slots=True)
class Table:
    """A table with a caption; the first cell of a row heads it. Each row has as many cells as there are ``columns``."""

    caption: str
    columns: tuple[str, ...]
    rows: tuple[tuple[str, ...], ...]
    wide: tuple[int, ...] = ()
    """Columns, counting from 0, that take what room there is; the others take what they need."""
    kind: Literal["table"] = "table"


@dataclass(frozen=True, slots=True)
class Picture:
    """A picture: its bytes, as SVG, PNG or JPEG; ``says`` is for whoever does not see it."""

    data: bytes
    ending: Literal["svg", "png", "jpeg"]
    says: str
    caption: str
    kind: Literal["picture"] = "picture"


Block = Para | Bullets | Facts | Table | Picture


@dataclass(frozen=True, slots=True)
class Section:
    """A section, with its heading. ``key`` names it for links: lower-case letters and hyphens."""

    key: str
    heading: str
    blocks: tuple[Block, ...]


@dataclass(frozen=True, slots=True)
class Sheet:
    """The whole sheet. ``made_s`` is its date, as seconds since 1970, from the job, so that its bytes stay the same."""

    title: str
    subtitle: str
    language: str
    made_s: int
    draft: str
    """Why it is only a draft, for the head of every page; empty: it is none."""
    for_customer: tuple[Section, ...]
    """The first page."""
    detail: str
    """The heading of what follows the first page."""
    for_colleague: tuple[Section, ...]
    """What a colleague wants to know besides."""
    foot: str = ""
    """At the foot of every page."""
    missing: tuple[str, ...] = ()
    """What a draft still lacks."""
