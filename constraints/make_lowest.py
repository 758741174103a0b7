"""Puts the lowest version of everything that pyproject.toml asks for directly into constraints/lowest.txt.

``python constraints/make_lowest.py``. A test holds the two together. What the lowest need in turn is left to
pip. Of linters and checkers (the extra ``dev``) only the newest are used.
"""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterator
from pathlib import Path

HERE = Path(__file__).resolve().parent
FILE = HERE / "lowest.txt"
HEAD = "# Made by `python constraints/make_lowest.py` from pyproject.toml: what is promised to be enough.\n"
_LOWER = re.compile(r"(?P<name>[\w.-]+)(?:\[[\w,.-]+\])?(?:>=|==)(?P<version>[\w.]+)[^;]*(?P<where>;.*)?")


def lowest() -> str:
    """The file's text. Raises ValueError where a requirement has no lower bound."""
    project = tomllib.loads((HERE.parent / "pyproject.toml").read_text(encoding="utf-8"))["project"]
    extras = [wanted for name, wanted in project["optional-dependencies"].items() if name != "dev"]
    wanted = [one for several in (project["dependencies"], *extras) for one in several]
    return HEAD + "".join(f"{line}\n" for line in sorted(set(_pinned(wanted, project["name"]))))


def _pinned(wanted: list[str], ours: str) -> Iterator[str]:
    for requirement in wanted:
        if requirement.startswith(f"{ours}["):
            continue
        found = _LOWER.fullmatch(requirement)
        if found is None:
            raise ValueError(f"{requirement!r} has no lower bound; write one, as in numpy>=1.26")
        yield f"{found['name']}=={found['version']}{found['where'] or ''}"


if __name__ == "__main__":
    FILE.write_text(lowest(), encoding="utf-8")
