"""Warm-ups of healthy and of running-away channels: whether forecasts come true, and whether every runaway is called.

    python benchmarks/warm_ups.py [--count 1000] [--seed 1] [--note RUN]

The simulator's channel by itself, brought to full line at once, an hour and a half of it: idle, devices and heat sink.
In half of them a trimmer is turned after 4 to 6 minutes, in two of five the lid is moved; meters differ in noise and in
their last digit. A forecast is asked for after a third of the time until the idle is within 2 % of where it ends (four
minutes after the last touch at the earliest), and after two thirds. Runaways are followed reading by reading, ten a
second, until idle has doubled; healthy ones are asked in the same way, at intervals.
"""

from __future__ import annotations

import json
from dataclasses import dataclass
from typing import Any, Final

import numpy as np
from figures import noted_parser, write_run
from jobs import upper_bound

from instruments.simulated.amplifier import CHANNEL
from instruments.simulated.faults import FAULTS
from instruments.simulated.ops import ARRAY
from instruments.simulated.stages import Channel
from instruments.simulated.tolerances import draw, stack
from rampguard.warmup.approach import Forecast, Stretch, forecast
from rampguard.warmup.growth import runs_away

ACROSS_V: Final = 90.0
TOLERANCE: Final = 0.02
"""Settled is within this part of the final value."""
LEAST_S: Final = 240.0
ASKED_AFTER, AND_AFTER = 1.0 / 3.0, 2.0 / 3.0
"""A forecast is asked for after such a part of the time until it has settled, and once more."""
HEALTHY_S, HEALTHY_EVERY_S = 5400.0, 0.5
RUNAWAY_S, RUNAWAY_EVERY_S = 600.0, 0.1
ASKED_EVERY_S: Final = 47.0
"""Of a healthy one whether it runs away, at these intervals."""


@dataclass
class Warmed:
    """Channels as they warmed: volts across one emitter resistor, shape (readings, channels), and what was touched."""

    every_s: float
    volts: np.ndarray
    turned_s: np.ndarray
    lid_s: np.ndarray
    """Both infinite where nobody did."""


def warmed(count: int, generator: np.random.Generator, *, runaways: bool) -> Warmed:
    """So many channels, from cold at full line."""
    parts = stack([draw(CHANNEL, generator) for _ in range(count)])
    never = np.full(count, np.inf)
    turned_s, turned_by, lid_s, lid_by = never, np.ones(count), never, np.ones(count)
    if runaways:
        drift = FAULTS["idle runaway"].parts
        parts |= stack([draw(drift, generator) for _ in range(count)])
    else:
        turned_s = np.where(generator.random(count) < 0.5, generator.uniform(240.0, 360.0, count), np.inf)
        turned_by = generator.uniform(0.7, 1.4, count)
        lid_s = np.where(generator.random(count) < 0.4, generator.uniform(400.0, 1200.0, count), np.inf)
        lid_by = generator.uniform(0.75, 1.35, count)
    every_s = RUNAWAY_EVERY_S if runaways else HEALTHY_EVERY_S
    channel = Channel(**parts)
    idle_a, sink_k_per_w = parts["idle_a"], parts["sink_k_per_w"]
    volts = np.empty((round((RUNAWAY_S if runaways else HEALTHY_S) / every_s), count))
    for n in range(len(volts)):
        now_s = n * every_s
        channel.idle_a = np.where(now_s >= turned_s, idle_a * turned_by, idle_a)
        channel.sink_k_per_w = np.where(now_s >= lid_s, sink_k_per_w * lid_by, sink_k_per_w)
        channel.tick(1.0, ACROSS_V, 0.0, every_s, ARRAY)
        volts[n] = np.minimum(channel.now_a, 20.0) * channel.emitter_ohm
    return Warmed(every_s, volts, turned_s, lid_s)


def read(volts: np.ndarray, generator: np.random.Generator) -> np.ndarray:
    """What a meter shows of it: noise of 10, 50 or 100 uV, and a last digit of 10 or 100 uV."""
    noise, digit = generator.choice([1e-5, 5e-5, 1e-4]), generator.choice([1e-5, 1e-4])
    return np.asarray(np.round((volts + generator.normal(0.0, noise, len(volts))) / digit) * digit)


