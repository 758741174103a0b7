"""``python -m instruments.simulated``: serve a simulated bench until standard input closes."""

from __future__ import annotations

import argparse
import os
import sys
import threading
from pathlib import Path
from typing import Final

from instruments.simulated.serve import (
    METERS,
    MISWIRED,
    SUPPLIES,
    Mischief,
    MischiefError,
    SimulationOptions,
    UnknownUnit,
    serve,
)
from instruments.simulated.wires import WIRES

GIVES_WAY: Final = 5
"""In lock-step the bench takes all the time that it gets: engine, watchdog and screen, on the same cores, go first."""


def main() -> int:
    """Serve. Exit 0 when standard input closed, 2 for what cannot be served."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--unit", required=True)
    parser.add_argument("--bench-file", required=True, type=Path)
    parser.add_argument("--speed", type=float, default=1.0)
    parser.add_argument("--lock-step", action="store_true")
    parser.add_argument("--seed", type=int, default=1)
    parser.add_argument("--log", type=Path)
    parser.add_argument("--mains-v", type=float, default=230.0)
    parser.add_argument("--frequency-hz", type=float, default=50.0)
    parser.add_argument("--series-lamp-w", type=float)
    parser.add_argument("--fault-at-s", type=float)
    parser.add_argument("--meters", choices=METERS, default=METERS[0])
    parser.add_argument("--supply", choices=SUPPLIES, default=SUPPLIES[0])
    parser.add_argument("--wires", choices=WIRES, default="socket")
    parser.add_argument("--miswired", choices=MISWIRED, default="")
    parser.add_argument("--scanner", action="store_true")
    parser.add_argument("--averaged", action="store_true")
    parser.add_argument("--mischief", metavar="INSTRUMENT:KIND@N[+]", action="append", default=[])
    parser.add_argument("--linger-s", type=float, default=0.0, help="serve so long after standard input closed")
    arguments = vars(parser.parse_args())
    linger_s = arguments.pop("linger_s")
    try:
        arguments["mischief"] = tuple(map(Mischief.parse, arguments["mischief"]))
    except MischiefError as error:
        parser.error(str(error))
    options = SimulationOptions(**arguments)
    if options.lock_step and hasattr(os, "nice"):
        os.nice(GIVES_WAY)
    stop = threading.Event()

    def until_input_closes() -> None:
        while os.read(sys.stdin.fileno(), 4096):
            pass
        # Whoever started this may have died: an engine that is cutting then still needs its bench for a moment.
        stop.wait(linger_s)
        stop.set()

    threading.Thread(target=until_input_closes, daemon=True).start()
    try:
        serve(options, stop)
    except (UnknownUnit, MischiefError, OSError) as error:
        print(error, file=sys.stderr)
        return 2
    return 0


if __name__ == "__main__":
    sys.exit(main())
