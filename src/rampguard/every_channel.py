"""Every channel of a unit with one meter: power up, read and set, power off, discharge, move the clip, and once more.

A clip is never moved while the unit is live, or its reservoirs are charged: one that slips across a transistor's pins
destroys the stage that is being proved. Each channel is a run of its own, with all that a run proves.
"""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass, replace
from typing import Any, Final

from rampguard.course_story import check_lines
from rampguard.engine.link import EXIT_DONE, EXIT_STOPPED, RunOrder
from rampguard.warmup.checks import Check, odd_checks
from rampguard.warmup.sheet import UnitSheet

MOVE: Final = (
    "Power is off. Before you move the clips to {channel}: plug out; discharge the reservoirs through a resistor, one"
    " hand; MEASURE below 2 V on both rails. Clips so that none can slip; nobody moves one while the unit is live"
)

FIRST: Final = (
    "Before anything is energised: plug out, reservoirs discharged and MEASURED below 2 V on both rails, clips on"
    " {channel} so that none can slip"
)

Follow = Callable[[RunOrder], tuple[int, dict[str, Any]]]
"""Runs an order to its end: its exit code, and its result."""


@dataclass(frozen=True, slots=True)
class EveryChannel:
    """How it went: the worst exit code, each channel's result, and what can be told only of all of them."""

    exit_code: int
    results: dict[str, dict[str, Any]]
    checks: list[dict[str, Any]]

    @property
    def as_message(self) -> dict[str, Any]:
        """For scripts."""
        return {"format": 1, "channels": self.results, "checks": self.checks}


def every_channel(order: RunOrder, sheet: UnitSheet, follow: Follow, moved: Callable[[str], bool]) -> EveryChannel:
    """Go round the sheet's channels; ``moved`` asks for a clip to be moved, and says whether it was.

    Ends with the first run that was not done, or the first clip that was not moved, which counts as stopped. The soak
    comes with the last one.
    """
    results: dict[str, dict[str, Any]] = {}
    code, warm_s, off_since_s = EXIT_STOPPED, 0.0, 0.0
    for channel in sheet.channels:
        if not moved((MOVE if results else FIRST).format(channel=channel)):
            code = EXIT_STOPPED
            break
        # What it warmed up before counts, less the time that it has cooled since.
        warm_s = max(0.0, warm_s - (time.monotonic() - off_since_s if off_since_s else 0.0))
        last = channel == sheet.channels[-1]
        code, result = follow(replace(order, clip=channel, warm_min=warm_s / 60.0, soaks=last))
        results[channel], off_since_s = result, time.monotonic()
        warm_s += 60.0 * float(result.get("full_line_min") or 0.0)
        if code != EXIT_DONE:
            break
    return EveryChannel(code, results, _compared(sheet, results))


def _compared(sheet: UnitSheet, results: dict[str, dict[str, Any]]) -> list[dict[str, Any]]:
    """The odd one out, and the channels that were not read."""
    idles = {
        channel: float(check["value"])
        for channel, result in results.items()
        for check in result.get("checks", [])
        if check["what"] == f"idle of {channel}" and check["value"] is not None
    }
    unread = (Check(f"idle of {name}", None, "not read") for name in sheet.channels if name not in idles)
    return [asdict(check) for check in (*odd_checks(sheet, idles), *unread)]


def summary_lines(every: EveryChannel) -> Sequence[str]:
    """All channels side by side, a line each."""
    checks = [
        check
        for channel, result in every.results.items()
        for check in result.get("checks", [])
        if channel in check["what"]
    ]
    return check_lines([*checks, *every.checks])
