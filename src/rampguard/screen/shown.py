"""One run on the screen, for whoever orders it."""

from __future__ import annotations

from collections.abc import Collection
from dataclasses import replace

from rampguard.cautions import PRE_POWER_CHECKS
from rampguard.engine.link import EXIT_OUR_ERROR, RunOrder
from rampguard.run_seen import RunSeen
from rampguard.screen.app import Look, Screen
from rampguard.screen.giving_way import give_way
from rampguard.screen.ui import Ui


def on_screen(order: RunOrder, ui: Ui, look: Look | None) -> tuple[int, RunSeen]:
    """Follow a run to its end on the screen: its exit code, and what was seen of it."""

    def ordered(confirmed: dict[str, str]) -> RunOrder:
        if not confirmed:
            return order
        overrides = (order.overrides or {}) | {key: reason for key, reason in confirmed.items() if reason}
        return replace(order, permissives_confirmed="at the terminal", overrides=overrides)

    screen = Screen(ordered, ui, look, give_way)
    code = screen.run()
    return EXIT_OUR_ERROR if code is None else code, screen.view.seen


def asked_checks(overrides: dict[str, str], answered: Collection[str] = ()) -> list[str]:
    """The pre-power checks to ask for: all but those that are gone on without already, or answered by a cold sheet."""
    return [check.key for check in PRE_POWER_CHECKS if check.key not in overrides and check.key not in answered]
