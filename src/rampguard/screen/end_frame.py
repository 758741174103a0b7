"""A trip and the end of a run, filling the screen: what was cut, whether proven, why, likely causes, what to do now."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import Any

from rich.text import Text

from rampguard.cause_story import SURE, told_causes
from rampguard.cautions import NOT_PROVEN_OFF
from rampguard.course_story import check_lines
from rampguard.end_story import causes_in, causes_of, proof_lines
from rampguard.guard.evidence import CAUSE_WORDS
from rampguard.quantities import Cause
from rampguard.screen.blocks import STYLES, big_row, filled, paragraphs
from rampguard.screen.ui import Ui
from rampguard.screen.view import View

LAYERS = {
    "ceiling": "by a ceiling",
    "band": "by what a healthy unit may draw",
    "evidence": "by what the readings add up to",
    "reading": "by what did not answer, or cannot be",
}
UNPROVEN = "NOT PROVEN OFF"

DO_NOW = (
    "1. Leave it off. Mains plug out, one hand.",
    "2. Discharge the reservoirs through a resistor; MEASURE below 2 V on every rail before hands or clips go in.",
    "3. Measure what the likely causes name, unpowered. Mend, then ramp again from zero.",
)
TURN_BACK = "   The variac goes back to zero."
DO_NOW_UNPROVEN = (
    "1. EMERGENCY-OFF. Then the plug. Do not reach across the unit.",
    "2. Stay back until a meter of your own says that the line is dead.",
    "3. Find out why off could not be proven before this bench is used again.",
)
TOO_FAST = (
    "MIND The knob was turned at {speed:.0f} V/s just before; this bench can protect a unit to {most:.0f} V/s. It may"
    " be that alone: once it is off and measured, ramp again, slowly, before you look for a fault."
)


def end_body(view: View, ui: Ui, width: int, height: int, *, tall: bool) -> list[Text]:
    """What fills the screen once it was cut, or is over."""
    words, label, style = _headline(view)
    head = [Text(), *big_row([(words, label)], width, tall=tall, style=style)]
    if words == UNPROVEN:
        head = [*head[:-1], Text(NOT_PROVEN_OFF.center(width), style)]
    head.append(Text())
    story = paragraphs(_story(view, ui, width - 2), width - 2)
    room = height - len(head)
    first = max(0, min(ui.read_to, len(story) - room))
    shown = story[first : first + room]
    below = len(story) - first - room
    if below > 0:
        shown[-1] = Text(f"▼ {below + 1} more lines: down", "bold")
    return [*head, *filled(shown, room)]


def _headline(view: View) -> tuple[str, str, str]:
    danger = "bold white on red"
    if view.person_must_cut:
        return "SWITCH OFF", "the variac's switch or emergency-off: nothing else can", danger
    if view.summary is None:
        if view.trip:
            return "CUT", "not proven off yet: hands off", danger
        if view.seen.live:
            return UNPROVEN, "", danger
        return "NOT STARTED", "nothing was energised", "bold"
    if not view.summary["off"]["proven"]:
        return UNPROVEN, "", danger
    words = {"tripped": "TRIPPED", "stopped": "STOPPED", "passed": "PASSED"}.get(view.summary["outcome"], "OFF")
    checks = [check["right"] for check in view.summary.get("checks", [])]
    wrong, unchecked = checks.count(False), checks.count(None)
    if wrong and words == "PASSED":
        return f"{wrong} NOT OK", "off is proven; nothing tripped, but not all is in order: see below", STYLES["look"]
    if unchecked and words == "PASSED":
        return "PASSED  OFF", f"off is proven; {unchecked} NOT CHECKED: see below", STYLES["look"]
    return f"{words}  OFF", "off is proven; reservoirs may still be charged", "bold"


def _story(view: View, ui: Ui, width: int) -> Iterator[str]:
    if view.summary is None:
        yield from _without_result(view)
        return
    if ui.on_the_bench:
        yield f"What stood on the simulated bench: {ui.on_the_bench}"
        yield ""
    summary = view.summary
    yield from _why(view, summary)
    yield from _do_now(view, summary)
    yield from proof_lines(summary)
    yield ""
    yield from causes_of(summary, width)
    yield from check_lines(summary.get("checks", []))
    if summary["capture"]:
        yield ""
        yield f"capture: {summary['capture']}"


def _why(view: View, summary: Mapping[str, Any]) -> Iterator[str]:
    trip = summary["trip"]
    if trip:
        volts = trip["line_voltage_v"]
        at = "" if volts is None else f" at {volts:.3g} V,"
        yield f"WHY  {trip['reason']}"
        yield f"SEEN {LAYERS[trip['layer']]},{at} {trip['time_s']:.1f} s into the run"
        if view.turned_too_fast is not None:
            speed, most = view.turned_too_fast
            yield TOO_FAST.format(speed=speed, most=most)
        yield ""
        likely = _likely(summary)
        if likely:
            yield likely
            yield ""
    elif summary["outcome"] == "stopped":
        yield f"WHY  {_stopped_why(view)}"
        yield ""


def _do_now(view: View, summary: Mapping[str, Any]) -> Iterator[str]:
    if summary["trip"] is None and summary["off"]["proven"]:
        return
    yield "WHAT TO DO NOW"
    yield from DO_NOW if summary["off"]["proven"] else DO_NOW_UNPROVEN
    if view.run.get("hand_turned"):
        yield TURN_BACK
    yield ""


def _likely(summary: Mapping[str, Any]) -> str:
    """The likely causes in a line; empty where nothing speaks for any."""
    causes = causes_in(summary)
    if not causes or causes[0][0] == Cause.NO_FAULT:  # what was lost or overdue says nothing of the unit
        return ""
    told = [f"{CAUSE_WORDS[cause]} {100.0 * min(part, SURE):.0f} %" for cause, part in told_causes(causes)]
    return f"LIKELY  {', '.join(told)}" if told else ""


def _without_result(view: View) -> Iterator[str]:
    if view.trip:
        yield f"WHY  {view.trip['reason']}"
        yield ""
        yield view.alarm or "Every way off was commanded. Waiting for the meters to prove the line dead."
        yield from (f"{notice.kind}: {notice.text}" for notice in list(view.notices)[-6:])
    elif view.seen.refused:
        yield "The run was refused:"
        yield from view.seen.refused.splitlines()
    else:
        yield view.broken or "The engine ended before anything was energised."


def _stopped_why(view: View) -> str:
    stops = [notice.text for notice in view.notices if notice.kind == "stop"]
    return stops[-1] if stops else "stopped"
