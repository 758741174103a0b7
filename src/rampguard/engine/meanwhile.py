"""Something that may block, done in a thread of its own, while whoever must not wait goes on."""

from __future__ import annotations

import threading
from collections.abc import Callable
from typing import Final

from instruments.errors import InstrumentError

TURN_S: Final = 0.01


def do_meanwhile(act: Callable[[], None], keep_alive: Callable[[], None]) -> None:
    """Have it done, and call ``keep_alive`` every `TURN_S` of wall time until it is.

    Raises its InstrumentError, and one for whatever else it raised: it was not done.
    """
    failure: list[InstrumentError] = []

    def work() -> None:
        try:
            act()
        except InstrumentError as error:
            failure.append(error)
        except Exception as error:  # noqa: BLE001 - a mistake of ours or a library's
            failure.append(InstrumentError(f"{type(error).__name__}: {error}"))

    worker = threading.Thread(target=work, daemon=True, name="meanwhile")
    worker.start()
    while worker.is_alive():
        keep_alive()
        worker.join(TURN_S)
    if failure:
        raise failure[0]
