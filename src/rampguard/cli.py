"""The command line; thin. Exit codes: 0 done, 1 our error, 2 bad input, 3 tripped, 4 not proven off, 5 stopped."""

from __future__ import annotations

import argparse
import os
import signal
import sys
from dataclasses import replace
from typing import TYPE_CHECKING, Final

import instruments
from rampguard.argument_types import Act
from rampguard.arguments import parser_of
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_OUR_ERROR, EXIT_STOPPED, RunOrder
from rampguard.followed import Wanted, draw, follow_all, screen_fits
from rampguard.job.errors import JobError
from rampguard.orders import captures_into, job_folder, order_of, sheet_of_job, sheet_of_run
from rampguard.printed import print_json

if TYPE_CHECKING:
    from rampguard.demo import OnTheBench


def main(argv: list[str] | None = None) -> int:
    """Run one command. Returns its exit code; bad usage exits 2 through argparse."""
    if getattr(instruments, "OWNER", None) != "rampguard":
        print(
            f"the package 'instruments' at {instruments.__file__} is not rampguard's own; use a virtual environment"
            " of its own for rampguard",
            file=sys.stderr,
        )
        return EXIT_OUR_ERROR
    _hear_ctrl_c()
    options = parser().parse_args(argv)
    command: Act = options.command
    try:
        return command(options)
    except JobError as error:
        print(error, file=sys.stderr)
        if getattr(options, "json", False):
            print_json({"format": 1, "outcome": "refused", "reason": str(error)})
        return EXIT_BAD_INPUT
    except BrokenPipeError:  # whoever read what is told has gone; what was live has been switched off by now
        os.dup2(os.open(os.devnull, os.O_WRONLY), sys.stdout.fileno())
        return EXIT_OUR_ERROR
    except KeyboardInterrupt:  # while a run is on, Ctrl-C has a handler of its own
        print("\nstopped before anything was energised", file=sys.stderr)
        return EXIT_BAD_INPUT


def _hear_ctrl_c() -> None:
    """A shell that starts a program in the background has it ignore Ctrl-C; what may be live must obey it."""
    if signal.getsignal(signal.SIGINT) is signal.SIG_IGN:
        signal.signal(signal.SIGINT, signal.default_int_handler)


def _demo(options: argparse.Namespace) -> int:
    from rampguard.demo import DEFAULT_UNIT, SimulatedBench, SimulatorFailed, sections_of, sheet_of

    on_screen = screen_fits(no_screen=options.no_screen, as_json=options.json)
    at_the_end = False
    if options.unit is None and on_screen and not options.warm_up:
        from rampguard.screen.chooser import choose_unit

        chosen = choose_unit()
        if chosen is None:
            return EXIT_STOPPED
        options.unit, at_the_end = chosen
    unit = options.unit = options.unit or DEFAULT_UNIT
    turns = options.turn or (on_screen and (options.hand or options.no_relay))
    of_job = sheet_of_job(options)
    try:
        sheet = (of_job or sheet_of(unit)) if options.warm_up else None
        on_the_bench = replace(_on_the_bench(options), averaged=options.warm_up)
        with SimulatedBench(on_the_bench) as bench_file:
            order = RunOrder(
                bench=str(bench_file),
                into=captures_into(options),
                job=job_folder(options),
                sheet=None if sheet is None else str(sheet),
                seed=options.seed,
                pace=options.speed,
                turns_knob=turns,
                known_good=options.known_good,
                learnt=options.learnt,
                permissives_confirmed="simulated bench",
            )
            wanted = replace(
                _wanted(options, on_screen=on_screen),
                hunts_in=sections_of() if options.hunt else None,
                by_a_person=False,
                tour=not options.no_tour,
                on_the_bench=unit if at_the_end else "",
            )
            return _follow(order, wanted, options.look_on)
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
        scanner=options.scanner,
        mischief=tuple(options.mischief),
    )


def _run(options: argparse.Namespace) -> int:
    from rampguard.cold.gate import answered_by

    of_job = sheet_of_job(options)  # a job that cannot be used refuses before anybody is asked anything
    overrides = dict(options.override)
    on_screen = screen_fits(no_screen=options.no_screen, as_json=options.json)
    answered = answered_by(options.cold_sheet, overrides)
    # Nobody is asked anything about a run that its cold sheet refuses: the engine says so at once.
    asks_on_screen = on_screen and not options.permissives_confirmed and answered is not None
    confirmed = _confirmed(options, overrides, answered, asks_on_screen=asks_on_screen)
    order = replace(
        order_of(options, confirmed, overrides),
        plan=None if options.plan is None else str(options.plan),
        sheet=sheet_of_run(options, of_job),
        cold_sheet=None if options.cold_sheet is None else str(options.cold_sheet),
        facts=options.facts,
        series_lamp_w=options.series_lamp_w,
        known_good=options.known_good,
        learnt=options.learnt,
    )
    wanted = replace(_wanted(options, on_screen=on_screen), asks_checks=asks_on_screen)
    return _follow(order, wanted, options.look_on)


def _hunt(options: argparse.Namespace) -> int:
    sheet_of_job(options)
    overrides: dict[str, str] = {}
    confirmed = _confirmed(options, overrides, frozenset(), asks_on_screen=False)
    return follow_all(order_of(options, confirmed, overrides), Wanted(options.json, hunts_in=options.sections))


