"""What the screen says, in words: state, how it stands, what to do next, each reading's margin. No widgets here."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from typing import Any, Final

from rampguard.cautions import NOT_PROVEN_OFF
from rampguard.quantities import LINE_QUANTITIES, SHAPE_QUANTITIES, Quantity, Signal
from rampguard.readings_words import in_order, name_words, value_words
from rampguard.run_seen import ENGINE_SILENT
from rampguard.screen.view import Part, View

OLD_AFTER_S: Final = 1.0
"""A reading of the line older than this is said to be old."""

ENDS: Final = {
    "held": "its time is over",
    "current-steady": "the current is steady",
    "power-pressed": "power is pressed and the current is steady",
}


@dataclass(frozen=True, slots=True)
class Standing:
    """How it is, in a line. ``level``: ``well``, ``look`` or ``danger``; the words say it too."""

    level: str
    text: str


def state_words(view: View) -> str:
    """Whether it is live, in capitals."""
    if view.summary is not None:
        return "OFF, PROVEN" if view.proven_off else "NOT PROVEN OFF"
    if view.ended:
        return "NOT PROVEN OFF" if view.seen.live else "NOTHING WAS ENERGISED"
    if not view.seen.live:
        return "NOT LIVE YET"
    states = {"tripped": "CUT: PROVING OFF", "unproven": "CUT: PROVING OFF", "safe": "OFF"}
    if view.person_must_cut:
        return "SWITCH OFF NOW"
    if view.trip:
        return "CUT: PROVING OFF"
    return states.get(view.newest.get("state", ""), "LIVE")


def standing(view: View, now_s: float) -> Standing:
    """How it is: the worst there is to say."""
    silent_s = view.silent_s(now_s)
    if silent_s:
        return Standing("danger", f"WHAT YOU SEE IS OLD, by {silent_s:.1f} s. {ENGINE_SILENT}")
    if view.alarm and view.may_be_live:
        return Standing("danger", view.alarm)
    if view.trip:
        return Standing("danger", f"TRIP: {view.trip['reason']}")
    if view.summary is not None:
        return Standing("well" if view.proven_off else "danger", "" if view.proven_off else NOT_PROVEN_OFF)
    if view.broken:
        return Standing("danger", "the engine broke; its watchdog cuts")
    if not view.seen.live:
        return Standing("well", "Nothing is energised yet.")
    if view.going_off:
        return Standing("well", "Off was commanded." if view.newest.get("state") != "safe" else "Off is proven.")
    if view.warning:
        return Standing("look", f"LOOK: {view.warning}")
    left_out = view.newest.get("not_evaluated", [])
    if left_out:
        more = f" (and {len(left_out) - 1} more)" if len(left_out) > 1 else ""
        return Standing("well", f"Well, as far as it is evaluated. Not evaluated: {left_out[0]}{more}")
    return Standing("well", "Well: all that is watched is within its limits.")


def next_words(view: View) -> str:
    """What the technician does next, or waits for."""
    if view.summary is not None or view.ended:
        return ""
    if view.trip:
        return "Hands off. Wait until off is proven."
    if view.going_off:
        if view.newest.get("state") == "safe":
            return "Off is proven. What the reservoirs hold is watched a while; hands off."
        return "Off was commanded. Hands off until it is proven."
    if not view.seen.live:
        return "The bench is looked at: ways off, meters, watchdog."
    if view.course:
        return _at_full_line(view.course)
    if view.paused:
        return f"PAUSED in {_stage(view)}. r goes on, right arrow a step, left arrow a step back."
    if view.stage.get("ends_when") == "power-pressed":
        if view.stage.get("bench_presses"):
            return "The bench presses the unit's power button."
        return "PRESS the unit's power button, one hand, then b here."
    return f"Now {_stage(view)}.{_then(view)}"


def _at_full_line(course: Mapping[str, Any]) -> str:
    turn = [f"{name} to {1e3 * idle['set_to_v']:.3g} mV" for name, idle in course["idles"].items() if idle["set_to_v"]]
    if turn:
        return f"One hand: t, then turn {turn[0]}, watch its own reading, then d." + (
            " Then the next." if turn[1:] else ""
        )
    return {
        "warm-up": "Wait while it warms. l when the lid goes on or off; g goes on to the soak.",
        "soak": "Stay with it: watch, listen, smell. g ends the soak.",
        "after the soak": "Take the drive off. The idle has to come back.",
    }.get(course["phase"], "All is done; it is being switched off.")


def _stage(view: View) -> str:
    stage = view.stage
    if not stage:
        return "switched on, at zero"
    return f"{stage['name']}, {stage['line_voltage_v']:g} V, until {ENDS.get(stage['ends_when'], stage['ends_when'])}"


def _then(view: View) -> str:
    after = view.next_stage
    if after is not None:
        return f" Then {after['name']}, {after['line_voltage_v']:g} V."
    return " It is the last one." if view.stage else ""


# -- readings ----------------------------------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Margin:
    """One reading, and how far it is from what it must not pass. ``used`` is the part of its ceiling that is used."""

    name: str
    value: str
    limit: str
    used: float | None
    age: str
    note: str


def margins(view: View) -> Iterator[Margin]:
    """Of every reading, the line's first."""
    left_out = " ".join(view.newest.get("not_evaluated", []))
    for signal, value in in_order(view.values):
        yield _margin(view, signal, value, left_out)


