"""Puts the table of all that is watched (`rampguard.guard.watched`) into docs/interlock.md.

``python docs/make_interlock_table.py``. A test holds page and code together.
"""

from __future__ import annotations

from collections.abc import Iterable
from pathlib import Path

from rampguard.guard.watched import TABLE, Group, Watched

PAGE = Path(__file__).resolve().parent / "interlock.md"
BEGIN, END = "<!-- the table -->", "<!-- the end of the table -->"


def table(rows: Iterable[Watched] = TABLE) -> str:
    """The table as the page has it."""
    lines = []
    for group in Group:
        lines += [f"**{group[0].upper()}{group[1:]}**", ""]
        lines += ["| check | what | limit | warns | trips | what clears it | who may override it | recorded |"]
        lines += ["| --- " * 8 + "|"]
        lines += [
            f"| {row.key} | {row.what} | {row.limit} | {row.warns or '-'} | {row.trips} | {row.clears} |"
            f" {row.override} | {row.recorded} |"
            for row in rows
            if row.group == group
        ]
        lines += [""]
    return "\n".join(lines)


def main() -> None:
    """Rewrite the page's table."""
    head, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    tail = rest.split(END)[1]
    PAGE.write_text(f"{head}{BEGIN}\n\n{table()}\n{END}{tail}", encoding="utf-8")


if __name__ == "__main__":
    main()
