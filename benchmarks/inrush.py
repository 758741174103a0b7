"""A main relay that closes part-way up, cycle by cycle: how soon a short is cut, and whether an inrush ever is.

    python benchmarks/inrush.py [--count 1000] [--seed N] [--store FOLDER] [--note RUN]

Receivers whole and with an output pair shorted from rail to rail, with and without a soft start, on mains of 100 V and
230 V at 50 Hz and 120 V at 60 Hz, brought up to 70 % of line, where power is pressed at any moment of a cycle, and on
to 90 %, where it is pressed again: some standby supplies need more than 70 % before the main relay pulls in. Their
line voltage and line current are sampled 128 times a cycle, made into blocks of a digitiser with its gain, zero, noise
and a clamp that is late, and read by the digitiser's own meter; every cycle is judged by all layers of the guard.

``cycles`` are counted from the relay's closing to the end of the cycle that trips. What opens the line comes after it:
`docs/figures.md` has the time from a reading to the command, and a contactor takes one or two cycles more.
"""

from __future__ import annotations

import re
import statistics
from collections import Counter
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from figures import write_run
from jobs import options_parser, results, upper_bound
from ramps import MAINS, STEPS_A_CYCLE

from instruments.bench import Entry
from instruments.dialect import load_dialect
from instruments.digitiser import DigitiserMeter
from instruments.simulated.digitiser import AMPERES, AMPERES_SCALE, FULL_CODE, FULL_V, LATE_S, VOLTS, VOLTS_SCALE
from instruments.simulated.unit import Unit
from instruments.simulated.units import make_batch
from rampguard.engine.ceilings import limits_for
from rampguard.engine.expecting import Expecting, Sights
from rampguard.guard.decision import POWER_PRESSED, Observation
from rampguard.guard.judge import GuardState, judge, judge_expected
from rampguard.loads.basis import Basis
from rampguard.loads.classes import load_class

SEED: Final = 20261128
UNITS: Final = ("healthy-receiver", "soft-start-receiver", "shorted-receiver", "shorted-soft-start-receiver")
SOFT_OHM: Final = 22.0
"""What the soft start of a shorted one is, for mains of 230 V."""
RISE_PER_S: Final = 0.1
PRESS_AT: Final = (0.7, 0.9)
HELD_S: Final = 0.4
AFTER_S: Final = 1.5
LOT: Final = 100
LASTING: Final = 2.5
"""Nameplate currents that an inrush only passes through."""
Job = tuple[str, int, int, int]


@dataclass(frozen=True, slots=True)
class One:
    """How one unit fared."""

    unit: str
    seed: int
    mains: str
    cycles: float | None
    """From the relay's closing to the end of the cycle that tripped; None: nothing tripped."""
    closes: bool
    """Whether its relay ever closed."""
    before: bool
    """Whether it tripped before its relay closed."""
    said: str
    high: float
    """The largest cycle's current against the nameplate's."""
    lasting: int
    """Cycles above what lasts, 2.5 times nameplate."""


class Clock:
    """Bench time stands at the end of the record."""

    def __init__(self, now_s: float) -> None:
        self._now_s = now_s

    def now_s(self) -> float:
        """Seconds."""
        return self._now_s

    def sleep(self, duration_s: float) -> None:
        """Nothing more comes."""


class Recorded:
    """A link to a digitiser that has all of a record waiting."""

    name = "digitiser"

    def __init__(self, data: bytes, rate_hz: float) -> None:
        self._data, self._rate_hz = data, rate_hz

    def query(self, text: str, deadline_s: float | None = None) -> str:
        """Its answers, its commands' included."""
        if text.endswith(":SYST:ERR?"):
            return '0,"No error"'
        return f"{self._rate_hz!r}" if "RATE" in text else "0"

    def query_block(self, text: str, most_bytes: int, deadline_s: float | None = None) -> bytes:
        """The record."""
        return self._data

    def write(self, text: str) -> None:
        """Nothing."""

    def close(self) -> None:
        """Nothing."""


def lots(count: int, seed: int) -> list[Job]:
    """Units, first seeds, how many, and places among the mains."""
    firsts = range(0, count, LOT)
    return [(unit, seed + first, min(LOT, count - first), n) for unit in UNITS for n, first in enumerate(firsts)]