def _margin(view: View, signal: Signal, value: float, left_out: str) -> Margin:
    column = signal.column
    ceiling: float | None = view.newest.get("ceilings", {}).get(column)
    age_s = view.newest.get("ages_s", {}).get(column, 0.0)
    name = name_words(signal)
    unjudged = ceiling is None or (signal.quantity is Quantity.DC_OFFSET and f"offset, {signal.channel}:" in left_out)
    used = None if ceiling is None or unjudged or ceiling == 0.0 else abs(value) / ceiling
    limit = "" if ceiling is None else value_words(signal, ceiling)
    old = age_s > OLD_AFTER_S and signal.quantity in LINE_QUANTITIES
    age = f"{age_s:.1f} s" + (" OLD" if old else "")
    shape = signal.quantity in SHAPE_QUANTITIES  # there is nothing to hold it against
    note = "" if shape else "not evaluated" if unjudged else _in_band(view, column, value)
    return Margin(name, value_words(signal, value), limit, used, age, note)


def _in_band(view: View, column: str, value: float) -> str:
    bounds = view.newest.get("expected", {}).get(column)
    if bounds is None or not (view.ramping or view.course):
        return ""
    return "above band" if value > bounds[1] else "below band" if value < bounds[0] else "in band"


def bar(part: float | None, width: int) -> str:
    """A part of something as a bar of so many cells."""
    if part is None:
        return "·" * width
    full = min(width, round(min(1.0, part) * width))
    return "█" * full + "─" * (width - full)


# -- a hand at the knob ------------------------------------------------------------------------------------------------


def turn_words(advice: Mapping[str, Any], line_v: float | None) -> tuple[str, str]:
    """What the hand does, in very few words, and the reason in a line."""
    if not advice:
        return "WAIT", "the line's meter has not been heard yet"
    target = f"{advice['target_v']:.3g} V"
    if advice["too_fast"]:
        return "STOP", f"too fast: {advice['speed_v_per_s']:.0f} V/s, {advice['fastest_v_per_s']:.0f} at most"
    if advice["blind"]:
        return "WAIT", "a meter has no reading just now"
    if advice["turn"] == "up":
        most = advice["fastest_v_per_s"]
        return "TURN UP", f"to {target}, slowly" + ("" if most is None else f": {most:.1f} V/s at most")
    if advice["turn"] == "back":
        return "TURN BACK", f"to {target}"
    return "WAIT", f"leave it at {target}" if line_v is not None and line_v > 1.0 else "leave the knob at zero"


def gauge(volts: float | None, target_v: float | None, nameplate_v: float, width: int) -> str:
    """Where the line is and where it should go: ``▼`` over a scale, in two lines."""
    ends = "    0 V ", f" {nameplate_v:.0f} V"
    inner = max(10, width - len(ends[0]) - len(ends[1]) - 1)
    full_v = 1.1 * nameplate_v
    at = 0 if volts is None else max(0, min(inner - 1, int(volts / full_v * inner)))
    marks, scale = [" "] * inner, ["─"] * inner
    if target_v is not None:
        aim = max(0, min(inner - 1, int(target_v / full_v * inner)))
        marks[aim] = "▼"
        scale[aim] = "┼"
    scale[:at] = ["█"] * at
    return f"{' ' * len(ends[0])}{''.join(marks)}\n{ends[0]}{''.join(scale)}{ends[1]}"


def speed_words(advice: Mapping[str, Any], width: int) -> str:
    """How fast the line moves, against what this bench can protect."""
    if not advice:
        return ""
    now, most = advice["speed_v_per_s"], advice["fastest_v_per_s"]
    if most is None:
        return f"  speed {now:+.1f} V/s"
    said = f" {now:+.1f} of {most:.1f} V/s"
    return f"  speed {bar(max(0.0, now) / most, max(6, width - len(said) - 10))}{said}"


def part_words(view: View) -> list[tuple[str, bool]]:
    """The parts of the job in order, and which it is in."""
    return [(str(part), part is view.part) for part in Part]
