"""What the site has where a page of docs/ leaves room for it; at a code host the page's own words stand there.

A page leaves room so: ``<!-- on the site: readme Safety -->``, its own words, ``<!-- until here -->``. There comes
a section of the README, a whole file beside it, what the pages say of safety, or a page made from the code
(`make_reference`). Nothing of that is kept in a file, so that nothing can be out of date. Pure but for reading files.
"""

from __future__ import annotations

import re
from itertools import groupby
from pathlib import Path
from typing import Final

import make_reference

from rampguard.cautions import NOT_PROVEN_OFF, PRE_POWER_CHECKS, RESERVOIRS

DOCS: Final = Path(__file__).resolve().parent
ROOT: Final = DOCS.parent
ROOM: Final = re.compile(r"<!-- on the site: (\w+)(?: ([^\n]+?))? -->\n.*?<!-- until here -->", re.DOTALL)
AHEAD: Final = re.compile(r"^([\w/-]+)\?\n", re.MULTILINE)
"""A page that the navigation names, with a question mark, and that need not be there yet."""
HOMES: Final = {
    "README.md": "start.md",
    "DEVELOPERS.md": "contributing.md",
    "CHANGELOG.md": "changes.md",
    "SECURITY.md": "security.md",
}
"""Where the site has what lies beside docs/."""

CAUTIONS: Final = (
    ("cold-checks.md", "**Unplugged.**"),
    ("wiring.md", "- Behind the isolation transformer **one** point"),
    ("wiring.md", "The contactor is the only automatic way off."),
    ("wiring.md", "Nothing but you can cut."),
    ("wiring.md", "Off is proven, the plug is out"),
    ("bench.md", "**Nothing of the line is connected to an input itself**"),
    ("waveforms.md", "Probes and clamps go on with the plug out."),
    ("probe.md", "Without `--permissives-confirmed`"),
    ("hunt.md", "**Between two runs, every time:**"),
    ("hunt.md", "**Never a bias sensor alone.**"),
    ("warm-up.md", "With one meter, `--every-channel` goes round"),
    ("warm-up.md", "An hour (the sheet says how long)"),
    ("sums.md", "**Without the isolation transformer**"),
    ("hand-back.md", "It says what was measured on those days."),
)
"""Page, and how the paragraph begins that has its caution."""


def filled(text: str) -> str:
    """A page as the site has it. Raises ValueError where what it leaves room for is not there."""
    with_pages = AHEAD.sub(lambda name: f"{name[1]}\n" if (DOCS / f"{name[1]}.md").exists() else "", text)
    return rehomed(ROOM.sub(lambda room: _content(room[1], room[2] or ""), with_pages))


def _content(kind: str, what: str) -> str:
    if kind == "readme":
        return section((ROOT / "README.md").read_text(encoding="utf-8"), what)
    if kind == "file":
        return (ROOT / what).read_text(encoding="utf-8").partition("\n")[2]
    if kind == "cautions":
        return cautions()
    if kind == "checks":
        return pre_power_checks()
    if kind == "reference":
        return make_reference.page(what)
    raise ValueError(f"{kind!r} is nothing that the site can put into a page; see docs/in_place.py")


def section(text: str, title: str) -> str:
    """What stands below a heading of the second order; without a title, what stands above the first of them."""
    if not title:
        return text.partition("\n")[2].partition("\n## ")[0]
    found = re.search(rf"^## {re.escape(title)}\n(.*?)(?=^## |\Z)", text, re.MULTILINE | re.DOTALL)
    if found is None:
        raise ValueError(f"README.md has no section {title!r}; correct the page that asks for it")
    return found[1]


def rehomed(text: str) -> str:
    """The same with links that lead to where the site has what they mean; a file's name becomes its page's title."""
    titled = re.sub(r"\[(?:docs/)?([\w-]+\.md)\]\((?=(?:docs/)?\1\))", "[](", text)
    return re.sub(r"\]\((?!\w+:)([^)\s]+)\)", lambda link: f"]({_home(link[1])})", titled)


def _home(target: str) -> str:
    path, mark, heading = target.removeprefix("../").removeprefix("docs/").partition("#")
    if path in ("", "README.md") and heading == "safety":
        return "safety.md"
    if path in HOMES:
        return HOMES[path] + mark + heading
    return target if target.startswith("../") else path + mark + heading


def cautions() -> str:
    """What each page has people mind, as it stands there."""
    pages = groupby(CAUTIONS, key=lambda caution: caution[0])
    return "\n\n".join("\n\n".join([f"[]({page}):", *(paragraph(*one) for one in its)]) for page, its in pages)


def paragraph(page: str, begins: str) -> str:
    """A paragraph of a page, quoted. Raises ValueError where none begins so."""
    blocks = (DOCS / page).read_text(encoding="utf-8").split("\n\n")
    for block in blocks:
        if block.strip().startswith(begins):
            return "\n".join(f"> {line}" for line in block.strip().splitlines())
    raise ValueError(f"no paragraph of {page} begins {begins!r}; put how it begins now into docs/in_place.py")


def pre_power_checks() -> str:
    """What a person confirms before anything may be armed, and what is said of the end."""
    checks = "\n".join(f"- {check.text}" for check in PRE_POWER_CHECKS)
    return f"{checks}\n\n{RESERVOIRS}\n\nWhere off cannot be proven: **{NOT_PROVEN_OFF}**."


def within_reach(html: str) -> str:
    """The same with what scrolls reached by the keyboard too, and captions of the navigation told as what they are."""
    html = re.sub(r'<(pre|div class="table-wrapper[^"]*")>', r'<\1 tabindex="0">', html)
    return html.replace('<p class="caption" role="heading">', '<p class="caption" role="heading" aria-level="2">')
