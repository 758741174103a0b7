"""The command line's arguments: which commands there are, and what each takes."""

from __future__ import annotations

import argparse
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard import __version__
from rampguard.argument_types import (
    Act,
    add_job,
    add_outputs,
    add_unit_on_bench,
    address,
    command,
    facts,
    mains,
    override,
    positive,
)
from rampguard.cautions import NO_SAFETY_DEVICE
from rampguard.cold_checks import arguments as cold_checks
from rampguard.compare import arguments as compare
from rampguard.estimates import arguments as estimates
from rampguard.handback import arguments as handback
from rampguard.hunt import arguments as hunt
from rampguard.job_desk import arguments as job_desk
from rampguard.jobs import arguments as jobs
from rampguard.learning import arguments as learning
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.probe import arguments as probe
from rampguard.records import arguments as records
from rampguard.sums import arguments as sums
from rampguard.waves import arguments as waves

_EXAMPLES = """examples:
  rampguard demo --no-screen --speed 20
  rampguard demo --unit shorted-output --no-screen --speed 20
  rampguard probe --bench BENCH.toml --load-class linear-amplifier --nameplate-w 300
  rampguard run --bench BENCH.toml --load-class linear-amplifier --nameplate-w 300
  rampguard replay captures/healthy-amplifier --json
  rampguard plot captures/healthy-amplifier
  rampguard classes linear-amplifier --nameplate-w 300
  rampguard sums lamp --nameplate-w 300 --idle-w 25

exit codes:
  0 done, nothing tripped        3 tripped, output proven off
  1 an error of ours             4 the output could not be proven off
  2 bad usage or input           5 stopped by the operator, output proven off
"""


