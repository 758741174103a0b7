"""Cold sheets of drawn units: how often the bad channel and point are named, and how often a good one is blamed.

    python benchmarks/cold_sheets.py [--count 1000] [--seed 1] [--note RUN]

Each sheet is one design, of 2, 5 or 7 channels, with parts drawn within their tolerance, and one meter with an error
drawn within what it states. A diode test is a source of 1 mA with a ceiling of 1.5 to 3 V, into junctions and resistors
in parallel, by Shockley's law; it shares no formula with the judgement. In half of the sheets one thing is wrong with
one channel: a collector-emitter short, an open base-emitter junction, a leak of 20 ohm to 2 kilohm from collector to
emitter, or an emitter resistor that has risen to 1.5 to 20 times its value. Ranges are common practice, no source.
"""

from __future__ import annotations

import json
from dataclasses import dataclass, field
from typing import Any, Final

import numpy as np
from figures import noted_parser, write_run
from scipy.special import lambertw

from rampguard.cold.fresh import fresh_sheet
from rampguard.cold.judgement import judge
from rampguard.cold.sheet import ColdSheet, parse_cold_sheet

Array = np.ndarray
FAULTS: Final = ("short", "open", "leaky", "resistor risen")
CHANNELS: Final = (2, 5, 7)
METERS: Final = {
    "handheld": {"percent_of_reading": 1.0, "absolute_ohm": 0.2, "absolute_v": 0.003, "wires": 2},
    "bench meter, four wires": {"percent_of_reading": 0.05, "absolute_ohm": 0.002, "absolute_v": 0.001, "wires": 4},
}
DIGITS: Final = {"handheld": (0.1, 0.001), "bench meter, four wires": (0.001, 0.0001)}
"""Last digits, ohm and volts."""
TEST_A: Final = 1e-3
THERMAL_V: Final = 0.0257
VT_N: Final = 1.05 * THERMAL_V
NO_PATH_OHM: Final = 1e9
SIDES: Final = ("plus", "minus")


@dataclass
class Drawn:
    """A sheet, and what is wrong with it."""

    sheet: ColdSheet
    channel: str = ""
    point: str = ""


@dataclass
class Circuit:
    """What all channels of one design have, and each channel's specimen of it: arrays along the channels."""

    count: int
    generator: np.random.Generator
    values: dict[str, Array] = field(default_factory=dict)

    def resistor(self, low: float, high: float, there: float = 1.0, tolerance: float = 0.05) -> Array:
        """A resistor of the design, log-uniform, in every channel within its tolerance; or none."""
        if self.generator.random() > there:
            return np.full(self.count, NO_PATH_OHM)
        nominal = np.exp(self.generator.uniform(np.log(low), np.log(high)))
        return np.asarray(nominal * self.generator.uniform(1.0 - tolerance, 1.0 + tolerance, self.count))

    def saturation_a(self, low_v: float, high_v: float) -> Array:
        """A junction that drops so much at 1 mA: the design's, and what specimens and 2 K make of it (2 mV/K)."""
        drop = self.generator.uniform(low_v, high_v) + self.generator.normal(0.0, 0.008, self.count)
        drop = drop + self.generator.uniform(-0.004, 0.004, self.count)
        return np.asarray(TEST_A * np.exp(-drop / VT_N))


def junction_a(volts: Array, saturation_a: Array, series_ohm: Array) -> Array:
    """Current of a junction with a resistor in series, by Lambert's function."""
    x = saturation_a * series_ohm / VT_N * np.exp(np.minimum((volts + saturation_a * series_ohm) / VT_N, 600.0))
    return np.asarray(VT_N / series_ohm * lambertw(x).real - saturation_a)


def diode_test_v(ohm: Array, junctions: list[tuple[Array, Array]], ceiling_v: float) -> Array:
    """What 1 mA makes of a resistance and junctions (saturation, series ohm) in parallel; infinite: open."""
    low, high = np.zeros_like(ohm), np.full_like(ohm, ceiling_v)
    for _ in range(34):
        volts = 0.5 * (low + high)
        amperes = volts / ohm + sum((junction_a(volts, s, r) for s, r in junctions), np.zeros_like(ohm))
        low, high = np.where(amperes < TEST_A, volts, low), np.where(amperes < TEST_A, high, volts)
    return np.where(high > 0.999 * ceiling_v, np.inf, 0.5 * (low + high))


