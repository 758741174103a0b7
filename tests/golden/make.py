"""Records the golden corpus anew: ``python tests/golden/make.py``.

Short ramps of simulated units, whole and faulted, as a bench power meter would print them; and what the guard makes of
each. The readings are kept as text, so that only the guard can change an outcome.
"""

from __future__ import annotations

import json
import sys
from pathlib import Path

from instruments.simulated.units import make_unit
from instruments.simulated.world import World

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent))

import golden_help  # noqa: E402
from simulated_help import brought_up  # noqa: E402 - the path comes first

UNITS = (
    *("healthy-amplifier", "soft-start-amplifier", "shorted-output", "one-sided-short", "shorted-rectifier"),
    *("shorted-turns", "leaky-reservoir", "idle-runaway", "healthy-receiver", "shorted-receiver"),
    *("healthy-switch-mode", "shorted-switch", "healthy-valve", "shorted-rectifier-valve"),
    *("transformer", "transformer-shorted-turns", "heater", "lamp", "induction-motor", "open-fuse"),
)
FULL_LINE_AT_S = 40.0
END_S = 50.0
HIGH_READINGS = 3
"""So many readings above 8 A end a recording: a real one would have ended there, too."""
EVERY_S = 0.2
"""As `brought_up` has it."""


def record(name: str) -> tuple[str, dict[str, object]]:
    """A unit's ramp as a table, and what a replay is told of it."""
    world = World(make_unit(name, 3, 230.0, 50.0), 230.0, 50.0)
    plate = world.unit.nameplate
    lines = ["time_s,line_voltage_v,line_current_a,real_power_w,expected_event"]
    high = 0
    steps, full_line_at = round(END_S / EVERY_S) + 1, FULL_LINE_AT_S / EVERY_S
    for s in brought_up(world, steps, full_line_at, press_at=0.75 if "receiver" in name else None):
        event = "power-pressed" if s.event else ""
        lines.append(f"{s.time_s:.1f},{s.line_voltage_v:.2f},{s.line_current_a:.4f},{s.real_power_w:.2f},{event}")
        high = high + 1 if s.line_current_a is not None and s.line_current_a > 8.0 else 0
        if high == HIGH_READINGS:
            break
    return "\n".join(lines) + "\n", {"load_class": plate.load_class, "nameplate_w": plate.nameplate_w}


def judged(file: Path, told: dict[str, object]) -> dict[str, object]:
    """Outcome, layer and time of the row at which it tripped."""
    message = golden_help.judged(file, told)
    trip = message["trip"]
    return {
        "outcome": message["outcome"],
        "layer": None if trip is None else trip["layer"],
        "time_s": None if trip is None else trip["time_s"],
    }


def main() -> None:
    """Write every table, and golden.json."""
    golden = {}
    for name in UNITS:
        text, told = record(name)
        (HERE / f"{name}.csv").write_text(text, encoding="utf-8")
        golden[name] = {**told, "judged": judged(HERE / f"{name}.csv", told)}
        print(name, golden[name]["judged"])
    (HERE / "golden.json").write_text(json.dumps(golden, indent=1) + "\n", encoding="utf-8")


if __name__ == "__main__":
    main()
