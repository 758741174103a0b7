"""`rampguard probe`: a few volts at several frequencies ahead of the ramp, and what they say."""

from __future__ import annotations

import json
import sys
from collections.abc import Callable
from contextlib import ExitStack
from dataclasses import dataclass
from pathlib import Path

from instruments.bench import BenchFile, load_bench_file
from instruments.connect import close_bench, connect
from instruments.errors import InstrumentError
from instruments.roles import AcSource, Bench, Position
from rampguard.cautions import NOT_PROVEN_OFF_BANNER
from rampguard.engine.ceilings import SOURCE_LIMIT_RATIO
from rampguard.engine.cutoff import OffProof
from rampguard.engine.guarded import GuardedBench, reading_of
from rampguard.engine.guardian import prove_exclusive
from rampguard.engine.link import EXIT_BAD_INPUT, EXIT_DONE, EXIT_STOPPED, EXIT_TRIPPED, EXIT_UNPROVEN
from rampguard.loads.classes import UnknownLoadClass, load_class
from rampguard.probe import PROBED
from rampguard.probe.live import ProbeLive
from rampguard.probe.plan import FLOOR_V, MOST_V, plan_for
from rampguard.probe.story import Told
from rampguard.probe.verdict import Plate, Verdict, judge
from rampguard.quantities import LINE_QUANTITIES, Quantity

RUN_TIME_S = 180.0
"""The source's own output timer: longer than any probe takes."""
CODES = {
    "no-short-seen": EXIT_DONE,
    "cannot-tell": EXIT_DONE,
    "short": EXIT_TRIPPED,
    "ended-early": EXIT_TRIPPED,
    "stopped": EXIT_STOPPED,
    "unproven": EXIT_UNPROVEN,
}


class Refused(Exception):  # noqa: N818 - what happened
    """A probe that cannot be made; one line a problem. Nothing was energised."""


class Unproven(Exception):  # noqa: N818 - what is the case
    """Before anything was energised, the bench could not be proven off."""


@dataclass(frozen=True, slots=True, kw_only=True)
class ProbeOrder:
    """What was asked for. None: as the bench file has it.

    ``confirm`` has a person confirm the pre-power checks, once nothing else stands against it, and says how; empty: not
    confirmed.
    """

    bench: Path
    load_class: str | None
    nameplate_w: float | None
    confirm: Callable[[], str]


def probe(order: ProbeOrder, *, as_json: bool) -> int:
    """Make a probe, and tell. The exit code."""
    say: Callable[[str], None] = lambda text: print(f"... {text}", file=sys.stderr, flush=True)  # noqa: E731
    try:
        told = _probe(order, say)
    except (Refused, InstrumentError) as error:
        print(f"{error}\nnothing was energised", file=sys.stderr)
        return EXIT_BAD_INPUT
    except Unproven as error:
        print(f"{NOT_PROVEN_OFF_BANNER}\n{error}\nnothing was energised", file=sys.stderr)
        return EXIT_UNPROVEN
    print(json.dumps(told.as_message) if as_json else told.as_text, flush=True)
    if told.outcome == "unproven":
        print(NOT_PROVEN_OFF_BANNER, file=sys.stderr)
    return CODES[told.outcome]


def _probe(order: ProbeOrder, say: Callable[[str], None]) -> Told:
    bench_file = load_bench_file(order.bench)
    plate = plate_of(order, bench_file)
    problems = problems_of(bench_file, order)
    if problems:
        raise Refused("\n".join(problems))
    confirmed = order.confirm()
    if not confirmed:
        raise Refused("pre-power checks not confirmed: answer them at the terminal, or give --permissives-confirmed")
    unreliable = prove_exclusive(order.bench) if bench_file.exclusive_cut_offs else ""
    if unreliable:
        raise Refused(unreliable)
    ceiling_a = plan_for(plate, None).ceiling_a
    ranged = bench_file.on_smallest_ranges({Quantity.LINE_VOLTAGE: MOST_V, Quantity.LINE_CURRENT: ceiling_a})
    bench = connect(ranged)
    with ExitStack() as at_end:
        at_end.callback(close_bench, bench)
        assert bench.source is not None  # noqa: S101 - problems_of has seen to it
        return _with(bench, bench.source, ranged, plate, order.bench, confirmed, say)