def healthy_one(some: Warmed, k: int, generator: np.random.Generator) -> dict[str, Any]:
    """Whether its forecast holds what it came to, how wide that was, and whether it was ever called a runaway."""
    volts, every_s = some.volts[:, k], some.every_s
    shown, time_s, ends_at = read(volts, generator), np.arange(len(volts)) * every_s, float(volts[-1])
    touched = sorted(
        (s, carries) for s, carries in ((some.turned_s[k], True), (some.lid_s[k], False)) if np.isfinite(s)
    )
    starts = [0, *(int(np.ceil(s / every_s)) for s, _ in touched)]
    carries_over = [False, *(carries for _, carries in touched)]
    off = np.flatnonzero(np.abs(volts - ends_at) > TOLERANCE * ends_at)
    settled = int(off[-1]) + 1 if len(off) else 0
    wait = settled - starts[-1]

    def told_at(part: float) -> Forecast:
        asked_at = starts[-1] + max(int(part * wait), round(LEAST_S / every_s))
        stretches = [
            Stretch(time_s[first:last], shown[first:last], carries)
            for first, last, carries in zip(starts, [*starts[1:], asked_at], carries_over, strict=True)
        ]
        told = forecast(stretches, TOLERANCE * ends_at)
        assert told is not None
        return told

    told, later = told_at(ASKED_AFTER), told_at(AND_AFTER)
    called = any(
        runs_away(time_s[first:at], shown[first:at])
        for first, last in zip(starts, [*starts[1:], len(shown)], strict=True)
        for at in range(first + 20, last, round(ASKED_EVERY_S / every_s))
    )
    return {
        "inside": told.low <= ends_at <= told.high,
        "inside later": later.low <= ends_at <= later.high,
        "width": (told.high - told.low) / ends_at,
        "off": abs(told.comes_to - ends_at) / ends_at,
        "called": called,
    }


def runaway_one(some: Warmed, k: int, generator: np.random.Generator) -> dict[str, Any]:
    """By what factor its idle had grown when it was called; None: not before it doubled, or the end."""
    volts = some.volts[:, k]
    shown, time_s = read(volts, generator), np.arange(len(volts)) * some.every_s
    doubled = np.flatnonzero(volts >= 2.0 * volts[0])
    until = int(doubled[0]) if len(doubled) else len(volts)
    called = next((at for at in range(8, until) if runs_away(time_s[:at], shown[:at])), None)
    return {
        "doubled": bool(len(doubled)),
        "grown": None if called is None else float(volts[called - 1] / volts[0]),
        "seconds": None if called is None else called * some.every_s,
    }


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows = table(options.count, options.seed, options.note or "unnamed")
    for row in rows:
        print(json.dumps(row))
    if options.note:
        write_run("warm_ups", "Warm-ups: forecasts, and runaways called", rows, seed=options.seed)


def table(count: int, seed: int, run_name: str) -> list[dict[str, Any]]:
    """A row of healthy channels and one of runaways."""
    generator = np.random.default_rng(seed)
    some = warmed(count, generator, runaways=False)
    healthy = [healthy_one(some, k, generator) for k in range(count)]
    inside, called = sum(h["inside"] for h in healthy), sum(h["called"] for h in healthy)
    some = warmed(count, generator, runaways=True)
    away = [runaway_one(some, k, generator) for k in range(count)]
    doubled = [a for a in away if a["doubled"]]
    grown = [a["grown"] for a in doubled if a["grown"] is not None]
    return [
        {
            "run": run_name,
            "channels": "healthy",
            "count": count,
            "forecast inside its 95 %": f"{inside} ({100 * inside / count:.1f} %)",
            "at two thirds": f"{100 * sum(h['inside later'] for h in healthy) / count:.1f} %",
            "its width, % of the value: median": f"{100 * np.median([h['width'] for h in healthy]):.3g}",
            "off by, %: median": f"{100 * np.median([h['off'] for h in healthy]):.3g}",
            "called a runaway": called,
            "at most (95 %)": f"{100 * upper_bound(called, count):.2f} %",
        },
        {
            "run": run_name,
            "channels": "running away",
            "count": count,
            "doubled within 10 min": len(doubled),
            "called before that": len(grown),
            "idle had grown to, times: median": f"{np.median(grown):.3g}" if grown else "",
            "most": f"{max(grown):.3g}" if grown else "",
        },
    ]


if __name__ == "__main__":
    main()