def parallel(*ohms: Array) -> Array:
    """Resistances in parallel."""
    return np.asarray(1.0 / sum(1.0 / ohm for ohm in ohms))


def measured(circuit: Circuit, ceiling_v: float, bad: int | None, fault: str) -> tuple[dict[str, Any], str]:
    """True readings by point and key, arrays along the channels; and the point where the fault is."""
    g, readings = circuit.generator, {}
    none = np.full(circuit.count, NO_PATH_OHM)
    hit = np.zeros(circuit.count, bool) if bad is None else np.arange(circuit.count) == bad
    bad_side, point = SIDES[int(g.integers(2))], ""
    stated_ohm = float(g.choice((0.1, 0.15, 0.22, 0.33, 0.47)))
    base_ohm, flyback = circuit.resistor(150.0, 1e5, 0.7), g.random() < 0.5
    other_ohm, die = circuit.resistor(100.0, 1e4, 0.6), (0.45, 0.62)
    for side in SIDES:
        here = hit & (side == bad_side)
        leak = none.copy()
        if fault in ("short", "leaky"):
            point = f"{bad_side}-collector-emitter"
            low, high = (0.01, 0.5) if fault == "short" else (20.0, 2000.0)
            leak = np.where(here, np.exp(g.uniform(np.log(low), np.log(high))), none)
        base, collector = circuit.saturation_a(*die), circuit.saturation_a(*die)
        if fault == "open":
            point = f"{bad_side}-base-emitter"
            base = np.where(here, 1e-30, base)
        wire = np.full(circuit.count, 0.3)
        elsewhere = (circuit.saturation_a(0.5, 0.7), other_ohm)
        # From base to emitter: its junction, the resistor across it; and base to collector, then collector to emitter.
        readings[f"{side}-base-emitter"] = {
            "reads_v": diode_test_v(base_ohm, [(base, wire), (collector, wire + leak)], ceiling_v),
            "reversed_v": diode_test_v(base_ohm, [elsewhere], ceiling_v),
        }
        readings[f"{side}-base-collector"] = {
            "reads_v": diode_test_v(none, [(collector, wire), (base, wire + leak)], ceiling_v),
            "reversed_v": diode_test_v(parallel(none, base_ohm + leak), [elsewhere], ceiling_v),
        }
        stage = circuit.resistor(300.0, 1e5)
        across = parallel(leak, stage)
        back = [(circuit.saturation_a(0.45, 0.6), wire)] if flyback else []
        readings[f"{side}-collector-emitter"] = {
            "reads_v": diode_test_v(across, [], ceiling_v),
            "reversed_v": diode_test_v(across, back, ceiling_v),
        }
        emitter = stated_ohm * g.uniform(0.95, 1.05, circuit.count)
        if fault == "resistor risen":
            point = f"{bad_side}-emitter-resistor"
            emitter = np.where(here, emitter * np.exp(g.uniform(np.log(1.5), np.log(20.0))), emitter)
        readings[f"{side}-emitter-resistor"] = {"reads_ohm": emitter}
        readings[f"{side}-rail-to-output"] = {"reads_ohm": across + emitter}
    readings["output-to-ground"] = {"reads_ohm": circuit.resistor(500.0, 1e5)}
    circuit.values["stated_ohm"] = np.array(stated_ohm)
    return readings, point


