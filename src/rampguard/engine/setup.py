"""Everything that is checked before the bench is touched: the files, and that they agree with one another."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Final

from instruments.bench import BenchFile, load_bench_file
from rampguard.archive.errors import ArchiveError
from rampguard.cold.gate import COLD, NO_SHEET, Gate, load_gate
from rampguard.cold.mains import facts_for
from rampguard.cold.sheet import ColdSheetError
from rampguard.engine.known_good import check_passed
from rampguard.engine.link import RunOrder
from rampguard.engine.permits import OverrideError, confirmed_by_a_person
from rampguard.engine.resting import basis_for
from rampguard.guard.permissives import Permissive, Standing
from rampguard.job.errors import JobError
from rampguard.job.on_bench import bench_with_job
from rampguard.loads.basis import Basis, FactError
from rampguard.loads.classes import LOAD_CLASSES, LoadClass, UnknownLoadClass, load_class
from rampguard.quantities import UNIT, Quantity
from rampguard.ramp.default import default_plan, direct_plan
from rampguard.ramp.plan import MAINS_FREQUENCIES_HZ, Plan, check_plan, load_plan, same_mains
from rampguard.warmup.sheet import SheetError, UnitSheet, load_sheet

TYPED_STAGE_S: Final = 900.0
"""How long a stage may take to end where readings are typed."""
CLASS_B: Final = ("linear-amplifier", "receiver")
"""Load classes whose drawing under a drive is known."""


class Refused(Exception):  # noqa: N818 - what happened to the run
    """The run was refused; nothing was energised. The text says why and what to do."""


@dataclass(frozen=True, slots=True)
class Prepared:
    """A run whose files have been read and agree."""

    bench_file: BenchFile
    load_class: LoadClass
    unit_name: str
    nameplate_v: float
    nameplate_w: float
    plan: Plan
    basis: Basis
    speed: float
    """Bench seconds a wall second on an accelerated simulated bench; 1 otherwise."""
    sheet: UnitSheet | None
    """What the unit should be when warm; None: the run ends with its plan."""
    by_a_person: Mapping[str, Permissive]
    """How the pre-power checks stand that a person makes, or the cold sheet answers."""
    cold: Gate | None = None
    """What the cold sheet says; None: there is none."""


def prepare(order: RunOrder) -> Prepared:
    """Read and check all files of a run. Raises Refused, BenchFileError, PlanError."""
    bench_file = load_bench_file(Path(order.bench))
    if order.job is not None:
        bench_file = _with_job(order, bench_file, Path(order.job))
    if order.clip is not None:
        bench_file = bench_file.clipped_to(order.clip)
    if order.direct:
        bench_file = bench_file.on_widest_current_range()
    mains = bench_file.mains
    _check_mains(order, mains.voltage_v, mains.frequency_hz)
    chosen = _load_class(order, bench_file)
    nameplate_w = order.nameplate_w or (bench_file.unit.nameplate_w if bench_file.unit else None)
    if nameplate_w is None:
        raise Refused(
            "the nameplate power is not known, so no current could be called too much:"
            " give --nameplate-w, or nameplate_w in the bench file's [unit] or in the job's"
        )
    unit = bench_file.unit
    nameplate_v = unit.nameplate_v if unit and unit.nameplate_v is not None else mains.voltage_v
    selector_v = unit.selector_v if unit and unit.selector_v is not None else nameplate_v
    if order.direct or order.starts_follow:
        _check_it_can_start_at_once(order, bench_file)
    if order.direct:
        _check_it_has_passed(order, chosen.name, nameplate_w)
    plan = (
        load_plan(Path(order.plan))
        if order.plan is not None
        else direct_plan(
            chosen.name,
            mains_v=mains.voltage_v,
            frequency_hz=mains.frequency_hz,
            presses_power=chosen.press_power_at_fraction is not None,
        )
        if order.direct
        else default_plan(
            chosen.name,
            mains_v=mains.voltage_v,
            frequency_hz=mains.frequency_hz,
            press_power_at_fraction=unit.press_power_at
            if unit and unit.press_power_at is not None
            else chosen.press_power_at_fraction,
        )
    )
    plan = _with_time_to_type(plan) if bench_file.is_keyed else plan
    check_plan(
        plan,
        mains_v=mains.voltage_v,
        frequency_hz=mains.frequency_hz,
        nameplate_v=nameplate_v,
        selector_v=selector_v,
        direct=order.direct,
    )
    cold = _cold(order, mains.voltage_v)
    by_a_person = _by_a_person(order, cold)
    if not order.permissives_confirmed:
        raise Refused(
            "the pre-power checks were not confirmed: answer them at the terminal, or, if a person has confirmed"
            " every one, give --permissives-confirmed"
        )
    speed = bench_file.clock.speed if bench_file.clock and bench_file.clock.kind == "accelerated" else None
    return Prepared(
        bench_file=bench_file,
        load_class=chosen,
        unit_name=unit.name if unit and unit.name else chosen.name,
        nameplate_v=nameplate_v,
        nameplate_w=nameplate_w,
        plan=plan,
        basis=_basis(order, bench_file, chosen.name, nameplate_v, nameplate_w, cold),
        speed=speed or 1.0,
        sheet=_sheet(order, chosen.name, bench_file, plan, nameplate_w),
        by_a_person=by_a_person,
        cold=cold,
    )


def _with_job(order: RunOrder, bench_file: BenchFile, folder: Path) -> BenchFile:
    """The bench file, and what the job says of the unit. Raises Refused."""
    try:
        return bench_with_job(bench_file, folder, load_class=order.load_class, nameplate_w=order.nameplate_w)
    except JobError as error:
        raise Refused(str(error)) from None


def _cold(order: RunOrder, mains_v: float) -> Gate | None:
    """The cold sheet, which lets nothing be energised that it speaks against. Raises Refused."""
    if order.cold_sheet is None:
        return None
    try:
        gate = load_gate(Path(order.cold_sheet), mains_v)
    except ColdSheetError as error:
        raise Refused(str(error)) from None
    problems = gate.in_the_way(order.overrides or {})
    if problems:
        how = "To go on all the same where that may be: --override CHECK=REASON"
        raise Refused("\n".join([f"{order.cold_sheet} speaks against power:", *problems, how]))
    return gate


def _by_a_person(order: RunOrder, cold: Gate | None) -> Mapping[str, Permissive]:
    """How the checks stand that a person makes. Raises Refused."""
    how, answers = order.permissives_confirmed, {} if cold is None else dict(cold.answers)
    if cold is None and how:
        answers[COLD] = Permissive(Standing.HOLDS, f"{how}; {NO_SHEET}")
    try:
        return confirmed_by_a_person(how, order.overrides or {}, answers)
    except OverrideError as error:
        raise Refused(str(error)) from None


def _check_it_can_start_at_once(order: RunOrder, bench_file: BenchFile) -> None:
    """Whether this bench can switch a unit on at full mains. Raises Refused."""
    if not bench_file.cut_offs:
        raise Refused("a direct switch-on needs a contactor, or a source, that the program can close and cut")
    if order.series_lamp_w or (bench_file.unit and bench_file.unit.series_lamp_w):
        raise Refused("no direct switch-on behind a series lamp: take it out, and power the unit up without it first")


def _check_it_has_passed(order: RunOrder, load_class: str, nameplate_w: float) -> None:
    """A unit is switched on at full mains only once it has been brought up to them. Raises Refused."""
    if order.after is None:
        raise Refused("a direct switch-on comes after a power-up that passed: name its capture")
    try:
        check_passed(Path(order.after), load_class, nameplate_w)
    except ArchiveError as error:
        raise Refused(f"no direct switch-on: {error}") from None


def _sheet(order: RunOrder, load_class: str, bench_file: BenchFile, plan: Plan, nameplate_w: float) -> UnitSheet | None:
    if order.sheet is None:
        return None
    try:
        sheet = load_sheet(Path(order.sheet))
    except SheetError as error:
        raise Refused(str(error)) from None
    if sheet.load_class != load_class:
        raise Refused(
            f"{order.sheet}: load_class = {sheet.load_class!r}, but this unit is taken for a {load_class}; correct one"
        )
    if order.clip is not None and order.clip not in sheet.channels:
        raise Refused(f"{order.sheet}: there is no channel {order.clip!r}; there are {', '.join(sheet.channels)}")
    sheet = sheet if order.soaks else sheet.without_soak()
    problems = [*_not_full_line(order, bench_file, plan), *_drive_problems(sheet, bench_file, nameplate_w)]
    if problems:
        raise Refused("\n".join(f"{order.sheet}: {problem}" for problem in problems))
    return sheet


def _not_full_line(order: RunOrder, bench_file: BenchFile, plan: Plan) -> Iterator[str]:
    """A unit's sheet is of full line, and of nothing in series."""
    ends_v, mains_v = plan.stages[-1].line_voltage_v, bench_file.mains.voltage_v
    if not same_mains(ends_v, mains_v):
        yield f"it is gone by at full line, but the plan ends at {ends_v:g} V of {mains_v:g} V; use another plan"
    if order.series_lamp_w or (bench_file.unit and bench_file.unit.series_lamp_w):
        yield "idle is not set behind a series lamp: power the unit up without it first"


