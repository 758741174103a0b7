"""A digitiser at 100,000 samples a second on two inputs, for ten minutes, on one core.

    python benchmarks/digitiser_rate.py [--minutes 10] [--rate 100000] [--note RUN]

A server in a process of its own makes a healthy amplifier's line voltage and current (a table of one second, over and
over), 24 bit, as fast as wall time, and leaves out some samples every twenty seconds. The engine's own acquisition
asks it through a VISA session, cuts cycles, and has every cycle judged by all layers of the guard, all on one core
(Linux: `sched_setaffinity`). Counted: samples, cycles, gaps told against gaps made, how much of the core it takes, how
long after its end a cycle was judged, memory at each minute, and how a bare reader of the same blocks does.
"""

from __future__ import annotations

import json
import os
import resource
import subprocess
import sys
import threading
import time
from pathlib import Path
from typing import Any, Final

import numpy as np
from figures import noted_parser, write_run

from instruments.bench import Entry
from instruments.blocks import as_block
from instruments.clock import WallClock
from instruments.dialect import load_dialect
from instruments.digitiser import DigitiserMeter
from instruments.roles import SampleBlock
from instruments.simulated.digitiser import AMPERES_SCALE, FULL_CODE, FULL_V, VOLTS_SCALE
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from instruments.visa import Link
from rampguard.engine.acquire import FreeRunning
from rampguard.engine.ceilings import limits_for
from rampguard.engine.expecting import Expecting, Sights
from rampguard.guard.decision import Observation
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.loads.basis import Basis
from rampguard.loads.classes import load_class
from rampguard.quantities import LINE_VOLTAGE, Validity

SEED: Final = 20261129
HERTZ: Final = 50.0
VOLTS: Final = 230.0
WATTS: Final = 300.0
GAP_EVERY_S: Final = 20.0
GAP: Final = 137
SKEW_US: Final = 30.0


def table(rate_hz: float) -> bytes:
    """One second of both inputs: a sine, and pulses near its crests as a rectifier draws them."""
    at_s = np.arange(round(rate_hz)) / rate_hz
    volts = VOLTS * np.sqrt(2.0) * np.sin(2.0 * np.pi * HERTZ * at_s)
    late = np.sin(2.0 * np.pi * HERTZ * (at_s - 1e-6 * SKEW_US))
    amperes = 0.9 * np.sign(late) * np.clip(np.abs(late) - 0.85, 0.0, None) / 0.15 + 0.02 * late
    generator = np.random.default_rng(SEED)
    codes = [
        np.rint(values * FULL_CODE / (FULL_V * scale) + generator.normal(0.0, 25.0, len(at_s)))
        for values, scale in ((volts, VOLTS_SCALE), (amperes, AMPERES_SCALE))
    ]
    return np.column_stack(codes).astype("<i4").tobytes()


def serve(rate_hz: float) -> None:
    """The digitiser: prints its resource, then at the end what it left out."""
    rows, width, per_s = table(rate_hz), 8, round(rate_hz)
    lock = threading.RLock()
    scpi = ScpiInstrument("SIMULATED,DIGITISER,0,1", lock)
    state = {"began_s": 0.0, "told": 0, "first": 0, "gaps": 0, "due": 0, "left_out": 0}

    def start(_: str) -> None:
        state.update(began_s=time.monotonic(), told=0, first=0, gaps=0, left_out=0, due=round(GAP_EVERY_S * rate_hz))

    def block(_: str) -> str:
        now = int((time.monotonic() - state["began_s"]) * rate_hz)
        if now >= state["due"] + GAP:
            state["left_out"] += state["due"] + GAP - state["told"]
            state["told"] = state["due"] + GAP
            state["due"] += round(GAP_EVERY_S * rate_hz)
            state["gaps"] += 1
        first = int(state["told"])
        now = min(max(now, first), int(state["due"])) if first <= state["due"] else max(now, first)
        state.update(first=first, told=now)
        parts, at = [], first
        while at < now:
            begin = at % per_s
            count = min(now - at, per_s - begin)
            parts.append(rows[begin * width : (begin + count) * width])
            at += count
        return as_block(b"".join(parts)).decode("latin-1")

    scpi.add("ACQuire:RATE", lambda _: None)
    scpi.add("ACQuire:RATE?", lambda _: repr(rate_hz))
    scpi.add("ACQuire:STARt", start)
    scpi.add("ACQuire:STOP", lambda _: None)
    scpi.add("ACQuire:DATA?", block)
    scpi.add("ACQuire:POSition?", lambda _: str(state["first"]))
    server = ScpiServer(scpi)
    print(server.resource, flush=True)
    sys.stdin.read()
    print(json.dumps({"gaps": state["gaps"], "left_out": state["left_out"]}), flush=True)
    server.close()


