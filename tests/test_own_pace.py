"""Four instruments of different speed, over real sessions: each at its own rate, and the slow one holds up none."""

from __future__ import annotations

import threading
import time
from collections import Counter

import pytest

from instruments.clock import WallClock
from instruments.instrument import ScpiMeter
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.visa import Link
from rampguard.engine.acquire import FreeRunning
from rampguard.quantities import Quantity, Signal
from test_transports import dialect

METERS = {"power-meter": 0.1, "rail-meter": 0.2, "handheld": 0.4, "thermometer": 1.0}
"""Names, and the time in which each makes a reading, s."""
WATCHED_S = 6.0


def slow_meter(name: str, period_s: float) -> tuple[ScpiServer, ScpiMeter]:
    """A meter that answers with its next reading, once it is made."""
    instrument = ScpiInstrument(f"SIMULATED,{name},0,1", threading.RLock())
    began_s = time.monotonic()

    def read(_: str) -> str:
        made = int((time.monotonic() - began_s) / period_s) + 1
        time.sleep(max(0.0, began_s + made * period_s - time.monotonic()))
        return f"{made}"

    instrument.add("READ?", read)
    server = ScpiServer(instrument)
    spoken = dialect(
        f"""
[link]
reply_deadline_s = {2.0 * period_s}
[[measurements]]
quantity = "as-wired"
query = "READ?"
unit = "V"
measuring_time_s = {period_s}
ranges = [{{ full = 100000.0 }}]
"""
    )
    link = Link(server.resource, name=name, deadline_s=2.0 * period_s)
    return server, ScpiMeter(link, spoken, WallClock(), wired_to=Signal(Quantity.RAIL, name))


def test_each_meter_is_read_at_its_own_rate() -> None:
    made = [slow_meter(name, period_s) for name, period_s in METERS.items()]
    acquisition = FreeRunning([meter for _, meter in made], WallClock())
    for _, meter in made:
        meter.read()  # open before the clock runs
    acquisition.start()
    seen: dict[str, set[float]] = {name: set() for name in METERS}
    problems = Counter[str]()
    deadline_s = time.monotonic() + WATCHED_S
    while time.monotonic() < deadline_s:
        for moment in acquisition.collect(lambda: None):
            for batch in moment:
                problems[batch.problem] += bool(batch.problem)
                seen[batch.instrument] |= {reading.value for reading in batch.readings if reading.value is not None}
    acquisition.stop()
    for server, _ in made:
        server.close()
    assert not problems.total()
    for name, period_s in METERS.items():
        # Every reading that was made, but for the ones at either end.
        span = max(seen[name]) - min(seen[name]) + 1
        assert len(seen[name]) >= 0.95 * span, name
        assert span >= 0.95 * (WATCHED_S / period_s) - 2, name
    assert pytest.approx(WATCHED_S / 0.1, rel=0.1) == len(seen["power-meter"])
