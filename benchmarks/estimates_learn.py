"""What the models of the estimates leave out: residuals of simulated amplifiers, the models given the units' own parts.

    python benchmarks/estimates_learn.py [--count 128] [--seed 102] [--store FOLDER] [--note RUN]

For each stretch of line voltage the mean and the spread, over units, of what is read over what the model draws, in the
logarithm; of readings where the line moves steadily or stands. `discrepancy` states both: the means as they are, the
spread wider. Where the relays' moments go on the ramp is found by trying.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from pathlib import Path
from typing import Any, Final

import numpy as np
from estimate_cases import Case, cases, drawn
from estimates import sights_of
from figures import noted_parser, write_run
from population import HERTZ, PEAK_V

from instruments.simulated.amplifier import REFERENCE_V
from rampguard.estimates.along import along
from rampguard.estimates.moments import Moment, moments_of
from rampguard.loads.following import NEAR_ZERO

KIND: Final = "amplifier, soft start by resistor"
EDGES: Final = (0.05, 0.08, 0.12, 0.2, 0.3, 0.5, 0.7, 0.9, 1.1)
STEADY_PER_S: Final = 0.003
DIODE_V: Final = 0.7
SMALL_FULL_V: Final = 20.0
"""The simulator's small stages draw fully from this rail on."""
COIL: Final = 0.05
"""A speaker relay's coil in `population`, of the idle power."""


def own_parameters(watts: np.ndarray, parts: Mapping[str, np.ndarray]) -> dict[str, np.ndarray]:
    """The class's parameters of units with these parts, of the 230 V version: `population`, the other way round."""
    amperes, unit_ohm = watts / REFERENCE_V, REFERENCE_V**2 / watts
    rail = parts["turns_ratio"] * PEAK_V
    drop = DIODE_V / rail
    full = rail * (1.0 - drop)
    angle = 2.0 * np.pi * np.arange(256)[:, None] / 256.0
    flux = PEAK_V / (2.0 * np.pi * HERTZ) * np.cos(angle)
    knee = np.sqrt(np.mean((parts["knee_a"] * (flux / parts["knee_wb"]) ** 7) ** 2, axis=0))
    channels = sum(part for name, part in parts.items() if name.startswith("idle_a_"))
    stages, small = 2.0 * full * channels, 2.0 * full * parts["small_signal_a"]
    bled = 2.0 * full**2 / parts["bleeder_ohm"]
    rise_k = (parts["sink_k_per_w_1"] + parts["device_k_per_w_1"]) * 2.0 * full * parts["idle_a_1"]
    ahead = parts["supply_ohm"] + parts["primary_ohm"] + parts["secondary_ohm"] / (2.0 * parts["turns_ratio"] ** 2)
    return {
        "magnetising": REFERENCE_V / (2.0 * np.pi * HERTZ * parts["magnetising_h"]) / amperes,
        "knee": knee / amperes,
        "exponent": np.full_like(watts, 7.0),
        "core_loss": REFERENCE_V**2 / parts["core_loss_ohm"] / watts,
        "source_ohm": ahead / unit_ohm,
        "drop": drop,
        "farad": 0.5 * (parts["reservoir_plus_f"] + parts["reservoir_minus_f"]) * rail**2 / watts,
        "idle": (stages + small + bled) / watts,
        "biased": stages / (stages + small),
        "resistive": bled / (stages + small + bled),
        "dark": parts["dark_below_v"] / full,
        "span": parts["idle_span_v"] / full,
        "small_full": SMALL_FULL_V / full,
        "drift": parts["drift_a_per_k_1"] * rise_k / parts["idle_a_1"],
        "drift_s": parts["sink_k_per_w_1"] * parts["sink_j_per_k_1"],
        "soft_ohm": parts["soft_ohm"] / unit_ohm,
    }


def residuals(case: Case, own: Mapping[str, float], moments: list[Moment]) -> np.ndarray:
    """Of the compared moments, current and power, shape (2, moments): of the relays' best places."""
    has_soft = own["soft_ohm"] > 0.0
    coils, bypasses = np.meshgrid(np.linspace(0.5, 1.0, 26), np.linspace(0.58, 0.9, 33 if has_soft else 1))
    count = coils.size
    values = {name: np.full(count, value) for name, value in own.items()}
    values |= {"coil": np.full(count, COIL), "coil_at": coils.ravel(), "bypass_at": bypasses.ravel()}
    way = along(case.load_class, values, np.full(count, float(has_soft)), moments)
    read = np.log(np.array([(m.current, m.power or 0.0) for m in moments if m.compared]).T + NEAR_ZERO)
    off = read[:, :, None] - np.array([way.current, way.power])
    return off[:, :, np.argmin(np.sum(np.square(np.clip(off, -0.1, 0.1)), axis=(0, 1)))]


def all_stretches(count: int, seed: int, store: Path | None) -> Iterator[tuple[int, float, float]]:
    """Of each unit and stretch of line: which stretch, and the median residuals of current and power."""
    for some in cases(count, seed, store, KIND):
        all_of = drawn(KIND, len(some) // 4, seed)
        own = own_parameters(all_of.watts, all_of.parts)
        for k, case in enumerate(some):
            generator = np.random.default_rng([seed, k])
            moments = moments_of(sights_of(case, generator), nameplate_v=case.mains_v, nameplate_w=case.watts)
            off = residuals(case, {name: float(value[k]) for name, value in own.items()}, moments)
            compared = [m for m in moments if m.compared]
            steady = np.array([m.rough_per_s < STEADY_PER_S for m in compared])
            stretch = np.digitize([m.v for m in compared], EDGES)
            for place in range(1, len(EDGES)):
                here = steady & (stretch == place)
                if here.any():
                    yield place, float(np.median(off[0, here])), float(np.median(off[1, here]))


def main() -> None:
    """Run it, print what was found, and keep it."""
    parser = noted_parser(__doc__)
    parser.add_argument("--count", type=int, default=128)
    parser.add_argument("--seed", type=int, default=102)
    parser.add_argument("--store", type=Path, help="keep what was simulated in this folder")
    options = parser.parse_args()
    found = list(all_stretches(options.count, options.seed, options.store))
    rows: list[dict[str, Any]] = []
    for place in range(1, len(EDGES)):
        current, power = np.array([off for where, *off in found if where == place]).T
        rows.append(
            {
                "run": options.note or "unnamed",
                "line voltage, of nameplate": f"{EDGES[place - 1]:g} to {EDGES[place]:g}",
                "units": len(current),
                "current, mean": f"{100.0 * np.mean(current):+.2f} %",
                "current, spread": f"{100.0 * np.std(current):.2f} %",
                "power, mean": f"{100.0 * np.mean(power):+.2f} %",
                "power, spread": f"{100.0 * np.std(power):.2f} %",
            }
        )
        print(rows[-1])
    if options.note:
        title = "What the models of the estimates leave out: what is read, over what they draw"
        write_run("estimates_learn", title, rows, seed=options.seed)


if __name__ == "__main__":
    main()
