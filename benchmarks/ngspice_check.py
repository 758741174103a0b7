"""Runs our own netlists through ngspice and keeps what it found as a table, for tests that need no ngspice.

``python benchmarks/ngspice_check.py`` needs Debian's package ``ngspice``; it writes tests/ngspice_table.json.
"""

from __future__ import annotations

import json
import re
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

HERE = Path(__file__).resolve().parent
sys.path.insert(0, str(HERE.parent / "tests"))

from spice_help import (  # noqa: E402 - the path comes first
    CIRCUITS,
    CLOSING_CYCLES,
    CLOSINGS,
    FREQUENCY_HZ,
    LAST_CYCLES,
    MAINS_V,
    Circuit,
    nominal,
)

TABLE = HERE.parent / "tests" / "ngspice_table.json"
MOST_STEP_S = 2e-5


def main() -> None:
    """Run every circuit at every line voltage, and both relay closings."""
    version = _version()
    steady = []
    for circuit in CIRCUITS:
        for fraction in circuit.fractions:
            figures = _steady(circuit, fraction * MAINS_V)
            steady.append({"circuit": circuit.name, "line_voltage_v": round(fraction * MAINS_V, 1), **figures})
            print(steady[-1], flush=True)
    closings = []
    for circuit, line_v in CLOSINGS:
        closings.append({"circuit": circuit.name, "line_voltage_v": line_v, "peaks_a": _peaks(circuit, line_v)})
        print(closings[-1], flush=True)
    parts = {circuit.name: nominal(circuit) for circuit in CIRCUITS}
    table = {"format": 1, "made_by": version, "parts": parts, "steady": steady, "closings": closings}
    TABLE.write_text(json.dumps(table, indent=1) + "\n", encoding="utf-8")


def _version() -> str:
    said = subprocess.run(["ngspice", "--version"], capture_output=True, text=True, check=True).stdout
    found = re.search(r"ngspice-\S+", said)
    return found.group(0) if found else "ngspice"


def _steady(circuit: Circuit, line_v: float) -> dict[str, float]:
    start_s = circuit.seconds - LAST_CYCLES / FREQUENCY_HZ
    found = _run(
        circuit,
        line_v,
        circuit.seconds,
        [
            "let p = v(term)*i(vsense)",
            f"meas tran line_current_a rms i(vsense) from={start_s} to={circuit.seconds}",
            f"meas tran real_power_w avg p from={start_s} to={circuit.seconds}",
            f"meas tran rail_v avg v(rail) from={start_s} to={circuit.seconds}",
        ],
    )
    return {name: found[name] for name in ("line_current_a", "real_power_w", "rail_v")}


def _peaks(circuit: Circuit, line_v: float) -> list[float]:
    cycle_s = 1.0 / FREQUENCY_HZ
    measure = ["let size = abs(i(vsense))"]
    measure += [f"meas tran peak{n} max size from={n * cycle_s} to={(n + 1) * cycle_s}" for n in range(CLOSING_CYCLES)]
    found = _run(circuit, line_v, CLOSING_CYCLES * cycle_s, measure)
    return [found[f"peak{n}"] for n in range(CLOSING_CYCLES)]


def _run(circuit: Circuit, line_v: float, seconds: float, measure: list[str]) -> dict[str, Any]:
    parameters = "\n".join(f".param {name}={value!r}" for name, value in nominal(circuit).items())
    body = (HERE / "circuits" / f"{circuit.name}.cir").read_text(encoding="utf-8")
    text = "\n".join(
        [
            f"* {circuit.name}",
            f".param vline={line_v!r}",
            parameters,
            body.replace(".include ", f".include {HERE / 'circuits'}/"),
            ".options reltol=1e-4 abstol=1e-9 vntol=1e-6 itl4=200 method=gear",
            ".control",
            f"tran {MOST_STEP_S} {seconds} 0 {MOST_STEP_S} uic",
            *measure,
            "quit",
            ".endc",
            ".end",
        ]
    )
    with tempfile.TemporaryDirectory() as folder:
        netlist = Path(folder) / "run.cir"
        netlist.write_text(text, encoding="utf-8")
        done = subprocess.run(["ngspice", "-b", str(netlist)], capture_output=True, text=True, timeout=600, check=False)
    pattern = r"^(\w+)\s*=\s*([-+0-9.eE]+)"
    found = {name: float(value) for name, value in re.findall(pattern, done.stdout, re.MULTILINE)}
    if len(found) < len([m for m in measure if m.startswith("meas")]):
        raise SystemExit(f"{circuit.name} at {line_v} V: ngspice said\n{done.stdout[-3000:]}\n{done.stderr[-3000:]}")
    return found


if __name__ == "__main__":
    main()
