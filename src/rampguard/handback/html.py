"""A sheet as one HTML page that needs nothing besides itself: no script, no network, pictures and styles inside.

What a user typed goes in as text only: it is escaped here, wherever it comes from.
"""

from __future__ import annotations

import base64
import re
from collections.abc import Iterator
from functools import cache
from html import escape
from importlib.resources import files
from itertools import count
from typing import Final

from rampguard.handback.document import Block, Bullets, Facts, Para, Picture, Section, Sheet, Table

SHORT: Final = 10
"""Letters of a cell that stays in one line: a date has so many."""
LONGEST_WORD: Final = 20
"""Letters of a word in a table that is not broken."""
_OWN_STYLE: Final = re.compile(r"<defs>\s*<style.*?</style>\s*</defs>", re.DOTALL)
_METADATA: Final = re.compile(r"<metadata>.*?</metadata>", re.DOTALL)
_CONTROL: Final = re.compile(r"[\x00-\x08\x0b\x0c\x0e-\x1f\x7f-\x9f\ud800-\udfff\ufdd0-\ufdef]|[^\x00-\U0010fffd]")


def as_html(sheet: Sheet) -> bytes:
    """The page, UTF-8. The same sheet gives the same bytes."""
    return "\n".join(_page(sheet)).encode()


def _page(sheet: Sheet) -> Iterator[str]:
    title = _text(f"{sheet.title}: {sheet.subtitle}")
    numbers = count(1)
    yield f'<!DOCTYPE html>\n<html lang="{_text(sheet.language)}">\n<head>\n<meta charset="utf-8">'
    yield '<meta name="viewport" content="width=device-width, initial-scale=1">'
    yield f"<title>{title}</title>\n<style>\n{_css()}{_draft_css(sheet)}</style>\n</head>\n<body>"
    yield f'<header>\n<h1>{_text(sheet.title)}</h1>\n<p class="subtitle">{_text(sheet.subtitle)}</p>'
    yield from _draft(sheet)
    yield "</header>\n<main>"
    for section in sheet.for_customer:
        yield from _section(section, "h2", numbers)
    yield f'<h2 class="part" id="detail">{_text(sheet.detail)}</h2>'
    for section in sheet.for_colleague:
        yield from _section(section, "h3", numbers)
    yield f"</main>\n<footer>\n<p>{_text(sheet.foot)}</p>\n</footer>\n</body>\n</html>\n"


def _draft(sheet: Sheet) -> Iterator[str]:
    if sheet.draft:
        yield f'<div class="draft"><p>{_text(sheet.draft)}</p>'
        if sheet.missing:
            yield "<p>What is missing:</p>"
            yield from _bullets(Bullets(sheet.missing))
        yield "</div>"


def _draft_css(sheet: Sheet) -> str:
    """A draft says so at the head of every printed page."""
    if not sheet.draft:
        return ""
    words = re.sub(r"[^\w ,.]", "", sheet.draft)
    return f'@page {{ @top-center {{ content: "{words}"; font: bold 11pt sans-serif; }} }}\n'


def _section(section: Section, heading: str, numbers: count[int]) -> Iterator[str]:
    yield f'<section aria-labelledby="{section.key}">'
    yield f'<{heading} id="{section.key}">{_text(section.heading)}</{heading}>'
    for block in section.blocks:
        yield from _block(block, numbers)
    yield "</section>"


def _block(block: Block, numbers: count[int]) -> Iterator[str]:
    if isinstance(block, Para):
        yield f"<p{_class('loud' if block.loud else '')}>{_text(block.text)}</p>"
    elif isinstance(block, Bullets):
        yield from _bullets(block)
    elif isinstance(block, Facts):
        yield from ("<dl>", *(f"<dt>{_text(term)}</dt><dd>{_text(said)}</dd>" for term, said in block.pairs), "</dl>")
    elif isinstance(block, Table):
        yield from _table(block)
    else:
        yield from _picture(block, f"p{next(numbers)}")


def _bullets(block: Bullets) -> Iterator[str]:
    yield "<ul>"
    yield from (f"<li>{_text(entry)}</li>" for entry in block.entries)
    yield "</ul>"


def _table(block: Table) -> Iterator[str]:
    yield f"<table>\n<caption>{_text(block.caption)}</caption>\n<thead>\n<tr>"
    yield from (f'<th scope="col">{_text(column)}</th>' if column else "<td></td>" for column in block.columns)
    yield "</tr>\n</thead>\n<tbody>"
    for head, *cells in block.rows:
        yield f'<tr><th scope="row"{_class(_length(head))}>{_text(head)}</th>'
        yield from (_cell(column, cell) for column, cell in zip(block.columns[1:], cells, strict=True))
        yield "</tr>"
    yield "</tbody>\n</table>"


def _cell(column: str, cell: str) -> str:
    return f'<td data-column="{_text(column)}"{_class(_length(cell) if cell else "empty")}>{_text(cell)}</td>'


def _length(cell: str) -> str:
    """What is short stays in one line; words of usual length are not broken, longer ones may be."""
    if len(cell) <= SHORT:
        return "short"
    return "long" if any(len(word) > LONGEST_WORD for word in re.split(r"[\s-]", cell)) else ""


def _class(name: str) -> str:
    return f' class="{name}"' if name else ""


def _picture(block: Picture, key: str) -> Iterator[str]:
    yield "<figure>"
    if block.ending == "svg":
        yield _inline(block.data.decode(), key, block.says)
    else:
        data = base64.b64encode(block.data).decode()
        yield f'<img alt="{_text(block.says)}" src="data:image/{block.ending};base64,{data}">'
    yield f"<figcaption>{_text(block.caption)}</figcaption>\n</figure>"


def _inline(svg: str, key: str, says: str) -> str:
    """Our own SVG inside the page: a role, a title and a description, and names that no other picture has."""
    body = _METADATA.sub("", _OWN_STYLE.sub("", svg[svg.index("<svg") :]))
    body = re.sub(r'\bid="', f'id="{key}-', body)
    body = re.sub(r'(url\(|href=")#', rf"\1#{key}-", body)
    size = re.search(r'viewBox="([^"]*)"', body)
    box = "" if size is None else size[1]
    inside = body[body.index(">") + 1 :]
    named = f'<title id="{key}-title">Plot</title><desc id="{key}-desc">{_text(says)}</desc>'
    attributes = f'role="img" aria-labelledby="{key}-title" aria-describedby="{key}-desc" viewBox="{box}"'
    return f'<svg xmlns="http://www.w3.org/2000/svg" {attributes}>{named}{inside.strip()}'


def _text(text: str) -> str:
    """Text that is no markup, and holds no character that a page may not hold."""
    return escape(_CONTROL.sub("\ufffd", text), quote=True)


@cache
def _css() -> str:
    return files("rampguard.handback").joinpath("page.css").read_text(encoding="utf-8")