def lot(job: Job) -> list[One]:
    """One lot of units, pressed at the same moment."""
    unit, first, count, number = job
    volts, hertz = MAINS[number % len(MAINS)]
    generator = np.random.default_rng([first, number])
    batch = make_batch(unit, range(first, first + count), volts, hertz)
    soft = getattr(batch, "_soft", None)
    if soft is not None and "shorted" in unit:
        soft.ohm = np.full(count, SOFT_OHM * (volts / 230.0) ** 2)
    waves, presses, closed = sampled(batch, count, volts, hertz, int(generator.integers(STEPS_A_CYCLE)))
    watts = batch.nameplate.nameplate_w
    return [
        judged(unit, first + k, (volts, hertz), waves[:, :, k], presses, int(closed[k]), watts, generator)
        for k in range(count)
    ]


def sampled(
    batch: Unit, count: int, volts: float, hertz: float, phase: int
) -> tuple[np.ndarray, tuple[int, ...], np.ndarray]:
    """V and A at each step, shape (steps, 2, units); at which power was pressed; and at which each relay closed.

    -1 where it never did.
    """
    dt_s = 1.0 / (hertz * STEPS_A_CYCLE)
    parts, presses, now, length = list[np.ndarray](), list[int](), 0.0, 0
    for at in PRESS_AT:
        up, held, after = (round(s / dt_s) for s in ((at - now) / RISE_PER_S, HELD_S, AFTER_S))
        parts.append(np.concatenate([np.linspace(now, at, up), np.full(held + after, at)]))
        presses.append((length + up + held) // STEPS_A_CYCLE * STEPS_A_CYCLE + phase)
        now, length = at, length + up + held + after
    level = np.concatenate(parts) * volts
    sine = np.sqrt(2.0) * np.sin(2.0 * np.pi * np.arange(STEPS_A_CYCLE) / STEPS_A_CYCLE)
    seen, closed = np.zeros((len(level), 2, count)), np.full(count, -1)
    for k, rms in enumerate(level):
        if k in presses:
            batch.press_power()
        source_v = rms * sine[k % STEPS_A_CYCLE]
        line_a = batch.step(np.full(count, source_v), dt_s)
        seen[k] = source_v - line_a * batch.supply_ohm, line_a
        if k >= presses[0]:
            closed = np.where((closed < 0) & (np.asarray(batch.wanted) > 0.0), k, closed)
    return seen, tuple(presses), closed


def as_read(wave: np.ndarray, hertz: float, generator: np.random.Generator) -> DigitiserMeter:
    """The digitiser's meter, all of a record waiting in its digitiser; ``wave`` has V and A, shape (steps, 2)."""
    rate_hz = hertz * STEPS_A_CYCLE
    late = np.column_stack(
        [wave[:, 0], np.interp(np.arange(len(wave)) - LATE_S * rate_hz, np.arange(len(wave)), wave[:, 1])]
    )
    codes = []
    for values, front, scale in zip(late.T, (VOLTS, AMPERES), (VOLTS_SCALE, AMPERES_SCALE), strict=True):
        gain, zero = 1.0 + front.gain * generator.uniform(-1, 1), front.offset * FULL_CODE * generator.uniform(-1, 1)
        noise = front.noise * FULL_CODE * generator.standard_normal(len(values))
        codes.append(
            np.clip(np.rint(values * gain * FULL_CODE / (FULL_V * scale) + zero + noise), -FULL_CODE, FULL_CODE)
        )
    entry = Entry(
        dialect="scpi-digitiser",
        resource="TCPIP::127.0.0.1::1::SOCKET",
        inputs={"1": "line_voltage_v", "2": "line_current_a"},
        scales={"1": VOLTS_SCALE, "2": AMPERES_SCALE},
        skew_us=1e6 * LATE_S,
        rate_hz=rate_hz,
    )
    link: Any = Recorded(np.column_stack(codes).astype("<i4").tobytes(), rate_hz)
    return DigitiserMeter(link, load_dialect("scpi-digitiser"), Clock(len(wave) / rate_hz), entry, hertz)


def judged(
    unit: str,
    seed: int,
    mains: tuple[float, float],
    wave: np.ndarray,
    presses: tuple[int, ...],
    closed: int,
    watts: float,
    generator: np.random.Generator,
    class_name: str = "receiver",
) -> One:
    """Every cycle of one unit, by all layers, to its end; ``closed`` is the step at which its relay closed, or -1."""
    volts, hertz = mains
    meter = as_read(wave, hertz, generator)
    limits = limits_for(
        load_class(class_name),
        nameplate_w=watts,
        nameplate_v=volts,
        signals=meter.signals,
        driven=False,
        line_window_s=meter.measuring_time_s,
    )
    expecting = Expecting(Basis(load_class=class_name, nameplate_v=volts, nameplate_w=watts))
    sights, state = Sights(limits.line_window_s), GuardState()
    rate_hz = hertz * STEPS_A_CYCLE
    closed_s = closed / rate_hz if closed >= 0 else float("inf")
    due, currents = [press / rate_hz for press in presses], []
    for told in meter.cycles():
        now_s = told.readings[0].time_s
        pressed = bool(due) and now_s >= due[0]
        due = due[1:] if pressed else due
        seen = Observation(now_s, told.readings, None, POWER_PRESSED if pressed else "")
        if now_s >= closed_s and told.readings[1].value is not None:
            currents.append(told.readings[1].value * volts / watts)
        if state.trip is not None:
            continue
        state, decision = judge(state, limits, seen)
        now = sights.of(seen, tripped=decision.trip is not None)
        if now is not None:
            state, _ = judge_expected(state, decision, limits, now.observation, expecting.expect(now))
    trip = state.trip
    after = None if trip is None else (trip.time_s - closed_s) * hertz
    return One(
        unit,
        seed,
        f"{volts:g}/{hertz:g}",
        after,
        closed >= 0,
        after is not None and after < 0.0,
        "" if trip is None else f"{trip.layer}: {trip.reason}",
        float(max(currents, default=0.0)),
        sum(current > LASTING for current in currents),
    )


def rows(found: list[One], note: str) -> list[dict[str, Any]]:
    """The figures, a row a unit."""
    table = []
    for unit in UNITS:
        some = [one for one in found if one.unit == unit]
        on = [one for one in some if one.closes]
        if not on:
            continue
        cycles = sorted(float(one.cycles) for one in on if one.cycles is not None and not one.before)
        row: dict[str, Any] = {"run": note, "unit": unit, "count": len(some), "switched on": len(on)}
        row |= {"tripped": len(cycles), "tripped before its relay closed": sum(one.before for one in some)}
        if "shorted" in unit:
            seconds = [c / float(one.mains.split("/")[1]) for one in on if (c := one.cycles) is not None]
            row |= {
                "median cycles": round(statistics.median(cycles), 1) if cycles else "",
                "most cycles": round(cycles[-1], 1) if cycles else "",
                "within 6 cycles": sum(c <= 6.0 for c in cycles),
                "within 1 s": sum(s <= 1.0 for s in seconds),
            }
        else:
            row["at most (95 %)"] = f"{100 * upper_bound(len(cycles), len(on)):.2g} %"
        row["largest cycle, nameplates"] = round(max(one.high for one in on), 1)
        row["most cycles above 2.5 nameplates"] = max(one.lasting for one in on)
        table.append(row)
    return table


def main() -> None:
    """Run it."""
    options = options_parser(__doc__, 1000).parse_args()
    seed = SEED if options.seed is None else options.seed
    jobs = [job for job in lots(options.count, seed) if options.kinds in job[0]]
    found = [one for some in results(lot, jobs, options.store) for one in some]
    for row in rows(found, options.note):
        print(row)
    for unit, said in sorted(
        Counter((one.unit, re.sub(r"[0-9.]+", "#", one.said)[:90]) for one in found if one.said).items()
    ):
        print(f"{said:5d}  {unit[0]}: {unit[1]}")
    if options.note:
        write_run(
            "inrush", "Inrush and shorts behind a main relay, cycle by cycle", rows(found, options.note), seed=seed
        )


if __name__ == "__main__":
    main()
