"""The whole screen as a function of what is known: nothing here keeps anything, asks anything, or knows a terminal.

From the top: a strip that says whether it is live and where in the job this is; what is read across the room; how it
stands; the part's own body; what comes next; what happened; the keys.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import Final

from rich.style import Style
from rich.text import Text

from rampguard.guard.watched import BY_KEY, Override
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER
from rampguard.readings_words import name_words, value_words
from rampguard.screen.blocks import STYLES, beside, big_row, cut, filled, wrapped
from rampguard.screen.end_frame import end_body
from rampguard.screen.plot import against_line
from rampguard.screen.ready_frame import ready_body
from rampguard.screen.tour import caption
from rampguard.screen.ui import Ui
from rampguard.screen.view import Part, View
from rampguard.screen.warm_frame import warm_body, warm_headline
from rampguard.screen.words import (
    bar,
    gauge,
    margins,
    next_words,
    part_words,
    speed_words,
    standing,
    state_words,
    turn_words,
)

TALL_FROM: Final = 34
"""From so many rows on the largest letters are used."""


@dataclass(frozen=True, slots=True)
class Size:
    """Of the terminal, in cells."""

    width: int
    height: int

    @property
    def tall(self) -> bool:
        """Whether there is room for the largest letters."""
        return self.height >= TALL_FROM and self.width >= 100


def frame(view: View, ui: Ui, size: Size, now_s: float, between: Callable[[], None] = lambda: None) -> list[Text]:
    """Every line of the screen, cut to its size. ``now_s`` is wall time, monotonic.

    ``between`` is called between two pieces of work.
    """
    if size.width < LEAST.width or size.height < LEAST.height:
        return _cramped(view, ui, size, now_s)
    top, bottom = [_strip(view, ui, size)], _bottom(view, ui, size)
    room = size.height - len(top) - len(bottom)
    if view.trip or view.summary is not None or view.ended:
        body = end_body(view, ui, size.width, room, tall=size.tall)
    elif view.part is Part.READY:
        body = ready_body(view, ui, size.width, room, tall=size.tall)
    else:
        body = _live_body(view, ui, size, room, now_s, between)
    between()
    return [cut(line, size.width) for line in (*top, *filled(body, room), *bottom)][: size.height]


LEAST: Final = Size(80, 24)
"""A smaller terminal shows what matters most, and says what it wants."""


def _cramped(view: View, ui: Ui, size: Size, now_s: float) -> list[Text]:
    how = standing(view, now_s)
    lines = [
        _strip(view, ui, size),
        *wrapped(how.text, size.width - 1, most=4, style=STYLES[how.level]),
        *(Text(f"{words} {label}", "bold") for words, label in _headline(view)),
        *wrapped(f"This terminal is {size.width} by {size.height}: make it 80 by 24 to see all.", size.width, most=2),
    ]
    keys = [_keys(view, ui, size)] if size.height > 3 else []
    return [cut(line, size.width) for line in (*filled(lines, size.height - len(keys)), *keys)][: size.height]


def _live_body(view: View, ui: Ui, size: Size, room: int, now_s: float, between: Callable[[], None]) -> list[Text]:
    between()
    how = standing(view, now_s)
    said = wrapped(how.text, size.width - 2, most=2, style=STYLES[how.level])
    if view.course:
        head = warm_headline(view, size.width, tall=size.tall)
    elif view.run.get("hand_turned"):
        head = _hand_head(view, size)
    else:
        head = big_row(_headline(view), size.width, tall=size.tall)
    lines = [*head, *filled(said, 2)]
    left = room - len(lines)
    between()
    if view.course:
        return lines + warm_body(view, size.width, left, _readings_table)
    wide = max(40, int(size.width * (0.52 if size.width < 100 else 0.58)))
    plot = _plot(view, ui, wide, left)
    between()
    return lines + beside(plot, _readings_table(view, size.width - wide - 2, left), wide, left)


def _headline(view: View) -> list[tuple[str, str]]:
    return [
        (value_words(signal, view.values[signal.column]), name_words(signal))
        for signal in (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER)
        if signal.column in view.values
    ] or [("- V", "line voltage")]


def _hand_head(view: View, size: Size) -> list[Text]:
    does, why = turn_words(view.advice, view.line_v)
    target = view.advice.get("target_v")
    to = f"{does} {target:.3g} V" if target is not None and does.startswith("TURN") else does
    now = "- V" if view.line_v is None else f"{view.line_v:.1f} V"
    lines = big_row([(to, why), (now, "the line now")], size.width, tall=size.tall)
    scale = gauge(view.line_v, target, view.nameplate_v, size.width)
    amps = "   ".join(f"{words} {label}" for words, label in _headline(view)[1:])
    return [
        *lines,
        *(Text(line) for line in scale.splitlines()),
        Text(f"{speed_words(view.advice, size.width - 42)}   {amps}", "bold"),
    ]


def _plot(view: View, ui: Ui, width: int, height: int) -> list[Text]:
    signal = REAL_POWER if ui.power and REAL_POWER.column in view.traces else LINE_CURRENT
    column = signal.column
    trace = view.traces.get(column)
    return against_line(
        width,
        height,
        points=[] if trace is None else trace.points,
        bounds=view.bounds.get(column, {}),
        ceiling=view.newest.get("ceilings", {}).get(column),
        nameplate_v=view.nameplate_v,
        unit=signal.unit,
        title=f"{name_words(signal)}; ░ a healthy unit's",
    )


def _readings_table(view: View, width: int, height: int) -> list[Text]:
    """Every reading with its margin: two lines each while there is room, one else."""
    every = list(margins(view))
    if not every:
        return [Text("no readings yet")]
    two = 2 * len(every) <= height
    lines: list[Text] = []
    for one in every:
        percent = "" if one.used is None else f"{100.0 * one.used:.0f} %"
        if two:
            lines.append(Text(f"{one.name[: width - 20]:<{max(1, width - 20)}}{one.value:>11}{one.age:>9}", "bold"))
            of = f"{percent} of {one.limit}" if one.used is not None else ""
            note = ", ".join(filter(None, (of, one.note)))
            lines.append(
                Text(f"  {bar(one.used, max(4, min(12, width - len(note) - 4)))} {note}", _used_style(one.used))
            )
        else:
            room = max(6, width - 23)
            tail = percent or "n/e"
            lines.append(Text(f"{one.name[:room]:<{room}}{one.value:>11}{tail:>6}{one.age:>6}", _used_style(one.used)))
    if any(one.used is None for one in every) and len(lines) < height:
        lines.append(Text("n/e: not evaluated", "dim"))
    if len(lines) > height:
        lines = [*lines[: height - 1], Text(f"and {len(lines) - height + 1} more", "dim")]
    return lines


def _used_style(used: float | None) -> str:
    return "" if used is None or used < 0.8 else "bold yellow" if used < 1.0 else "bold white on red"


# -- top and bottom ----------------------------------------------------------------------------------------------------


def _strip(view: View, ui: Ui, size: Size) -> Text:
    said = state_words(view)
    danger = said in ("LIVE", "NOT PROVEN OFF", "SWITCH OFF NOW") or said.startswith("CUT")
    text = Text(no_wrap=True)
    text.append(f" {said} ", "bold reverse" if not danger else "bold white on red")
    text.append("  ")
    for number, (name, here) in enumerate(part_words(view), 1):
        short = name if here or size.width >= 100 else ""
        text.append(f" {number} {short}".rstrip() + " ", "bold reverse" if here else "dim")
    clock = f"{view.time_s:7.1f} s  {'muted' if ui.muted else 'sound'} "
    if size.width >= 60:  # whether it is live is the last to go
        text.truncate(max(0, size.width - len(clock)), pad=True)
        text.append(clock, "dim")
    return text


def _bottom(view: View, ui: Ui, size: Size) -> list[Text]:
    lines: list[Text] = []
    if ui.tour:
        lines += [Text("· " + line.plain, "italic") for line in wrapped(caption(view), size.width - 4, most=3)]
    going = not (view.trip or view.summary is not None or view.ended)
    if going and view.part is not Part.READY:
        lines += wrapped(ui.hint or next_words(view), size.width - 2, most=2, style="bold")
        lines += _events(view, size)
    lines.append(_keys(view, ui, size))
    return lines


def _events(view: View, size: Size) -> list[Text]:
    rows = 2 if size.height < 30 else 4 if size.height < 45 else 8
    lines: list[Text] = []
    for n in reversed(view.notices):
        left = rows - len(lines)
        if left == 0:
            break
        said = f"{n.time_s:7.1f} s  {n.kind}: {n.text}"
        lines = [*wrapped(said, size.width - 1, most=left, style="dim"), *lines]
    return filled(lines, rows)


def keys_now(view: View, ui: Ui) -> list[tuple[str, str, str]]:
    """The keys that do something now: key, what it does, and the action a click has."""
    if ui.typing:
        return [("ESC", "OFF", "off"), ("enter", "sends what is typed", "")]
    if view.summary is not None or view.ended:
        return [("enter", "close", "close"), ("up/down", "read on", "")]
    if not view.seen.live:
        asking = [("y", "confirmed", "answer_yes"), ("n", "not so", "note_or_no")]
        if ui.asking and BY_KEY[ui.asking[0]].override is Override.OPERATOR:
            asking.append(("o", "go on without", "override"))
        if ui.to_begin:
            return [("space", "stop", "off"), ("enter", "switch on", "close")]
        return [("space", "stop", "off"), *(asking if ui.asking else [])]
    keys = [("SPACE", "OFF", "off")]
    if view.trip:
        return [*keys, ("up/down", "read on", "")]
    if view.going_off:
        return [*keys, ("n", "note", "note_or_no")]
    if view.course:
        keys += [("t", "trimmer", "trimmer"), ("d", "let go", "let_go"), ("l", "lid", "lid"), ("g", "go on", "go_on")]
    else:
        pause = ("r", "resume", "resume") if view.paused else ("p", "pause", "pause")
        keys += [pause, ("→", "step", "step"), ("←", "back", "stage_back")]
        keys += [("b", "pressed", "pressed")] if view.presses_power else []
        keys += [("w", "amps" if ui.power else "watts", "power")]
    if ui.turns and not view.course:
        keys.append(("↑↓", "turn", ""))
    return [*keys, ("n", "note", "note_or_no"), ("m", "mute", "mute"), ("c", "bright", "contrast")]


def _keys(view: View, ui: Ui, size: Size) -> Text:
    text = Text(no_wrap=True)
    for key, does, action in keys_now(view, ui):
        off = action == "off"
        style = Style(bold=True, reverse=off)
        if action:
            style += Style(meta={"@click": f"app.{action}"})
        text.append(f" {key}", style)
        text.append(f" {does}  " if size.width >= 100 else f" {does}", Style(bold=off))
    return text
