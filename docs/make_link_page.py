"""Puts the messages of the link (`rampguard.engine.messages`) into docs/link.md, and their schemas beside it.

``python docs/make_link_page.py``. A test holds pages and code together.
"""

from __future__ import annotations

import json
from pathlib import Path
from typing import Any

from rampguard.engine.link import ORDERS
from rampguard.engine.messages import schemas

HERE = Path(__file__).resolve().parent
PAGE, FILE = HERE / "link.md", HERE / "link-schemas.json"
BEGIN, END = "<!-- the messages -->", "<!-- the end of the messages -->"


def all_schemas() -> dict[str, Any]:
    """JSON Schemas (2020-12) of the order, the commands and the events."""
    return {"order": ORDERS.json_schema(), **schemas()}


def messages() -> str:
    """The messages as the page has them."""
    lines = []
    for kind, schema in schemas().items():
        lines += [f"**{'To the engine' if kind == 'command' else 'From the engine'}**", ""]
        lines += [f"| {kind} | what it says | beside it |", "| --- | --- | --- |"]
        for name, reference in schema["discriminator"]["mapping"].items():
            model = schema["$defs"][reference.rsplit("/", 1)[1]]
            fields = [f"`{field}`" for field in model["properties"] if field not in ("format", kind)]
            lines.append(f"| `{name}` | {' '.join(model['description'].split())} | {', '.join(fields) or '-'} |")
        lines.append("")
    return "\n".join(lines)


def main() -> None:
    """Rewrite page and schemas."""
    head, rest = PAGE.read_text(encoding="utf-8").split(BEGIN)
    PAGE.write_text(f"{head}{BEGIN}\n\n{messages()}\n{END}{rest.split(END)[1]}", encoding="utf-8")
    FILE.write_text(json.dumps(all_schemas(), indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
