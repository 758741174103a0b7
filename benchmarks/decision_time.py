"""How long one reading takes, by layer; and what an hour at 10 readings a second costs to replay: time and memory.

``python benchmarks/decision_time.py``: readings of the simulated amplifier, receiver, converter and valve amplifier.
"""

from __future__ import annotations

import math
import statistics
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

from figures import write_result

from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from rampguard.engine.ceilings import limits_for
from rampguard.engine.expecting import Expecting, Seen, Sights
from rampguard.guard.decision import Observation
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.guard.limits import Limits
from rampguard.loads.basis import Basis
from rampguard.loads.classes import load_class
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Expectation, Reading

UNITS = ("healthy-amplifier", "healthy-receiver", "healthy-switch-mode", "healthy-valve")
SIGNALS = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER)
RAMP_S = 100.0


def observations(unit_name: str) -> tuple[str, float, list[Observation]]:
    """Load class, nameplate power, and a ramp of `RAMP_S` and a hold, at 10 readings a second."""
    world = World(make_unit(unit_name, 1, 230.0, 50.0), 230.0, 50.0)
    world.set_contactor(closed=True)
    world.set_output(on=True)
    seen = []
    for k in range(1, 1201):
        now_s = 0.1 * k
        event = ""
        if k == 800 and "receiver" in unit_name:
            world.press_power()
            event = "power-pressed"
        world.set_voltage(min(1.0, now_s / RAMP_S) * 230.0)
        world.advance(0.1)
        line = world.window.line
        values = zip(SIGNALS, (line.voltage_v, line.current_a, line.real_power_w), strict=True)
        readings = tuple(Reading(signal, value, now_s, now_s, bound=1e-3 * abs(value)) for signal, value in values)
        seen.append(Observation(now_s, readings, None, event))
    return world.unit.nameplate.load_class, world.unit.nameplate.nameplate_w, seen


def times(unit_name: str) -> dict[str, list[float]]:
    """Seconds a reading, by layers."""
    name, watts, seen = observations(unit_name)
    limits = limits_for(load_class(name), nameplate_w=watts, nameplate_v=230.0, signals=SIGNALS, driven=False)
    basis = Basis(load_class=name, nameplate_v=230.0, nameplate_w=watts)
    taken: dict[str, list[float]] = {"layer 1": [], "layers 1 and 2": [], "all layers": []}
    for _ in range(4):
        _walk(limits, seen, _BandAlone(basis), taken["layer 1"], taken["layers 1 and 2"])
        _walk(limits, seen, Expecting(basis), [], taken["all layers"])
    return taken


class _BandAlone:
    """The expected band without the causes."""

    def __init__(self, basis: Basis) -> None:
        self._band = basis.band()
        self._state = self._band.begin()

    def expect(self, seen: Seen) -> Expectation:
        """As `Expecting.expect`."""
        self._state, expectation = self._band.step(self._state, seen.sight)
        return expectation


def _walk(
    limits: Limits, seen: list[Observation], expecting: Expecting | _BandAlone, first: list[float], whole: list[float]
) -> None:
    state, sights = GuardState(), Sights()
    for observation in seen:
        begun_s = time.perf_counter()
        state, decision = judge(state, limits, observation)
        then_s = time.perf_counter()
        now = sights.of(observation)
        if now is not None:
            expectation = expecting.expect(now)
            state, decision = judge_expected(state, decision, limits, now.observation, expectation)
        first.append(then_s - begun_s)
        whole.append(time.perf_counter() - begun_s)


def _rows(minutes: float) -> Iterator[str]:
    """A slow ramp and a long hold of an amplifier, with a little noise."""
    _, _, seen = observations("healthy-amplifier")
    yield "time_s,line_voltage_v,line_current_a,real_power_w\n"
    for k in range(round(600 * minutes)):
        readings = seen[min(k, len(seen) - 1)].readings
        volts, amperes, watts = (r.value or 0.0 for r in readings)
        wobble = 1.0 + 0.0005 * math.sin(1.7 * k)
        yield f"{0.1 * k:.1f},{volts * wobble:.3f},{amperes * wobble:.5f},{watts * wobble:.3f}\n"


_MEASURED = """
import resource, sys, time
from rampguard.cli import main
begun = time.monotonic()
code = main(sys.argv[1:])
print(code, time.monotonic() - begun, resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024, file=sys.stderr)
"""


def replay(minutes: float) -> tuple[float, float]:
    """Seconds and megabytes (most at once) that replaying so many minutes takes, in a process of its own."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "long.csv"
        path.write_text("".join(_rows(minutes)), encoding="utf-8")
        given = ["replay", str(path), "--json", "--load-class", "linear-amplifier", "--nameplate-w", "300"]
        done = subprocess.run([sys.executable, "-c", _MEASURED, *given], capture_output=True, text=True, check=True)
    code, seconds, megabytes = done.stderr.split()[-3:]
    if code != "0":
        raise SystemExit(f"the recording should pass: {done.stdout}")
    return float(seconds), float(megabytes)


def main() -> None:
    """Measure and keep the figures."""
    rows: list[dict[str, Any]] = []
    for unit in UNITS:
        found = times(unit)
        for what, taken in found.items():
            cuts = statistics.quantiles(taken, n=1000)
            ratio = statistics.median(taken) / statistics.median(found["layer 1"])
            rows.append(
                {
                    "what": f"one reading, {what}: {unit}",
                    "p50 ms": round(1e3 * cuts[499], 3),
                    "p99.9 ms": round(1e3 * cuts[998], 3),
                    "ratio to layer 1 (medians)": round(ratio, 1),
                }
            )
    for minutes in (6.0, 60.0):
        seconds, megabytes = replay(minutes)
        rows.append({"what": f"replay of {minutes:g} min at 10 Hz: {seconds:.1f} s, {megabytes:.0f} MB at most"})
    write_result("decision_time", "One reading through the guard, and replaying an hour", rows)
    for row in rows:
        print(row)


if __name__ == "__main__":
    main()