def drawn(seed: int, channels: int, fault: str, meter: str) -> Drawn:
    """One sheet; ``fault`` is empty for a good unit."""
    g = np.random.default_rng([seed, channels, len(meter), *fault.encode()])
    circuit = Circuit(channels, g)
    ceiling_v = float(g.uniform(1.5, 3.0))
    bad = int(g.integers(channels)) if fault else None
    readings, point = measured(circuit, ceiling_v, bad, fault)
    stated = METERS[meter]
    leads = float(g.uniform(0.05, 0.4)) if stated["wires"] == 2 else 0.0
    errors = g.uniform(-1.0, 1.0, 3)
    digits = dict(zip(("ohm", "v"), DIGITS[meter], strict=True))

    def shown(value: float, unit: str) -> float | str:
        if not np.isfinite(value) or (unit == "ohm" and value > 4e7):
            return "open"
        most = float(stated[f"absolute_{unit}"]) - 0.5 * digits[unit]  # the bound has the last digit in it
        off = errors[1] * most if unit == "ohm" else errors[2] * most
        seen = value + (leads if unit == "ohm" else 0.0)
        seen = seen * (1.0 + 0.01 * float(stated["percent_of_reading"]) * errors[0]) + off
        digit = digits[unit] if unit == "v" else max(digits[unit], 10.0 ** (np.floor(np.log10(max(value, 1.0))) - 3))
        return float(max(0.0, round(seen / digit) * digit))

    names = [f"ch{n}" for n in range(1, channels + 1)]
    table = parse_cold_sheet(fresh_sheet(names), "drawn").model_dump(exclude_unset=True)
    del table["mains"]
    table["points"] = {name: one for name, one in table["points"].items() if name in readings}
    for name in ("plus-emitter-resistor", "minus-emitter-resistor"):
        table["points"][name]["nominal_ohm"] = float(circuit.values["stated_ohm"])
    # Of two wires the leads are held together first, and read by the same meter.
    table["meter"] = {**stated, **({"leads_ohm": shown(0.0, "ohm")} if leads else {})}
    table["readings"] = {
        channel: {
            name: {key: shown(float(values[n]), key.rsplit("_", 1)[1]) for key, values in keys.items()}
            for name, keys in readings.items()
        }
        for n, channel in enumerate(names)
    }
    return Drawn(ColdSheet.model_validate(table), "" if bad is None else names[bad], point)


def tried(one: Drawn) -> dict[str, bool]:
    """What the judgement made of one sheet."""
    wrong = judge(one.sheet).wrong
    named = {finding.channel for finding in wrong if " and " not in finding.channel}
    at_point = [finding for finding in wrong if finding.what == one.point]
    return {
        "channel and point named": any(finding.channel == one.channel for finding in at_point),
        "two said to differ there": any(" and " in finding.channel for finding in at_point),
        "channel named": one.channel in named,
        "something called": bool(wrong),
        "a good channel blamed": bool(named - {one.channel}),
        "two said to differ": any(" and " in finding.channel for finding in wrong),
    }


def table(count: int, seed: int, run_name: str) -> list[dict[str, Any]]:
    """Rows: for each meter and fault, of ``count`` sheets altogether with a fault and as many without."""
    rows = []
    each = -(-count // (len(METERS) * len(CHANNELS) * len(FAULTS)))
    for meter in METERS:
        for channels in CHANNELS:
            for fault, many in (*((name, each) for name in FAULTS), ("none", each * len(FAULTS))):
                found = [tried(drawn(seed + n, channels, "" if fault == "none" else fault, meter)) for n in range(many)]
                counts = {key: sum(one[key] for one in found) for key in found[0]} if found else {}
                rows.append(
                    {"run": run_name, "meter": meter, "channels": channels, "fault": fault, "sheets": many, **counts}
                )
    return rows


def totals(rows: list[dict[str, Any]]) -> dict[str, dict[str, int]]:
    """All rows with a fault, and all without, added up."""
    keys = [key for key in rows[0] if key not in ("run", "meter", "channels", "fault")]
    kinds = {
        "with a fault": [r for r in rows if r["fault"] != "none"],
        "none": [r for r in rows if r["fault"] == "none"],
    }
    return {kind: {key: sum(row[key] for row in some) for key in keys} for kind, some in kinds.items()}


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=1000)
    parser.add_argument("--seed", type=int, default=1)
    options = parser.parse_args()
    rows = table(options.count, options.seed, options.note or "unnamed")
    for row in rows:
        print(json.dumps(row))
    print(json.dumps(totals(rows)))
    if options.note:
        write_run("cold_sheets", "Cold sheets: the bad channel named, good ones blamed", rows, seed=options.seed)


if __name__ == "__main__":
    main()