def _drive_problems(sheet: UnitSheet, bench_file: BenchFile, nameplate_w: float) -> Iterator[str]:
    """What stands against driving the unit in its soak."""
    drive = sheet.drive
    if drive is None:
        return
    if sheet.load_class not in CLASS_B:
        yield f"soak.power: what a {sheet.load_class} draws when it is driven is not known here; let it idle"
    if drive.draws_w > nameplate_w:
        yield (
            f"soak: driven so the unit would draw some {drive.draws_w:.0f} W, more than its nameplate's"
            f" {nameplate_w:g} W; correct rated_output_w, load_ohm or the rails"
        )
    needs = {Quantity.EMITTER_RESISTOR: drive.emitter_resistor_v, Quantity.REAL_POWER: drive.power_w}
    for name, entry in bench_file.instruments.items():
        for quantity, full in entry.ranges.items():
            if full < needs.get(quantity, 0.0):
                yield (
                    f"soak: {name}'s range of {full:g} {UNIT[quantity]} for {quantity} ends below the"
                    f" {needs[quantity]:.3g} {UNIT[quantity]} that a drive may bring; lock a wider one"
                )


def _with_time_to_type(plan: Plan) -> Plan:
    """A stage takes its time where a person has to type what the meters show."""
    stages = tuple(stage.model_copy(update={"timeout_s": max(stage.timeout_s, TYPED_STAGE_S)}) for stage in plan.stages)
    return plan.model_copy(update={"stages": stages})