class Judged:
    """Every cycle by all layers."""

    def __init__(self, meter: DigitiserMeter) -> None:
        self.limits = limits_for(
            load_class("linear-amplifier"),
            nameplate_w=WATTS,
            nameplate_v=VOLTS,
            signals=meter.signals,
            driven=False,
            line_window_s=meter.measuring_time_s,
        )
        basis = Basis(load_class="linear-amplifier", nameplate_v=VOLTS, nameplate_w=WATTS)
        self.expecting, self.sights, self.state = Expecting(basis), Sights(self.limits.line_window_s), GuardState()

    def __call__(self, observation: Observation) -> None:
        """One cycle."""
        self.state, decision = judge(self.state, self.limits, observation)
        now = self.sights.of(observation)
        if now is not None:
            self.state, _ = judge_expected(
                self.state, decision, self.limits, now.observation, self.expecting.expect(now)
            )


def resident_mb() -> float:
    """Memory of this process now, MB."""
    for line in Path("/proc/self/status").read_text(encoding="ascii").splitlines():
        if line.startswith("VmRSS"):
            return int(line.split()[1]) / 1024.0
    return resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 1024.0


def run(resource_name: str, rate_hz: float, minutes: float) -> dict[str, Any]:
    """The engine's side, for so long."""
    entry = Entry(
        dialect="scpi-digitiser",
        resource=resource_name,
        inputs={"1": "line_voltage_v", "2": "line_current_a"},
        scales={"1": VOLTS_SCALE, "2": AMPERES_SCALE},
        skew_us=SKEW_US,
        rate_hz=rate_hz,
    )
    link = Link(resource_name, name="digitiser", deadline_s=1.0)
    meter = DigitiserMeter(link, load_dialect("scpi-digitiser"), WallClock(), entry, HERTZ)
    counts = {"samples": 0, "lost": 0, "blocks": 0}

    def tap(block: SampleBlock) -> None:
        counts["samples"] += len(block.volts)
        counts["lost"] += block.lost
        counts["blocks"] += 1

    meter.listen(tap)
    judged, acquisition = Judged(meter), FreeRunning([meter], WallClock())
    gaps, cycles, problems, lags, memory = 0, 0, 0, list[float](), list[float]()
    began_s, cpu_s = time.monotonic(), time.process_time()
    acquisition.start()
    while time.monotonic() - began_s < 60.0 * minutes:
        for moment in acquisition.collect(lambda: None):
            readings = moment[0].readings
            gaps += "were lost" in moment[0].problem
            problems += bool(moment[0].problem) and "were lost" not in moment[0].problem
            cycles += sum(r.signal == LINE_VOLTAGE and r.validity is Validity.VALID for r in readings)
            judged(Observation(max(readings[0].time_s, judged.state.time_s), readings))
            lags.append(time.monotonic() - readings[0].time_s)
        if time.monotonic() - began_s > 60.0 * len(memory):
            memory.append(resident_mb())
    took_s, cpu = time.monotonic() - began_s, time.process_time() - cpu_s
    acquisition.stop()
    link.close()
    late = np.sort(1e3 * np.array(lags))
    return {
        "minutes": round(took_s / 60.0, 1),
        "samples a second, of each input": round(counts["samples"] / took_s),
        "cycles judged": cycles,
        "gaps told": gaps,
        "samples told as lost": counts["lost"],
        "other problems": problems,
        "of one core": round(cpu / took_s, 3),
        "cycle's end to judged, ms: p50": round(float(late[len(late) // 2]), 1),
        "p99": round(float(late[int(0.99 * len(late))]), 1),
        "p99.9": round(float(late[int(0.999 * len(late))]), 1),
        "MB at each minute": " ".join(f"{mb:.0f}" for mb in memory),
    }


def main() -> None:
    """Run it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--minutes", type=float, default=10.0)
    parser.add_argument("--rate", type=float, default=100_000.0)
    parser.add_argument("--serve", action="store_true", help="be the server")
    options = parser.parse_args()
    if options.serve:
        serve(options.rate)
        return
    command = [sys.executable, __file__, "--serve", "--rate", repr(options.rate)]
    with subprocess.Popen(command, stdin=subprocess.PIPE, stdout=subprocess.PIPE, text=True) as server:
        assert server.stdin is not None
        assert server.stdout is not None
        name = server.stdout.readline().strip()
        if hasattr(os, "sched_setaffinity"):
            os.sched_setaffinity(0, {min(os.sched_getaffinity(0))})
        row = run(name, options.rate, options.minutes)
        server.stdin.close()
        said = json.loads(server.stdout.read())
    row = {"run": options.note, **row, "gaps made": said["gaps"], "samples left out": said["left_out"]}
    print(row)
    if options.note:
        write_run("digitiser_rate", "A digitiser at full rate, on one core", [row], seed=SEED)


if __name__ == "__main__":
    main()