def _confirmed(
    options: argparse.Namespace, overrides: dict[str, str], answered: frozenset[str] | None, *, asks_on_screen: bool
) -> str:
    """How the pre-power checks were confirmed; empty: not, or not yet."""
    from rampguard.pre_power import confirm_checks

    if options.permissives_confirmed:
        return "by flag"
    return "" if asks_on_screen or answered is None else confirm_checks(overrides, answered)


def _wanted(options: argparse.Namespace, *, on_screen: bool) -> Wanted:
    return Wanted(options.json, on_screen, options.every_channel, options.cold_starts)


def _follow(order: RunOrder, wanted: Wanted, look_on: tuple[str, int] | None) -> int:
    if look_on is None:
        return follow_all(order, wanted)
    from rampguard.look_on import LookOn

    try:
        onlooker = LookOn(*look_on)
    except OSError as error:
        print(f"--look-on: cannot listen there: {error}; give another address or port", file=sys.stderr)
        return EXIT_BAD_INPUT
    with onlooker:
        print(f"a browser may look on at {onlooker.address}", file=sys.stderr)
        return follow_all(order, replace(wanted, look_on=onlooker))


def _simulate(options: argparse.Namespace) -> int:
    from rampguard.demo import SimulatorFailed, simulate

    said = f"serving {options.unit}; {options.bench_file} says how it is reached; ends with standard input, or Ctrl-C"
    print(said, file=sys.stderr)
    try:
        simulate(
            replace(_on_the_bench(options), averaged=options.averaged),
            options.bench_file,
            speed=options.speed,
            log=options.log,
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


def _probe(options: argparse.Namespace) -> int:
    from rampguard.pre_power import confirm_checks
    from rampguard.probe.commands import ProbeOrder, probe

    order = ProbeOrder(
        bench=options.bench,
        load_class=options.load_class,
        nameplate_w=options.nameplate_w,
        confirm=lambda: "by flag" if options.permissives_confirmed else confirm_checks({}),
    )
    return probe(order, as_json=options.json)


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
        options.learnt,
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
            print_json(result.as_message)
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
        print_json(story.as_message)
    else:
        print(story.as_text)
    return EXIT_DONE


def _sums(options: argparse.Namespace) -> int:
    from rampguard.sums.commands import sums

    return sums(options)


def _hand_back(options: argparse.Namespace) -> int:
    from rampguard.handback.commands import hand_back
    from rampguard.handback.material import Wanted

    wanted = Wanted(options.language, options.with_customer, options.with_price)
    return hand_back(options.job, options.out, wanted, draft=options.draft, as_json=options.json)


def _cold(options: argparse.Namespace) -> int:
    from rampguard.cold_checks import commands

    if options.new:
        return commands.new(options.sheet, options.channels)
    if options.ask:
        return commands.asked(options.sheet, input, as_json=options.json, bench=options.bench, meter=options.meter)
    if options.bench is not None:
        print("--bench reads what --ask asks for: give --ask as well", file=sys.stderr)
        return EXIT_BAD_INPUT
    return commands.judged(options.sheet, as_json=options.json)


def _verify(options: argparse.Namespace) -> int:
    from rampguard.records.commands import verify

    return verify(options)


def _export(options: argparse.Namespace) -> int:
    from rampguard.records.commands import export

    return export(options)


def _compare(options: argparse.Namespace) -> int:
    from rampguard.compare.commands import compare_captures

    return compare_captures(options)


def _desk(options: argparse.Namespace) -> int:
    if options.does == "fill":
        from rampguard.job_form.app import fill

        return fill(options.folder)
    from rampguard.job_desk.commands import BY_NAME

    return BY_NAME[options.does](options)


def _estimates(options: argparse.Namespace) -> int:
    from rampguard.estimates.commands import estimates

    return estimates(options.capture, options.nominal, as_json=options.json)


def _learn(options: argparse.Namespace) -> int:
    from rampguard.learning.commands import learned

    return learned(options.captures, options.out, options.model, as_json=options.json)


def _jobs(options: argparse.Namespace) -> int:
    from rampguard.jobs.commands import act

    return act(options)


def _plot(options: argparse.Namespace) -> int:
    return draw(options.capture, options.out)


def _waveforms(options: argparse.Namespace) -> int:
    from rampguard.waves.commands import wanted_of, waveforms

    return waveforms(wanted_of(options))


_ACTS: Final[dict[str, Act]] = {
    "demo": _demo,
    "run": _run,
    "hunt": _hunt,
    "simulate": _simulate,
    "replay": _replay,
    "plot": _plot,
    "waveforms": _waveforms,
    "verify": _verify,
    "export": _export,
    "compare": _compare,
    "estimates": _estimates,
    "classes": _classes,
    "cold": _cold,
    "job": _desk,
    "learn": _learn,
    "jobs": _jobs,
    "bench list": _bench_list,
    "bench new": _bench_new,
    "bench check": _bench_check,
    "sums": _sums,
    "probe": _probe,
    "hand-back": _hand_back,
}
"""Every command."""


def parser() -> argparse.ArgumentParser:
    """The command line's parser."""
    return parser_of(_ACTS)
