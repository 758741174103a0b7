"""The course of a unit at full line in lines of text: how each channel's idle does, and what was checked at the end."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Final

WORDS: Final[Mapping[bool | None, str]] = {True: "in order", False: "NOT IN ORDER", None: "not checked"}
"""What a check came to."""


def course_lines(course: Mapping[str, Any]) -> list[str]:
    """Where it stands, a line a channel."""
    since = f"{course['minutes']:.0f} min at full line"
    phase = f"{course['phase']}, {course['phase_minutes']:.0f} min" if course["phase"] == "soak" else course["phase"]
    idles: Mapping[str, Mapping[str, Any]] = course["idles"]
    width = max((len(name) for name in idles), default=0)
    lines = [f"   {phase} ({since})"]
    for name, idle in idles.items():
        comes = idle["comes_to_v"]
        to = "" if comes is None else f"  comes to {_mv(comes[1])} ({_mv(comes[0])} to {_mv(comes[2])})"
        lines.append(f"     {name:<{width}}  {_mv(idle['now_v']):>9}  {idle['going']}: {idle['do']}{to}")
    return lines


def check_lines(checks: Sequence[Mapping[str, Any]]) -> list[str]:
    """What was checked, a line each: what is not right first."""
    order = {False: 0, None: 1, True: 2}
    ranked = sorted(checks, key=lambda check: order[check["right"]])
    return [f"{WORDS[check['right']]:<12}  {check['what']}: {check['text']}" for check in ranked]


def _mv(volts: float) -> str:
    return f"{1e3 * volts:.3g} mV"
