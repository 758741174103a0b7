"""A sheet as a PDF: tagged for readers that speak, its text selectable, its fonts inside; set by typst.

What is said goes to typst as data, not as source, so that nothing that a user typed can be markup. The fonts are those
that come with matplotlib and typst, never the machine's: the same sheet gives the same bytes everywhere.
"""

from __future__ import annotations

import datetime as dt
import json
import re
import tempfile
from collections.abc import Iterator
from dataclasses import asdict
from functools import cache
from importlib.resources import files
from pathlib import Path
from typing import Any, Final

from rampguard.handback.document import Picture, Section, Sheet
from rampguard.handback.errors import HandBackError

STANDARD: Final = "ua-1"
"""PDF/UA-1, ISO 14289-1: typst refuses to write what it finds to be against it."""
LONGEST_WORD: Final = 28
"""Letters of a word that is not broken; longer ones may be, so that none runs out of its cell."""
UNKNOWN: Final = "\ufffd"
"""Stands for a character that the fonts have not."""
_BREAK: Final = "\u200b"
_BREAKING: Final = "\n\r\x0b\x0c\x85\u2028\u2029"


def as_pdf(sheet: Sheet) -> bytes:
    """The PDF. Raises HandBackError where typst cannot set it."""
    import typst

    with tempfile.TemporaryDirectory(prefix="rampguard-sheet-") as folder:
        root = Path(folder)
        told = _told(sheet, root)
        (root / "told.json").write_text(json.dumps(told), encoding="utf-8")
        source = files("rampguard.handback").joinpath("page.typ").read_text(encoding="utf-8")
        (root / "page.typ").write_text(source, encoding="utf-8")
        try:
            return typst.compile(
                root / "page.typ",
                root=root,
                format="pdf",
                font_paths=[_fonts()],
                ignore_system_fonts=True,
                pdf_standards=STANDARD,
                timestamp=dt.datetime.fromtimestamp(sheet.made_s, dt.UTC),
            )
        except typst.TypstError as error:
            raise HandBackError(f"the PDF cannot be set ({error}): an error of ours; nothing was written") from None


def _told(sheet: Sheet, root: Path) -> dict[str, Any]:
    """The sheet as data; its pictures as files beside it."""
    pictures = iter(range(1, 10_000))
    told: dict[str, Any] = asdict(sheet) | {
        "for_customer": [_section(section, root, pictures) for section in sheet.for_customer],
        "for_colleague": [_section(section, root, pictures) for section in sheet.for_colleague],
    }
    clean: dict[str, Any] = _cleaned(told)
    return clean


def _section(section: Section, root: Path, numbers: Iterator[int]) -> dict[str, Any]:
    blocks = [
        _picture(block, root, next(numbers)) if isinstance(block, Picture) else asdict(block)
        for block in section.blocks
    ]
    return {"heading": section.heading, "blocks": blocks}


def _picture(block: Picture, root: Path, number: int) -> dict[str, Any]:
    file = root / f"picture-{number}.{block.ending}"
    file.write_bytes(block.data)
    percent = 100 if block.ending == "svg" else 60
    return {"kind": block.kind, "says": block.says, "caption": block.caption, "file": file.name, "width": percent}


def _cleaned(value: Any) -> Any:
    """The same with every text such as the fonts can draw it."""
    if isinstance(value, str):
        return drawable(value)
    if isinstance(value, dict):
        return {key: _cleaned(each) for key, each in value.items()}
    if isinstance(value, list | tuple):
        return [_cleaned(each) for each in value]
    return value


def drawable(text: str) -> str:
    """Text that the fonts can draw, in one line, its long words breakable."""
    known = _known()
    plain = "".join(c if ord(c) in known else " " if c in _BREAKING or c == "\t" else UNKNOWN for c in text)
    return re.sub(rf"[^\s-]{{{LONGEST_WORD}}}(?=[^\s-])", lambda found: found[0] + _BREAK, plain)


def _fonts() -> Path:
    import matplotlib as mpl

    return Path(mpl.get_data_path()) / "fonts" / "ttf"


@cache
def _known() -> frozenset[int]:
    """The characters that both weights of the font have, but for those that are not drawn."""
    from matplotlib.ft2font import FT2Font

    regular, bold = (FT2Font(str(_fonts() / name)).get_charmap() for name in ("DejaVuSans.ttf", "DejaVuSans-Bold.ttf"))
    return frozenset(code for code in regular if code in bold and chr(code).isprintable())
