"""Where benchmarks leave their figures; ``python benchmarks/figures.py`` makes docs/figures.md of them."""

from __future__ import annotations

import argparse
import json
import platform
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

RESULTS = Path(__file__).resolve().parent / "results"
PAGE = RESULTS.parent.parent / "docs" / "figures.md"


def write_result(
    name: str, title: str, rows: list[dict[str, Any]], *, seed: int | None = None, script: str = ""
) -> None:
    """Keep one benchmark's rows, with its seed, the date and the kind of machine; ``script`` made it, or ``name``."""
    RESULTS.mkdir(exist_ok=True)
    result = {
        "format": 1,
        "name": name,
        "title": title,
        "date": datetime.now(UTC).date().isoformat(),
        "python": platform.python_version(),
        "machine": f"{platform.system()} {platform.machine()}",
        "seed": seed,
        "script": script or name,
        "rows": rows,
    }
    (RESULTS / f"{name}.json").write_text(json.dumps(result, indent=2) + "\n", encoding="utf-8")


def write_run(name: str, title: str, rows: list[dict[str, Any]], *, seed: int, script: str = "") -> None:
    """Keep one run's rows beside those of the benchmark's other runs; ``run`` in a row names its run."""
    before = RESULTS / f"{name}.json"
    kept = json.loads(before.read_text(encoding="utf-8"))["rows"] if before.exists() else []
    runs = {row["run"] for row in rows}
    write_result(name, title, [row for row in kept if row.get("run") not in runs] + rows, seed=seed, script=script)


def noted_parser(doc: str | None) -> argparse.ArgumentParser:
    """The options of a benchmark whose runs are kept: ``--note``; a script adds its own."""
    parser = argparse.ArgumentParser(description=doc, formatter_class=argparse.RawDescriptionHelpFormatter)
    parser.add_argument("--note", default="", help="keep the figures under this name of a run")
    return parser


def write_page() -> None:
    """Make docs/figures.md of all results."""
    parts = [
        "# Figures\n\nMade by `python benchmarks/figures.py` from what the scripts in `benchmarks/` measured."
        " Timings are of the machine named, mostly shared and noisy: read ratios and counts first.\n"
    ]
    for path in sorted(RESULTS.glob("*.json")):
        result = json.loads(path.read_text(encoding="utf-8"))
        seed = "" if result["seed"] is None else f", seed {result['seed']}"
        parts.append(
            f"## {result['title']}\n\n`python benchmarks/{result.get('script', result['name'])}.py`,"
            f" {result['date']}, Python {result['python']}, {result['machine']}{seed}\n"
        )
        columns = list(dict.fromkeys(column for row in result["rows"] for column in row))
        lines = ["| " + " | ".join(columns) + " |", "|" + " --- |" * len(columns)]
        lines += ["| " + " | ".join(str(row.get(column, "")) for column in columns) + " |" for row in result["rows"]]
        parts.append("\n".join(lines) + "\n")
    PAGE.write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    write_page()
