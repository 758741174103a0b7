"""Puts what good parts read (`rampguard.cold.parts`) into docs/cold-checks.md.

``python docs/make_parts_table.py``. A test holds page and code together.
"""

from __future__ import annotations

from pathlib import Path

from rampguard.cold.finding import told_span
from rampguard.cold.parts import PARTS, Kind, Part

PAGE = Path(__file__).resolve().parent / "cold-checks.md"
BEGIN, END = "<!-- the parts -->", "<!-- the end of the parts -->"


def table() -> str:
    """The table as the page has it."""
    lines = ["| part | what | a good one reads | reversed | source |", "| --- | --- | --- | --- | --- |"]
    lines += [f"| {p.name} | {p.what} | {_good(p)} | {_reversed(p)} | {p.source} |" for p in PARTS.values()]
    return "\n".join(lines)


def _good(part: Part) -> str:
    if part.good is None:
        return f"`nominal_ohm` within {100 * part.tolerance:g} %"
    return told_span(part.good.low, part.good.high, _unit(part))


def _reversed(part: Part) -> str:
    return "-" if part.reversed is None else told_span(part.reversed.low, part.reversed.high, _unit(part))


def _unit(part: Part) -> str:
    return "V" if part.kind is Kind.DIODE else "ohm"


def main() -> None:
    """Rewrite the page's table."""
    head, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    tail = rest.split(END)[1]
    PAGE.write_text(f"{head}{BEGIN}\n\n{table()}\n\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
