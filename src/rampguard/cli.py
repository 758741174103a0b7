"""The command line; thin. Exit codes: 0 done, 1 our error, 2 bad input, 3 tripped, 4 not proven off, 5 stopped."""

from __future__ import annotations

import argparse
import json
import sys
from collections.abc import Callable
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, Final, TextIO

import instruments
from rampguard.arguments import Act, parser_of
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_OUR_ERROR, EXIT_STOPPED, RunOrder

if TYPE_CHECKING:
    from rampguard.demo import OnTheBench
    from rampguard.every_channel import Follow


def main(argv: list[str] | None = None) -> int:
    """Run one command. Returns its exit code; bad usage exits 2 through argparse."""
    if getattr(instruments, "OWNER", None) != "rampguard":
        print(
            f"the package 'instruments' at {instruments.__file__} is not rampguard's own; use a virtual environment"
            " of its own for rampguard",
            file=sys.stderr,
        )
        return EXIT_OUR_ERROR
    options = parser().parse_args(argv)
    command: Act = options.command
    try:
        return command(options)
    except KeyboardInterrupt:  # while a run is on, Ctrl-C has a handler of its own
        print("\nstopped before anything was energised", file=sys.stderr)
        return EXIT_BAD_INPUT


def _demo(options: argparse.Namespace) -> int:
    from rampguard.demo import SimulatedBench, SimulatorFailed, sheet_of

    into = options.into or Path("captures")
    try:
        sheet = sheet_of(options.unit) if options.warm_up else None
        on_the_bench = replace(_on_the_bench(options), averaged=options.warm_up)
        with SimulatedBench(on_the_bench) as bench_file:
            order = RunOrder(
                bench=str(bench_file),
                into=str(into),
                sheet=None if sheet is None else str(sheet),
                seed=options.seed,
                pace=options.speed,
                turns_knob=options.turn,
                permissives_confirmed="simulated bench",
            )
            return _follow(order, _wanted(options, by_a_person=False))
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
        sheet=None if options.sheet is None else str(options.sheet),
        facts=options.facts,
        series_lamp_w=options.series_lamp_w,
        known_good=options.known_good,
        permissives_confirmed=confirmed,
        overrides=overrides,
    )
    return _follow(order, _wanted(options))


def _wanted(options: argparse.Namespace, *, by_a_person: bool = True) -> _Wanted:
    return _Wanted(options.json, options.every_channel, options.cold_starts, by_a_person)


@dataclass(frozen=True, slots=True)
class _Wanted:
    """What is wanted of a run besides its order."""

    as_json: bool
    every_channel: bool
    cold_starts: bool
    by_a_person: bool = True
    """Whether somebody has to confirm what is done in between; on a simulated bench nobody has to."""


def _follow(order: RunOrder, wanted: _Wanted) -> int:
    from rampguard.onlooker import Onlooker, story_stream
    from rampguard.typed_lines import TypedLines

    out, typed = story_stream(as_json=wanted.as_json), TypedLines()

    def follow(one: RunOrder) -> tuple[int, dict[str, Any]]:
        onlooker = Onlooker(out, typed)
        code = onlooker.follow(one)
        if onlooker.seen.capture is not None:
            _draw(onlooker.seen.capture, None)
        return code, onlooker.seen.summary or {"format": 1, "outcome": "refused", "reason": onlooker.seen.refused}

    def agreed(text: str, question: str) -> bool:
        print(f"\n{text}.", file=out, flush=True)
        if not wanted.by_a_person:
            return True
        try:
            return typed.ask(f"{question} [y/N]", out).lower() in ("y", "yes")
        except KeyboardInterrupt:  # between two runs: nothing is live, and what was done stands
            print("", file=out)
            return False

    order = replace(order, starts_follow=wanted.cold_starts)
    if wanted.every_channel:
        code, result = _follow_every_channel(order, follow, agreed, out)
    else:
        code, result = follow(order)
    if wanted.cold_starts and code == EXIT_DONE:
        code = _follow_cold_starts(order, result, follow, agreed, out)
    if wanted.as_json:
        _print_json(result)
    return code


def _follow_every_channel(
    order: RunOrder, follow: Follow, agreed: Callable[[str, str], bool], out: TextIO
) -> tuple[int, dict[str, Any]]:
    from rampguard.every_channel import every_channel, summary_lines
    from rampguard.warmup.sheet import SheetError, load_sheet

    try:
        if order.sheet is None:
            raise SheetError("--every-channel", ["goes by a unit sheet: give --sheet (demo: --warm-up)"])
        sheet = load_sheet(Path(order.sheet))
    except SheetError as error:
        print(error, file=sys.stderr)
        return EXIT_BAD_INPUT, {"format": 1, "outcome": "refused", "reason": str(error)}
    every = every_channel(
        order, sheet, follow, lambda text: agreed(text, "The clips are moved, rails measured below 2 V before?")
    )
    for line in summary_lines(every):
        print(line, file=out)
    return every.exit_code, every.as_message


def _follow_cold_starts(
    order: RunOrder, result: dict[str, Any], follow: Follow, agreed: Callable[[str, str], bool], out: TextIO
) -> int:
    from rampguard.cold_starts import APART_S, READY, STARTS, cold_starts, start_lines

    passed = result if "capture" in result else list(result["channels"].values())[-1]
    wrong = [check["what"] for check in passed.get("checks", []) if check["right"] is False]
    if wrong:
        print(f"no cold starts: {', '.join(wrong)} is not right", file=out)
        return EXIT_STOPPED
    if not agreed(READY.format(starts=STARTS, apart=APART_S), "Go on?"):
        return EXIT_STOPPED
    code, starts = cold_starts(order, passed, follow)
    result["cold_starts"] = starts
    for line in start_lines(starts):
        print(line, file=out)
    return code


def _print_json(value: dict[str, Any]) -> None:
    print(json.dumps(value, allow_nan=False), flush=True)


def _simulate(options: argparse.Namespace) -> int:
    from rampguard.demo import SimulatorFailed, simulate

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


_ACTS: Final[dict[str, Act]] = {
    "demo": _demo,
    "run": _run,
    "simulate": _simulate,
    "replay": _replay,
    "plot": _plot,
    "classes": _classes,
    "bench list": _bench_list,
    "bench new": _bench_new,
    "bench check": _bench_check,
}
"""Every command."""


def parser() -> argparse.ArgumentParser:
    """The command line's parser."""
    return parser_of(_ACTS)