def _basis(
    order: RunOrder,
    bench_file: BenchFile,
    load_class: str,
    nameplate_v: float,
    nameplate_w: float,
    cold: Gate | None,
) -> Basis:
    unit = bench_file.unit
    measured = {} if cold is None else facts_for(load_class, cold.facts)
    try:
        return basis_for(
            load_class,
            nameplate_v=nameplate_v,
            nameplate_w=nameplate_w,
            facts={**measured, **(unit.facts if unit else {}), **(order.facts or {})},
            series_lamp_w=order.series_lamp_w or (unit.series_lamp_w if unit else None),
            known_good=order.known_good,
            learnt=order.learnt,
        )
    except (FactError, ArchiveError) as error:
        raise Refused(str(error)) from None


def _check_mains(order: RunOrder, bench_v: float, bench_hz: float) -> None:
    if bench_hz not in MAINS_FREQUENCIES_HZ:
        raise Refused(f"bench file: mains.frequency_hz = {bench_hz:g} is neither 50 nor 60")
    if order.mains_v is not None and not same_mains(order.mains_v, bench_v):
        raise Refused(
            f"mains do not match: --mains says {order.mains_v:g} V, the bench file {bench_v:g} V; correct one of them"
        )
    if order.mains_frequency_hz is not None and order.mains_frequency_hz != bench_hz:
        raise Refused(
            f"mains do not match: --mains says {order.mains_frequency_hz:g} Hz, the bench file {bench_hz:g} Hz;"
            " correct one of them"
        )


def _load_class(order: RunOrder, bench_file: BenchFile) -> LoadClass:
    name = order.load_class or (bench_file.unit.load_class if bench_file.unit else None)
    if name is None:
        raise Refused(
            "what kind of unit this is, is not known: give --load-class, or load_class in the bench file's [unit];"
            f" one of {', '.join(LOAD_CLASSES)}"
        )
    try:
        return load_class(name)
    except UnknownLoadClass as error:
        raise Refused(str(error)) from None
