"""How often the cause named first is the true one, by the probability it was given; and a picture of that.

``python benchmarks/calibration.py`` draws docs/pictures/calibration.png from the figures that `fault_energy` kept.
"""

from __future__ import annotations

import itertools
import json
from collections.abc import Iterable
from pathlib import Path
from typing import Any, Final

import numpy as np
from jobs import upper_bound

RESULTS: Final = Path(__file__).resolve().parent / "results" / "calibration.json"
PICTURE: Final = RESULTS.parent.parent.parent / "docs" / "pictures" / "calibration.png"
EDGES: Final = (0.0, 0.5, 0.7, 0.85, 0.95, 0.99, 0.999, 1.0 + 1e-9)
"""Answers are put together by the probability they were given."""

Answer = tuple[bool, float, bool]
"""Whether the guard tripped, the probability given to the cause named first, and whether it is the true one."""


def calibration(answers: Iterable[Answer], run_name: str, commit: str) -> list[dict[str, Any]]:
    """A row for each group of answers to a trip."""
    tripped = [(probability, right) for trip, probability, right in answers if trip]
    rows = []
    for low, high in itertools.pairwise(EDGES):
        some = [(probability, right) for probability, right in tripped if low <= probability < high]
        if some:
            hits = sum(right for _, right in some)
            rows.append(
                {
                    "run": run_name,
                    "classes as of": commit,
                    "given": f"{100 * low:g} to {100 * min(high, 1.0):g} %",
                    "answers": len(some),
                    "given, mean": f"{100 * np.mean([probability for probability, _ in some]):.2f} %",
                    "right": f"{100 * hits / len(some):.1f} %",
                    "right (95 %)": " to ".join(f"{100 * edge:.1f}" for edge in interval(hits, len(some))) + " %",
                }
            )
    return rows


def interval(hits: int, of: int) -> tuple[float, float]:
    """The 95 % interval of a rate (both bounds one-sided 97.5 %)."""
    return 1.0 - upper_bound(of - hits, of, 0.975), upper_bound(hits, of, 0.975)


def _part(percent: str) -> float:
    return float(percent.rstrip(" %")) / 100.0


def draw() -> None:
    """Draw the newest run's rows: what was right against what was given."""
    from matplotlib.figure import Figure

    rows = json.loads(RESULTS.read_text(encoding="utf-8"))["rows"]
    rows = [row for row in rows if row["run"] == rows[-1]["run"]]
    given, right = ([_part(row[key]) for row in rows] for key in ("given, mean", "right"))
    spans = [[float(edge) / 100.0 for edge in row["right (95 %)"].rstrip(" %").split(" to ")] for row in rows]
    figure = Figure(figsize=(6.0, 5.0), layout="constrained")
    axes = figure.subplots()
    axes.plot([0.0, 1.0], [0.0, 1.0], color="0.6", linestyle="--", label="as often as given")
    errors = [
        [r - low for r, (low, _) in zip(right, spans, strict=True)],
        [high - r for r, (_, high) in zip(right, spans, strict=True)],
    ]
    axes.errorbar(given, right, yerr=np.maximum(errors, 0.0), marker="o", linestyle="none", capsize=4, label="causes")
    for n, (x, y, row) in enumerate(zip(given, right, rows, strict=True)):
        beside = (-8, 6) if n % 2 == 0 else (-8, -18)  # above and below in turn: the surest stand close together
        axes.annotate(f"{row['answers']}", (x, y), textcoords="offset points", xytext=beside, ha="right")
    axes.set(xlabel="probability given to the cause named first", ylabel="part of such answers that were right")
    axes.set(
        xlim=(0.3, 1.02), ylim=(0.0, 1.05), title="Causes named after a trip: given, and right (number of answers)"
    )
    axes.legend(loc="lower right")
    figure.savefig(PICTURE, dpi=110)


if __name__ == "__main__":
    draw()
