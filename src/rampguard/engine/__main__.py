"""The engine as a process, ``python -m rampguard.engine``: takes a run order and commands, gives events; see `link`."""

from __future__ import annotations

import queue
import signal
import sys
import traceback
from types import FrameType
from typing import Any

import instruments
from rampguard.engine.lines import LineReader, LineWriter
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_OUR_ERROR, RunOrder
from rampguard.engine.operator import Operator
from rampguard.engine.run import run


def main() -> int:
    """Run one order. Exit codes as in `link`."""
    # Standard output belongs to the link: whatever a library prints must not get between its lines.
    stdout = sys.stdout.buffer
    sys.stdout = sys.stderr
    inbox: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
    LineReader(sys.stdin.fileno(), inbox).start()
    events = LineWriter(stdout)
    events.start()
    operator = Operator(inbox, events)
    _ask_off_on_signals(operator)
    try:
        return _first_order(inbox, operator)
    except Exception:  # noqa: BLE001 - the last place to say anything; the watchdog cuts as this process ends
        operator.tell("broken", text=traceback.format_exc())
        return EXIT_OUR_ERROR
    finally:
        events.close()


def _first_order(inbox: queue.SimpleQueue[dict[str, Any] | None], operator: Operator) -> int:
    if getattr(instruments, "OWNER", None) != "rampguard":
        operator.tell("refused", text=f"the package 'instruments' at {instruments.__file__} is not rampguard's own")
        return EXIT_BAD_INPUT
    message = inbox.get()
    if message is None:
        return EXIT_BAD_INPUT
    try:
        order = RunOrder.from_message(message)
    except (ValueError, TypeError) as error:
        operator.tell("refused", text=str(error))
        return EXIT_BAD_INPUT
    return run(order, operator)


def _ask_off_on_signals(operator: Operator) -> None:
    def ask(number: int, frame: FrameType | None) -> None:
        operator.ask_off(f"signal {signal.Signals(number).name}")

    for name in ("SIGINT", "SIGTERM", "SIGHUP"):
        if hasattr(signal, name):
            signal.signal(getattr(signal, name), ask)


if __name__ == "__main__":
    sys.exit(main())