def parser_of(acts: Mapping[str, Act]) -> argparse.ArgumentParser:
    """The command line; ``acts`` are its commands by name."""
    parser = argparse.ArgumentParser(
        prog="rampguard",
        description="Drives, guards and records the first power-up of a repaired, mains-powered unit.",
        epilog=f"{_EXAMPLES}\n{NO_SAFETY_DEVICE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"rampguard {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_demo(commands, acts)
    _add_run(commands, acts)
    job_desk.add(commands, acts)
    jobs.add(commands, acts)
    cold_checks.add(commands, acts)
    probe.add(commands, acts)
    hunt.add(commands, acts)
    sums.add(commands, acts)
    handback.add(commands, acts)
    _add_bench(commands, acts)
    _add_replay(commands, acts)
    learning.add(commands, acts)
    _add_plot(commands, acts)
    waves.add(commands, acts)
    records.add(commands, acts)
    compare.add(commands, acts)
    estimates.add(commands, acts)
    _add_classes(commands, acts)
    _add_simulate(commands, acts)
    return parser


def _add_shared(parser: argparse.ArgumentParser) -> None:
    add_outputs(parser)
    parser.add_argument("--no-screen", action="store_true", help="tell the story in lines of text")
    parser.add_argument(
        "--look-on",
        metavar="[HOST:]PORT",
        type=address,
        help="let a browser look on, read only; on loopback unless a host is given",
    )


def _add_after(parser: argparse.ArgumentParser) -> None:
    """What else there is to do once a power-up passed."""
    parser.add_argument(
        "--cold-starts",
        action="store_true",
        help="once it passed: three cold starts at full mains, two minutes apart; a ramp tests no fuse, no soft start",
    )
    parser.add_argument(
        "--every-channel",
        action="store_true",
        help="with one meter: a power-up for each channel of the sheet, the clips moved in between, power off",
    )


def _add_demo(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = command(
        commands,
        "demo",
        acts["demo"],
        "a whole power-up on the simulated bench",
        "rampguard demo --unit shorted-output --no-screen --speed 20",
    )
    parser.add_argument(
        "--unit", help="which unit is on the bench (default: chosen at the screen; without one, healthy-amplifier)"
    )
    parser.add_argument("--no-tour", action="store_true", help="the screen without a newcomer's explanations")
    parser.add_argument(
        "--turn",
        action="store_true",
        help="turn the variac's knob yourself (with --hand or --no-relay): +5 and Enter, -2 and Enter, volts;"
        " on the screen it is so without this, by arrow keys",
    )
    parser.add_argument("--speed", type=positive, default=1.0, help="bench seconds a second (default: %(default)s)")
    parser.add_argument(
        "--warm-up",
        action="store_true",
        help="go on at full line by the simulated unit's own sheet: warm-up, idle, every channel, soak",
    )
    parser.add_argument(
        "--hunt",
        action="store_true",
        help="find the section at fault, of a unit with seven plug-in sections: --unit shorted-section",
    )
    _add_after(parser)
    _add_on_the_bench(parser)
    add_job(parser)
    _add_known_good(parser)
    _add_shared(parser)


def _add_on_the_bench(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seed", type=int, default=1, help="reproduces the unit and the meters (default: %(default)s)")
    parser.add_argument("--series-lamp-w", metavar="W", type=positive, help="put a series lamp of so many watts ahead")
    parser.add_argument(
        "--fault-at-s", metavar="S", type=positive, help="let the fault come so long after line voltage first did"
    )
    parser.add_argument(
        "--meters",
        choices=("power-meter", "handheld", "module", "typed", "digitiser"),
        default="power-meter",
        help="what measures the line",
    )
    parser.add_argument(
        "--wires",
        choices=("socket", "serial", "modbus"),
        default="socket",
        help="how power meter and contactor are reached (default: %(default)s)",
    )
    parser.add_argument(
        "--scanner", action="store_true", help="a scanner reads every channel, and a thermometer the heat sink"
    )
    parser.add_argument("--hand", action="store_true", help="a hand-turned variac instead of a programmable source")
    parser.add_argument(
        "--no-relay", action="store_true", help="a hand-turned variac without a relay: a person is the cut-off"
    )
    parser.add_argument(
        "--miswired",
        choices=("meter-before-cut-off", "supply-not-at-zero", "current-reversed"),
        default="",
        help="what is wrong with the bench's wiring",
    )
    parser.add_argument(
        "--mischief",
        metavar="INSTRUMENT:KIND@N",
        action="append",
        default=[],
        help="let an instrument misbehave at the N-th line it is told (N+: from then on): power-meter:lost-reply@40",
    )


def _add_run(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = command(
        commands,
        "run",
        acts["run"],
        "a power-up on a real (or simulated) bench",
        "rampguard run --bench BENCH.toml --load-class linear-amplifier --nameplate-w 300",
    )
    add_unit_on_bench(parser)
    _add_known(parser)
    _add_known_good(parser)
    parser.add_argument("--plan", type=Path, help="plan file (default: the load class's own)")
    parser.add_argument(
        "--sheet",
        type=Path,
        help="unit sheet: go on at full line, with warm-up, idle, every channel and soak (default: the job's; or none)",
    )
    parser.add_argument(
        "--cold-sheet", type=Path, help="what the unpowered unit measured: refuses a run where something on it is wrong"
    )
    _add_after(parser)
    parser.add_argument(
        "--override",
        metavar="CHECK=REASON",
        type=override,
        action="append",
        default=[],
        help="go on without a pre-power check that may be overridden, such as earth-continuity, and say why",
    )
    _add_shared(parser)


def _add_known(parser: argparse.ArgumentParser) -> None:
    """What else may be known of a unit."""
    parser.add_argument(
        "--facts", metavar="NAME=N,..", type=facts, help="what narrows the expected band: va=400,idle_w=30"
    )
    parser.add_argument("--series-lamp-w", metavar="W", type=positive, help="watts of the series lamp ahead of it")


def _add_known_good(parser: argparse.ArgumentParser) -> None:
    parser.add_argument(
        "--known-good",
        metavar="[UNIT=]CAPTURE",
        action="append",
        help="capture of a unit of the model known to be good; may be given several times",
    )
    parser.add_argument("--learnt", metavar="MODEL", help="what `rampguard learn` wrote of the unit's model")


def _add_simulate(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = command(
        commands,
        "simulate",
        acts["simulate"],
        "serve a simulated bench on loopback until standard input closes",
        "rampguard simulate --unit healthy-amplifier --bench-file bench.toml",
    )
    parser.add_argument("--unit", required=True, help="which unit is on the bench")
    parser.add_argument("--bench-file", metavar="OUT", required=True, type=Path, help="bench file to write")
    parser.add_argument("--speed", type=positive, default=1.0, help="bench seconds a second (default: %(default)s)")
    _add_on_the_bench(parser)
    parser.add_argument(
        "--averaged", action="store_true", help="for long warm-ups: work out one window in ten while nothing changes"
    )
    parser.add_argument("--log", type=Path, help="JSON lines of what the supply really did")


def _add_replay(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = command(
        commands,
        "replay",
        acts["replay"],
        "the guard over recorded runs: capture folders, CSV files, or - for standard input",
        "rampguard replay measured.csv --load-class linear-amplifier --nameplate-w 300 --mains 230/50",
    )
    parser.add_argument("files", metavar="FILE", nargs="+", help="capture folder, CSV file, or - for standard input")
    parser.add_argument("--load-class", metavar="C", help=f"one of {', '.join(LOAD_CLASSES)}")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="power on the unit's nameplate, watts")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains, such as 230/50 (default: 230/50)")
    parser.add_argument(
        "--meter", metavar="ACCURACY", help="the meters' accuracy: v=0.05%%+0.01,a=0.1%%+0.0005,w=0.1%%+0.02"
    )
    _add_known(parser)
    _add_known_good(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object a file on standard output")


def _add_plot(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = command(
        commands, "plot", acts["plot"], "draw ramp.png of a capture", "rampguard plot captures/healthy-amplifier"
    )
    parser.add_argument("capture", type=Path, help="capture folder")
    parser.add_argument("--out", type=Path, help="picture to write (default: ramp.png in the capture)")


def _add_classes(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = command(
        commands,
        "classes",
        acts["classes"],
        "what each load class expects of a healthy unit, and why",
        "rampguard classes linear-amplifier --nameplate-w 300 --mains 230/50",
    )
    parser.add_argument("name", metavar="CLASS", nargs="?", help="one class, with every parameter's range and source")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="tell amperes and watts for this nameplate")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains, such as 230/50 (default: 230/50)")
    _add_known(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def _add_bench(commands: Any, acts: Mapping[str, Act]) -> None:
    parser = commands.add_parser("bench", help="get a bench ready: list what is connected, write its file, check it")
    parts = parser.add_subparsers(title="what to do", required=True, metavar="WHAT")
    listing = command(parts, "list", acts["bench list"], "show VISA resources and serial ports", "rampguard bench list")
    listing.add_argument("--json", action="store_true", help="print one JSON object on standard output")
    new = command(
        parts, "new", acts["bench new"], "write a bench file by a few questions", "rampguard bench new bench.toml"
    )
    new.add_argument("file", metavar="BENCH", type=Path, help="bench file to write")
    check = command(
        parts,
        "check",
        acts["bench check"],
        "prove instruments, meters and cut-off, with a lamp in the unit's place",
        "rampguard bench check bench.toml --lamp-w 60",
    )
    check.add_argument("file", metavar="BENCH", type=Path, help="bench file")
    check.add_argument("--lamp-w", metavar="W", type=positive, help="watts of the filament lamp in the unit's place")
    check.add_argument(
        "--unplugged", action="store_true", help="a person has unplugged the unit and put the lamp in its place"
    )
    check.add_argument("--json", action="store_true", help="print one JSON object on standard output")
