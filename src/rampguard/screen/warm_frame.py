"""At full line: what each channel's idle does, when to turn which trimmer, and how the soak goes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any, Final

from rich.text import Text

from rampguard.screen.blocks import beside, big_row, wrapped
from rampguard.screen.plot import against_minutes
from rampguard.screen.view import View

URGENT: Final = ("switch off", "turn down", "find out why", "adjust now", "wait", "leave it")
"""What to do with a trimmer, the most urgent first."""
NAME_WIDTH: Final = 16

Table = Callable[[View, int, int], list[Text]]


def warm_headline(view: View, width: int, *, tall: bool) -> list[Text]:
    """What to do, and with which channel; and for how long it has been warm."""
    course = view.course
    minutes = f"{course['minutes']:.0f} min"
    if course["phase"] != "warm-up":
        into = f"{course['phase_minutes']:.0f} min"
        return big_row([(course["phase"].upper(), "stay with it"), (into, f"{minutes} at full line")], width, tall=tall)
    name, idle = _most_urgent(course["idles"])
    does = "WAIT" if idle is None else str(idle["do"]).upper()
    return big_row([(does, name), (minutes, "at full line")], width, tall=tall)


def _most_urgent(idles: dict[str, dict[str, Any]]) -> tuple[str, dict[str, Any] | None]:
    ranked = sorted(idles.items(), key=lambda item: URGENT.index(item[1]["do"]))
    return ranked[0] if ranked else ("no idle is measured", None)


def warm_body(view: View, width: int, height: int, table: Table) -> list[Text]:
    """Idles against time; beside them each channel, and in the soak every reading."""
    wide = max(36, int(width * 0.48))
    traces = {name: trace.points for name, trace in view.idles.items()}
    left = against_minutes(wide, height, traces)
    right = _channels(view, width - wide - 2)
    if view.course["phase"] != "warm-up" or len(right) + 4 <= height:
        right = [*right, Text(), *table(view, width - wide - 2, max(3, height - len(right) - 1))]
    return beside(left, right, wide, height)


def _channels(view: View, width: int) -> list[Text]:
    lines = []
    for number, (name, idle) in enumerate(view.course["idles"].items(), 1):
        comes = idle["comes_to_v"]
        to = "" if comes is None else f" → {_mv(comes[1])} ({_mv(comes[0])} to {_mv(comes[2])})"
        urgent = idle["do"] not in ("wait", "leave it")
        lines.append(Text(f"{number} {name[:NAME_WIDTH]}  {_mv(idle['now_v'])} mV{to}", "bold"))
        aim = "" if idle["set_to_v"] is None else f": to {_mv(idle['set_to_v'])} mV"
        said = f"{idle['going']}: {idle['do'].upper() if urgent else idle['do']}{aim}"
        lines += wrapped(f"  {said}", width, most=2, style="bold yellow" if urgent else "")
    return lines or [Text("no channel's idle is measured")]


def _mv(volts: float) -> str:
    return f"{1e3 * volts:.3g}"
