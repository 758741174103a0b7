"""Getting ready: the pre-power checks a person answers, then what the program looks at itself."""

from __future__ import annotations

from rich.text import Text

from rampguard.cautions import NO_SAFETY_DEVICE, PRE_POWER_CHECKS
from rampguard.guard.watched import BY_KEY, Override
from rampguard.screen.blocks import big_row, filled, wrapped
from rampguard.screen.ui import Ui
from rampguard.screen.view import View

MARKS = {"holds": "[ok]", "fails": "[NO]", "not-evaluated": "[--]", "overridden": "[went on without]"}


def ready_body(view: View, ui: Ui, width: int, height: int, *, tall: bool) -> list[Text]:
    """Ask one check after the other; or show how each stands."""
    if ui.asking:
        return _asked(ui, width, height, tall=tall)
    if ui.to_begin:
        return _to_begin(ui, width, height, tall=tall)
    lines = big_row([("NOT LIVE", "getting ready: the bench is looked at")], width, tall=tall)
    lines += [Text(), *wrapped(NO_SAFETY_DEVICE, width - 2, most=3), Text()]
    stand = [
        Text(f"{MARKS[told['standing']]} {key}: {told['said'] or BY_KEY[key].limit}")
        for key, told in view.permissives.items()
        if key in BY_KEY
    ]
    if view.asked:
        stand.append(Text(f"{view.asked['instrument']}: {view.asked['what']}", "bold"))
    room = height - len(lines)
    return [*lines, *filled(stand[-room:], room)]


def _to_begin(ui: Ui, width: int, height: int, *, tall: bool) -> list[Text]:
    lines = big_row([("READY", "every pre-power check is answered")], width, tall=tall)
    lines += [
        Text(),
        Text("Enter switches on: the program looks at its own checks, and then the unit is LIVE.", "bold"),
    ]
    lines += [Text("Space or escape: not now; nothing was energised."), Text(), *_done(ui)]
    return [*filled(lines, height - 4), Text(), *wrapped(NO_SAFETY_DEVICE, width - 2, most=3)]


def _asked(ui: Ui, width: int, height: int, *, tall: bool) -> list[Text]:
    key = ui.asking[0]
    texts = {check.key: check.text for check in PRE_POWER_CHECKS}
    total = len(ui.asking) + len(ui.confirmed)
    lines = big_row([(f"{len(ui.confirmed) + 1} OF {total}", "pre-power checks: look, then answer")], width, tall=tall)
    lines += [Text(), *wrapped(texts.get(key, key), width - 2, most=5, style="bold"), Text()]
    may = BY_KEY[key].override is Override.OPERATOR
    lines.append(Text("y: I have looked, and it is so.    n: it is not; stop here."))
    lines.append(Text("o: go on without it, and say why." if may else "This one cannot be gone on without."))
    lines.append(Text())
    done = _done(ui)
    lines += done[-max(0, height - len(lines) - 4) :]
    return [*filled(lines, height - 4), Text(), *wrapped(NO_SAFETY_DEVICE, width - 2, most=3)]


def _done(ui: Ui) -> list[Text]:
    said = (f"[went on without] {key}: {reason}" if reason else f"[ok] {key}" for key, reason in ui.confirmed.items())
    return [Text(line) for line in said]
