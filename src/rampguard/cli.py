"""The command line; thin. Exit codes: 0 done, 1 our error, 2 bad input, 3 tripped, 4 not proven off, 5 stopped."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING, Any

import instruments
from rampguard import __version__
from rampguard.argument_types import facts, mains, override, positive
from rampguard.cautions import NO_SAFETY_DEVICE
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_OUR_ERROR, RunOrder
from rampguard.loads.classes import LOAD_CLASSES

if TYPE_CHECKING:
    from rampguard.demo import OnTheBench

_EXAMPLES = """examples:
  rampguard demo --no-screen --speed 20
  rampguard demo --unit shorted-output --no-screen --speed 20
  rampguard run --bench BENCH.toml --load-class linear-amplifier --nameplate-w 300
  rampguard replay captures/healthy-amplifier --json
  rampguard plot captures/healthy-amplifier
  rampguard classes linear-amplifier --nameplate-w 300

exit codes:
  0 done, nothing tripped        3 tripped, output proven off
  1 an error of ours             4 the output could not be proven off
  2 bad usage or input           5 stopped by the operator, output proven off
"""


def main(argv: list[str] | None = None) -> int:
    """Run one command. Returns its exit code; bad usage exits 2 through argparse."""
    if getattr(instruments, "OWNER", None) != "rampguard":
        print(
            f"the package 'instruments' at {instruments.__file__} is not rampguard's own; use a virtual environment"
            " of its own for rampguard",
            file=sys.stderr,
        )
        return EXIT_OUR_ERROR
    options = _parser().parse_args(argv)
    command: Callable[[argparse.Namespace], int] = options.command
    try:
        return command(options)
    except KeyboardInterrupt:  # while a run is on, Ctrl-C has a handler of its own
        print("\nstopped before anything was energised", file=sys.stderr)
        return EXIT_BAD_INPUT


def _parser() -> argparse.ArgumentParser:
    parser = argparse.ArgumentParser(
        prog="rampguard",
        description="Drives, guards and records the first power-up of a repaired, mains-powered unit.",
        epilog=f"{_EXAMPLES}\n{NO_SAFETY_DEVICE}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.add_argument("--version", action="version", version=f"rampguard {__version__}")
    commands = parser.add_subparsers(title="commands", required=True, metavar="COMMAND")
    _add_demo(commands)
    _add_run(commands)
    _add_simulate(commands)
    _add_replay(commands)
    _add_plot(commands)
    _add_classes(commands)
    _add_bench(commands)
    return parser


def _command(
    commands: Any, name: str, act: Callable[[argparse.Namespace], int], help_: str, example: str
) -> argparse.ArgumentParser:
    parser: argparse.ArgumentParser = commands.add_parser(
        name,
        help=help_,
        description=help_[0].upper() + help_[1:] + ".",
        epilog=f"example:\n  {example}",
        formatter_class=argparse.RawDescriptionHelpFormatter,
    )
    parser.set_defaults(command=act)
    return parser


def _add_shared(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--into", metavar="DIR", type=Path, help="folder the capture goes into (default: captures)")
    parser.add_argument("--no-screen", action="store_true", help="tell the story in lines of text")
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output, nothing else")


def _add_demo(commands: Any) -> None:
    parser = _command(
        commands,
        "demo",
        _demo,
        "a whole power-up on the simulated bench",
        "rampguard demo --unit shorted-output --no-screen --speed 20",
    )
    parser.add_argument("--unit", default="healthy-amplifier", help="which unit is on the bench (default: %(default)s)")
    parser.add_argument(
        "--turn",
        action="store_true",
        help="turn the variac's knob yourself: +5 and Enter, -2 and Enter, volts (with --hand or --no-relay)",
    )
    parser.add_argument("--speed", type=positive, default=1.0, help="bench seconds a second (default: %(default)s)")
    _add_on_the_bench(parser)
    _add_shared(parser)


def _add_on_the_bench(parser: argparse.ArgumentParser) -> None:
    parser.add_argument("--seed", type=int, default=1, help="reproduces the unit and the meters (default: %(default)s)")
    parser.add_argument("--series-lamp-w", metavar="W", type=positive, help="put a series lamp of so many watts ahead")
    parser.add_argument(
        "--fault-at-s", metavar="S", type=positive, help="let the fault come so long after line voltage first did"
    )
    parser.add_argument(
        "--meters",
        choices=("power-meter", "handheld", "module", "typed"),
        default="power-meter",
        help="what measures the line",
    )
    parser.add_argument(
        "--wires",
        choices=("socket", "serial", "modbus"),
        default="socket",
        help="how power meter and contactor are reached (default: %(default)s)",
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


def _add_run(commands: Any) -> None:
    parser = _command(
        commands,
        "run",
        _run,
        "a power-up on a real (or simulated) bench",
        "rampguard run --bench BENCH.toml --load-class linear-amplifier --nameplate-w 300",
    )
    parser.add_argument("--bench", required=True, type=Path, help="bench file: which instrument plays which role")
    parser.add_argument("--job", metavar="DIR", type=Path, help="job folder; the capture goes into its captures/")
    parser.add_argument("--load-class", metavar="C", help=f"one of {', '.join(LOAD_CLASSES)}")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="power on the unit's nameplate, watts")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains, such as 230/50; must agree with the bench")
    _add_known(parser)
    _add_known_good(parser)
    parser.add_argument("--plan", type=Path, help="plan file (default: the load class's own)")
    parser.add_argument(
        "--permissives-confirmed",
        action="store_true",
        help="a person has confirmed every pre-power check; the capture records that it was given this way",
    )
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
    parser.add_argument("--known-good", metavar="CAPTURE", help="capture of a unit known to be good")


def _add_simulate(commands: Any) -> None:
    parser = _command(
        commands,
        "simulate",
        _simulate,
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


def _add_replay(commands: Any) -> None:
    parser = _command(
        commands,
        "replay",
        _replay,
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


def _add_plot(commands: Any) -> None:
    parser = _command(
        commands, "plot", _plot, "draw ramp.png of a capture", "rampguard plot captures/healthy-amplifier"
    )
    parser.add_argument("capture", type=Path, help="capture folder")
    parser.add_argument("--out", type=Path, help="picture to write (default: ramp.png in the capture)")


def _add_classes(commands: Any) -> None:
    parser = _command(
        commands,
        "classes",
        _classes,
        "what each load class expects of a healthy unit, and why",
        "rampguard classes linear-amplifier --nameplate-w 300 --mains 230/50",
    )
    parser.add_argument("name", metavar="CLASS", nargs="?", help="one class, with every parameter's range and source")
    parser.add_argument("--nameplate-w", metavar="W", type=positive, help="tell amperes and watts for this nameplate")
    parser.add_argument("--mains", metavar="V/HZ", type=mains, help="mains, such as 230/50 (default: 230/50)")
    _add_known(parser)
    parser.add_argument("--json", action="store_true", help="print one JSON object on standard output")


def _add_bench(commands: Any) -> None:
    parser = commands.add_parser("bench", help="get a bench ready: list what is connected, write its file, check it")
    parts = parser.add_subparsers(title="what to do", required=True, metavar="WHAT")
    listing = _command(parts, "list", _bench_list, "show VISA resources and serial ports", "rampguard bench list")
    listing.add_argument("--json", action="store_true", help="print one JSON object on standard output")
    new = _command(parts, "new", _bench_new, "write a bench file by a few questions", "rampguard bench new bench.toml")
    new.add_argument("file", metavar="BENCH", type=Path, help="bench file to write")
    check = _command(
        parts,
        "check",
        _bench_check,
        "prove instruments, meters and cut-off, with a lamp in the unit's place",
        "rampguard bench check bench.toml --lamp-w 60",
    )
    check.add_argument("file", metavar="BENCH", type=Path, help="bench file")
    check.add_argument("--lamp-w", metavar="W", type=positive, help="watts of the filament lamp in the unit's place")
    check.add_argument(
        "--unplugged", action="store_true", help="a person has unplugged the unit and put the lamp in its place"
    )
    check.add_argument("--json", action="store_true", help="print one JSON object on standard output")


# -- commands ---------------------------------------------------------------------------------------------------


def _demo(options: argparse.Namespace) -> int:
    from rampguard.demo import SimulatedBench, SimulatorFailed

    into = options.into or Path("captures")
    try:
        with SimulatedBench(_on_the_bench(options)) as bench_file:
            order = RunOrder(
                bench=str(bench_file),
                into=str(into),
                seed=options.seed,
                pace=options.speed,
                turns_knob=options.turn,
                permissives_confirmed="simulated bench",
            )
            return _follow(order, as_json=options.json)
    except SimulatorFailed as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT


def _on_the_bench(options: argparse.Namespace) -> OnTheBench:
    from rampguard.demo import OnTheBench

    supply = "variac-alone" if options.no_relay else "variac" if options.hand else "source"
    return OnTheBench(
        options.unit,
        options.seed,
        options.series_lamp_w,
        options.fault_at_s,
        supply,
        options.meters,
        options.wires,
        options.miswired,
        tuple(options.mischief),
    )


def _run(options: argparse.Namespace) -> int:
    from rampguard.pre_power import confirm_checks

    overrides = dict(options.override)
    confirmed = "by flag" if options.permissives_confirmed else confirm_checks(overrides)
    if options.into is not None:
        into = options.into
    else:
        into = options.job / "captures" if options.job is not None else Path("captures")
    mains_v, mains_hz = options.mains or (None, None)
    order = RunOrder(
        bench=str(options.bench),
        into=str(into),
        load_class=options.load_class,
        nameplate_w=options.nameplate_w,
        mains_v=mains_v,
        mains_frequency_hz=mains_hz,
        plan=None if options.plan is None else str(options.plan),
        facts=options.facts,
        series_lamp_w=options.series_lamp_w,
        known_good=options.known_good,
        permissives_confirmed=confirmed,
        overrides=overrides,
    )
    return _follow(order, as_json=options.json)


def _follow(order: RunOrder, *, as_json: bool) -> int:
    from rampguard.onlooker import Onlooker, story_stream

    onlooker = Onlooker(story_stream(as_json=as_json))
    code = onlooker.follow(order)
    if onlooker.capture is not None:
        _draw(onlooker.capture, None)
    if as_json:
        _print_json(onlooker.summary or {"format": 1, "outcome": "refused", "reason": onlooker.refused})
    return code


def _print_json(value: dict[str, Any]) -> None:
    print(json.dumps(value, allow_nan=False), flush=True)


def _simulate(options: argparse.Namespace) -> int:
    from rampguard.demo import SimulatorFailed, simulate

    try:
        simulate(
            _on_the_bench(options),
            options.bench_file,
            speed=options.speed,
            log=options.log,
            averaged=options.averaged,
        )
    except SimulatorFailed as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    return EXIT_DONE


def _bench_list(options: argparse.Namespace) -> int:
    from rampguard.bench.commands import listed

    return listed(as_json=options.json)


def _bench_new(options: argparse.Namespace) -> int:
    from rampguard.bench.commands import new

    return new(options.file, input)


def _bench_check(options: argparse.Namespace) -> int:
    from rampguard.bench.commands import check

    return check(options.file, options.lamp_w, unplugged=options.unplugged, as_json=options.json)


def _replay(options: argparse.Namespace) -> int:
    from rampguard.replay import ReplayInput, ReplayRefused, replay

    mains_v, mains_hz = options.mains or (None, None)
    given = ReplayInput(
        options.load_class,
        options.nameplate_w,
        mains_v,
        mains_hz,
        options.meter,
        options.facts,
        options.series_lamp_w,
        options.known_good,
    )
    worst = EXIT_DONE
    for file in options.files:
        try:
            result = replay(file, given, notes=lambda text: print(text, file=sys.stderr))
        except ReplayRefused as error:
            print(error, file=sys.stderr)
            worst = max(worst, EXIT_BAD_INPUT)
            continue
        if options.json:
            _print_json(result.as_message)
        else:
            print(result.as_text)
        worst = max(worst, result.exit_code)
    return worst


def _classes(options: argparse.Namespace) -> int:
    from rampguard.class_story import told_classes
    from rampguard.loads.basis import FactError
    from rampguard.loads.classes import UnknownLoadClass

    volts = options.mains[0] if options.mains else 230.0
    try:
        story = told_classes(options.name, volts, options.nameplate_w, options.facts or {}, options.series_lamp_w)
    except (FactError, UnknownLoadClass) as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT
    if options.json:
        _print_json(story.as_message)
    else:
        print(story.as_text)
    return EXIT_DONE


def _plot(options: argparse.Namespace) -> int:
    return _draw(options.capture, options.out)


def _draw(capture: Path, out: Path | None) -> int:
    from rampguard.archive.errors import ArchiveError
    from rampguard.archive.reader import read_capture
    from rampguard.report.ramp_plot import draw_ramp

    target = out or capture / "ramp.png"
    try:
        draw_ramp(read_capture(capture), target)
    except (ArchiveError, OSError) as error:
        print(f"no picture: {error}", file=sys.stderr)
        return EXIT_BAD_INPUT
    print(f"picture: {target}", file=sys.stderr)
    return EXIT_DONE
