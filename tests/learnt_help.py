"""Captures of good units to learn from: the project's own, and others of its model made of it."""

from __future__ import annotations

import csv
import json
import shutil
from pathlib import Path
from typing import Any

from rampguard.archive.seal import SEAL_NAME, seal_text

GOOD = Path(__file__).resolve().parent.parent / "captures" / "healthy-amplifier"


def another(into: Path, name: str, *, draws: float = 1.0, sealed: bool = True, every: int = 6, **facts: Any) -> Path:
    """A capture of a unit that draws so much more, of every sixth reading; ``facts`` go into its descriptor."""
    folder = into / name
    shutil.copytree(GOOD, folder)
    path = folder / "readings.csv"
    with path.open(newline="", encoding="utf-8") as stream:
        head, *rows = csv.reader(stream)
    scaled = [head.index(column) for column in ("line_current_a", "real_power_w")]
    event = facts.pop("expected_event", "")
    rows = rows[::every]
    for number, row in enumerate(rows):
        for place in scaled:
            row[place] = repr(draws * float(row[place])) if row[place] else ""
        if event and number == len(rows) // 2:
            row[head.index("expected_event")] = event
    with path.open("w", newline="", encoding="utf-8") as stream:
        csv.writer(stream, lineterminator="\n").writerows([head, *rows])
    described = folder / "datapackage.json"
    found = json.loads(described.read_text(encoding="utf-8"))
    described.write_text(json.dumps(found | facts), encoding="utf-8")
    (folder / SEAL_NAME).unlink()
    if sealed:
        (folder / SEAL_NAME).write_text(seal_text(folder), encoding="utf-8")
    return folder


def job_of(folder: Path, number: str, serial: str | None = None, more: str = "") -> Path:
    """A job folder, as much of it as tells whose its captures are."""
    (folder / "captures").mkdir(parents=True)
    unit = "" if serial is None else f'serial = "{serial}"\n'
    text = f'format = 1\nnumber = "{number}"\n[unit]\ntitle = "shelf amplifier"\n{unit}{more}'
    (folder / "job.toml").write_text(text, encoding="utf-8")
    return folder / "captures"
