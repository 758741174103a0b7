"""Puts every unit on the simulated bench at the command line, and makes docs/units.md of what came of it.

``python benchmarks/units.py`` (some ten minutes). What each unit should do is stated in tests/unit_outcomes.py.
"""

from __future__ import annotations

import sys
import tempfile
from concurrent.futures import ThreadPoolExecutor
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from instruments.simulated.faults import FAULTS
from instruments.simulated.units import UNITS

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))

from live_help import run_demo  # noqa: E402 - the path comes first
from unit_outcomes import OUTCOMES, disagreements  # noqa: E402

PAGE = HERE.parent / "docs" / "units.md"
SEEDS = (1, 2, 3, 4, 5)
HEAD = """# The units on the simulated bench

Made by `python benchmarks/units.py` on {date}, seeds {seeds}: every unit at the command line, as
`rampguard demo --unit NAME --no-screen`, at 230 V, 50 Hz, with the default plan and its nameplate.

"Should" is by all three layers of the guard. Where it says that a faulted unit comes up like a whole one, none of them
sees that fault.

Each unit is drawn from its parts' tolerances by the seed; the same seed draws the same specimen, whole or faulted.
Any of them can stand behind a series lamp (`--series-lamp-w 60`), and any fault can come later (`--fault-at-s 20`).

| unit | what it is | should | did | highest line voltage, V | first cause, of the first seed that tripped |
| --- | --- | --- | --- | --- | --- |
"""


def main() -> None:
    """Run all and write the page."""
    jobs = [(unit, seed) for unit in UNITS for seed in SEEDS]
    with tempfile.TemporaryDirectory() as folder, ThreadPoolExecutor(2) as pool:
        ran = list(pool.map(lambda job: run_demo(Path(folder) / f"{job[0]}-{job[1]}", *job), jobs))
    found = dict(zip(jobs, ran, strict=True))
    lines = [_row(unit, [found[unit, seed] for seed in SEEDS]) for unit in UNITS]
    date = datetime.now(UTC).date().isoformat()
    head = HEAD.format(date=date, seeds=f"{SEEDS[0]} to {SEEDS[-1]}")
    PAGE.write_text(head + "\n".join(lines) + "\n", encoding="utf-8")


def should(unit: str) -> str:
    """What it should do, in the table's words."""
    expected = OUTCOMES[unit]
    if expected.or_else:
        return f"passed, exit 0, or tripped, exit 3 ({expected.note})"
    by = f" below {expected.by:.0%} of line" if expected.outcome == "tripped" and expected.by <= 1.0 else ""
    note = f" ({expected.note})" if expected.note else ""
    return f"{expected.outcome}, exit {expected.code}{by}{note}"


def what(unit: str) -> str:
    """Kind and fault."""
    recipe = UNITS[unit]
    assert not recipe.fault or recipe.fault in FAULTS
    return f"{recipe.kind}: {recipe.fault}" if recipe.fault else recipe.kind


def _row(unit: str, ran: list[tuple[int, dict[str, Any], str]]) -> str:
    others = [found for code, said, _ in ran if (found := disagreements(unit, code, said))]
    did = f"so, {len(ran) - len(others)} of {len(ran)}"
    if OUTCOMES[unit].or_else:
        did += f" (passed {sum(1 for code, _, _ in ran if code == 0)})"
    if others:
        did += ": " + "; ".join(", ".join(found) for found in others)
    highest = [said["max_line_voltage_v"] for _, said, _ in ran]
    causes = [said["trip"]["reason"] for _, said, _ in ran if said["trip"]]
    cause = causes[0] if causes else ""
    print(unit, did, flush=True)
    return f"| {unit} | {what(unit)} | {should(unit)} | {did} | {min(highest):.0f} to {max(highest):.0f} | {cause} |"


if __name__ == "__main__":
    main()
