"""Cold starts at full mains, after a power-up that passed: a ramp tests neither fuse nor soft start.

Each is a run of its own: the unit rests, proven off; then the contactor closes onto full mains, as a switch does.
"""

from __future__ import annotations

from dataclasses import replace
from typing import Any, Final

from rampguard.engine.link import EXIT_DONE, RunOrder
from rampguard.every_channel import Follow

STARTS: Final = 3
APART_S: Final = 120.0
"""Common practice, no source: reservoirs are empty by then, and an inrush thermistor has cooled."""
READY: Final = (
    "Now {starts} cold starts at full mains, {apart:g} s apart. The fuse that belongs into the unit is in it; no lamp"
    " is in series; the source can deliver the inrush; a variac stands at full mains, its contactor open; eyes are"
    " protected"
)


def cold_starts(order: RunOrder, passed: dict[str, Any], follow: Follow) -> tuple[int, list[dict[str, Any]]]:
    """Start it so often, after the run that ``passed``: the worst exit code and each start's result."""
    results: list[dict[str, Any]] = []
    code = EXIT_DONE
    for _ in range(STARTS):
        code, result = follow(
            replace(order, direct=True, after=passed["capture"], rest_s=APART_S, clip=passed.get("clip"), plan=None)
        )
        results.append(result)
        if code != EXIT_DONE:
            break
    return code, results


def start_lines(results: list[dict[str, Any]]) -> list[str]:
    """Each start in a line."""
    return [_line(number, result) for number, result in enumerate(results, 1)]


def _line(number: int, result: dict[str, Any]) -> str:
    amperes = result.get("max_line_current_a")
    inrush = "" if amperes is None else f": up to {amperes:.3g} A rms in one window of the meter (its peak is higher)"
    return f"cold start {number}: {result['outcome']}{inrush}"