def _with(
    bench: Bench,
    source: AcSource,
    ranged: BenchFile,
    plate: Plate,
    path: Path,
    confirmed: str,
    say: Callable[[str], None],
) -> Told:
    plan = plan_for(plate, source.frequencies_hz)
    held = GuardedBench(path, bench, say)
    lock_step = ranged.clock is not None and ranged.clock.kind == "lock-step"
    full_a = next(filter(None, (ranged.full_range(n, Quantity.LINE_CURRENT) for n in ranged.roles.line_meters)))
    with reading_of(bench, lock_step=lock_step, now_s=bench.clock.now_s, meanwhile=held.feed) as collect:
        say("everything off, and proven")
        proof = held.all_off(collect, FLOOR_V)
        if not proof.proven:
            raise Unproven("; ".join(proof.problems) or _unproven_by(proof))
        source.prepare(
            frequency_hz=plate.frequency_hz,
            current_limit_a=SOURCE_LIMIT_RATIO * plan.ceiling_a,
            run_time_limit_s=RUN_TIME_S,
        )
        live = ProbeLive(plan, bench, source, held, full_a, plate.frequency_hz, say)
        off = live.run(collect)
    if off.proven and not live.was_live:
        raise Refused(live.ended)
    return Told(
        plate=plate,
        points=live.points,
        verdict=_verdict(live, plate),
        off=off,
        left_out=(*plan.left_out, *live.left_out),
        ended=live.ended,
        stopped=live.stopped,
        at_most_j=live.at_most_j,
        bench=ranged.kind_in_words,
        confirmed=confirmed,
    )


def _unproven_by(proof: OffProof) -> str:
    if proof.line is None:
        return "no meter after the cut-off gave a reading; one that the line itself powers has none at a few volts"
    return f"{proof.line[0]} reads up to {proof.line[1]:.2g} V, its bound included; off is below {FLOOR_V:g} V here"


def _verdict(live: ProbeLive, plate: Plate) -> Verdict | None:
    if not live.points:
        return Verdict({}, None, draws=True, too_much=live.too_much) if live.too_much else None
    return judge(live.points, plate, live.too_much)


def plate_of(order: ProbeOrder, bench_file: BenchFile) -> Plate:
    """What is known of the unit. Raises Refused."""
    unit, mains = bench_file.unit, bench_file.mains
    name = order.load_class or (unit and unit.load_class)
    watts = order.nameplate_w or (unit and unit.nameplate_w)
    if not name or not watts:
        raise Refused("load class and nameplate power are needed: give --load-class and --nameplate-w")
    if name not in PROBED:
        try:
            load_class(name)
        except UnknownLoadClass as error:
            raise Refused(str(error)) from None
        raise Refused(f"a few volts say nothing of the load class {name}; they do of {', '.join(PROBED)}")
    volts = unit.nameplate_v if unit is not None and unit.nameplate_v is not None else mains.voltage_v
    return Plate(name, volts, watts, mains.frequency_hz)


def problems_of(bench_file: BenchFile, order: ProbeOrder) -> list[str]:
    """What stands against a probe on this bench, one line each."""
    problems = []
    if bench_file.roles.ac_source is None:
        problems.append(f"{order.bench}: no programmable source: a variac has one frequency, and no few volts to set")
    if not bench_file.cut_offs:
        problems.append(f"{order.bench}: roles.cut_off: a person is too slow a cut-off for a probe; it needs a way off")
    if bench_file.is_keyed:
        problems.append(f"{order.bench}: readings are typed: what a probe asks for needs a meter that answers")
    if bench_file.digitiser is not None:
        problems.append(
            f"{order.bench}: {bench_file.digitiser} cuts cycles of mains, and a probe sets other frequencies: name"
            " another line meter for it"
        )
        return problems
    for quantity, after in ((Quantity.LINE_VOLTAGE, True), (Quantity.LINE_CURRENT, False)):
        if not any(_measures(bench_file, name, quantity, after=after) for name in bench_file.roles.line_meters):
            where = " after the cut-off" if after else ""
            problems.append(f"{order.bench}: roles.line_meters: none measures {quantity}{where}; add one")
    if bench_file.unit is not None and bench_file.unit.series_lamp_w is not None:
        problems.append(
            f"{order.bench}: unit.series_lamp_w: take the series lamp out; a few volts see it, not the unit"
        )
    for quantity in sorted(LINE_QUANTITIES):
        meters = [n for n in bench_file.roles.line_meters if bench_file.full_range(n, quantity) is not None]
        if len(meters) > 1:
            problems.append(f"{order.bench}: roles.line_meters: {', '.join(meters)} all measure {quantity}; list one")
    return problems


def _measures(bench_file: BenchFile, name: str, quantity: Quantity, *, after: bool) -> bool:
    entry = bench_file.instruments[name]
    if after and entry.position is not Position.AFTER_CUT_OFF:
        return False
    return bench_file.full_range(name, quantity) is not None
