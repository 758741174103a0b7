"""What a colleague wants to know: both ramps on one plot, why it tripped, idle, soak, checks, parts, records."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rampguard import __version__
from rampguard.guard.evidence import CAUSE_WORDS
from rampguard.handback.document import Block, Bullets, Facts, Para, Picture, Section, Table
from rampguard.handback.material import Material
from rampguard.handback.measured import Channel, Soaked, channels_of, is_of, ramp_of, sheet_in, soak_minutes, soaked
from rampguard.handback.phrases import (
    NOT_READ,
    OUTCOMES,
    ROLES,
    VERDICTS,
    changed,
    counted,
    in_one_line,
    minutes,
    number,
    shown,
    signal_name,
    with_uncertainty,
)
from rampguard.handback.plots import ramp_svg
from rampguard.handback.runs import Run
from rampguard.quantities import Quantity
from rampguard.report.series import Series
from rampguard.warmup.sheet import UnitSheet

RAMPS: Final = (
    "Line current against line voltage. Hatched: what a healthy unit of this kind was expected to draw, at most and at"
    " least at each voltage, in the run after the repair; on the right, where there is one, in the run as found. It"
    " narrows while a voltage is held, so that a run can trip inside it."
)
TOLD_CAUSES: Final = 3
LEAST_TOLD: Final = 0.05
"""A cause less probable than this is not told."""


def colleague_sections(material: Material) -> Iterator[Section]:
    """The sections behind the first page; those of which nothing is known are left out."""
    sections = (
        ("ramps", "Before and after the repair", _ramps(material)),
        ("trip", "What tripped, and why", _trip(material)),
        ("hunt", "The section at fault, hunted", _hunt(material)),
        ("warm", "Warm, at full line", _warm(material)),
        ("starts", "Switched on at full mains", _starts(material)),
        ("by-hand", "Measured by hand", _by_hand(material)),
        ("parts", "Parts", _parts(material)),
        ("work", "Work", _work(material)),
        ("pictures", "Pictures", _pictures(material)),
        ("records", "Records", _records(material)),
        ("versions", "What it was judged by", _versions(material)),
    )
    for key, heading, blocks in sections:
        told = tuple(blocks)
        if told:
            yield Section(key, heading, told)


def _ramps(material: Material) -> Iterator[Block]:
    runs = material.runs
    before, after = (
        None if run is None or run.name not in runs.series else ramp_of(runs.series[run.name])
        for run in (runs.before, runs.after)
    )
    if before is None and after is None:
        return
    words = []
    if before is not None:
        end = f"and tripped at {number(before.trip[0])} V" if before.trip else "and did not trip"
        words.append(f"as found, it drew up to {number(float(before.current_a.max()))} A {end}")
    if after is not None:
        up = number(float(after.line_v.max()))
        words.append(f"after the repair, it drew up to {number(float(after.current_a.max()))} A on the way to {up} V")
    says = f"Line current against line voltage: {'; '.join(words)}."
    yield Picture(ramp_svg(before, after), "svg", says, RAMPS)


def _trip(material: Material) -> Iterator[Block]:
    before = material.runs.before
    if before is None or before.trip is None:
        return
    trip = before.trip
    yield Facts(
        (
            ("Run", before.name),
            ("Tripped by", f"{in_one_line(str(trip['reason']))} (layer: {trip['layer']})"),
            ("At", f"{_volts(trip.get('line_voltage_v'))}, {number(float(trip['time_s']))} s after it was energised"),
            ("Off", "proven" if before.proven_off else "NOT PROVEN"),
        )
    )
    causes = [found for found in before.result.get("causes") or [] if found["probability"] >= LEAST_TOLD]
    if causes:
        rows = tuple(
            (CAUSE_WORDS.get(found["cause"], found["cause"]), f"{100 * min(found['probability'], 0.99):.0f} %")
            for found in causes[:TOLD_CAUSES]
        )
        yield Table(
            "Causes as the readings ranked them; none is told as surer than 99 %", ("cause", "probability"), rows
        )


def _hunt(material: Material) -> Iterator[Block]:
    rows = tuple(
        (
            run.name,
            ", ".join(run.described.get("unplugged") or ()) or "nothing",
            OUTCOMES.get(run.outcome, run.outcome),
            _volts(run.highest_v),
            in_one_line(run.found.note),
        )
        for run in material.runs.hunted
    )
    if rows:
        columns = ("run", "unplugged", "outcome", "highest voltage", "note")
        yield Table("Runs with sections unplugged", columns, rows, wide=(0, 1, 4))


def _warm(material: Material) -> Iterator[Block]:
    warm = material.runs.warm
    if warm is None:
        return
    series, sheet = material.runs.series.get(warm.name), sheet_in(warm.described)
    told: tuple[str, ...] = ()
    if series is not None and sheet is not None:
        yield _idles(sheet, warm, series)
        yield from _soak(sheet, series)
        told = sheet.channels
    rows = tuple(
        (str(check["what"]), VERDICTS[check["right"]], in_one_line(str(check["text"])))
        for check in warm.result["checks"]
        if check["right"] is not True or not any(is_of(check["what"], name) for name in told)
    )
    if rows:
        caption = "What else was checked warm, and whatever was not found to be in order"
        yield Table(caption, ("what", "result", "as recorded"), rows, wide=(2,))


def _idles(sheet: UnitSheet, warm: Run, series: Series) -> Table:
    target = f"{number(1e3 * sheet.idle.volts)} mV within {sheet.idle.tolerance_percent:g} %"
    limit = f"{number(1e3 * sheet.offset.limit_v)} mV at most"
    caption = (
        f"Idle and offset of every channel, warm. Wanted: idle {target}, offset {limit}; ± is one standard uncertainty,"
        " of the meter's bound and the resistors' tolerance"
    )
    columns = ("channel", "idle, test points", "idle, a device", "offset", "offset, terminals", "result")
    return Table(caption, columns, tuple(map(_channel, channels_of(sheet, warm.result, series))))


def _soak(sheet: UnitSheet, series: Series) -> Iterator[Table]:
    rows = tuple(map(_soaked, soaked(series, sheet.channels)))
    if rows:
        long = minutes(soak_minutes(series) or 0.0)
        caption = f"The soak, {long}: averages over its first and last ten seconds, and the extremes between"
        yield Table(caption, ("what", "at its beginning", "at its end", "change", "least", "most"), rows)


def _channel(one: Channel) -> tuple[str, ...]:
    idle = one.idle
    return (
        one.name,
        NOT_READ if one.idle_v is None else shown(one.idle_v, Quantity.EMITTER_RESISTOR),
        NOT_READ if idle is None else with_uncertainty(1e3 * idle.current_a, 1e3 * idle.current_u, "mA"),
        *(NOT_READ if volts is None else shown(volts, Quantity.DC_OFFSET) for volts in (one.ahead_v, one.behind_v)),
        VERDICTS[one.right],
    )


def _soaked(one: Soaked) -> tuple[str, ...]:
    quantity = one.signal.quantity
    first, last, least, most = (shown(value, quantity, 4) for value in (one.first, one.last, one.least, one.most))
    return signal_name(one.signal), first, last, changed(one.first, one.last, quantity, 4), least, most


def _starts(material: Material) -> Iterator[Block]:
    rows = tuple(
        (run.name, OUTCOMES.get(run.outcome, run.outcome), _amperes(run.result.get("max_line_current_a")))
        for run in material.runs.starts
    )
    if rows:
        columns = ("run", "outcome", "largest reading of current")
        yield Table("Starts at full mains", columns, rows)
        yield Para("A meter's window averages: the peak of the first half cycle is several times the largest reading.")


def _by_hand(material: Material) -> Iterator[Block]:
    rows = tuple(
        (
            in_one_line(check.what),
            {"passed": "passed", "failed": "FAILED", "not made": "not made"}[check.result],
            check.reads,
            check.limit or "",
            check.by or "",
            "" if check.date is None else str(check.date),
        )
        for check in material.job.check
    )
    if rows:
        columns = ("check", "result", "reads", "limit", "by", "date")
        yield Table("Checks by hand, in the order in which they were written down", columns, rows, wide=(3, 4))
    else:
        yield Para("None is written down: earth continuity, insulation and touch current are not said to be in order.")


def _parts(material: Material) -> Iterator[Block]:
    rows = tuple(
        (part.designator, part.what, part.replaced_with, part.origin, part.matched_with or "", part.lot or "")
        for part in material.job.part
    )
    if rows:
        columns = ("designator", "what", "replaced with", "origin", "matched with", "lot")
        yield Table("Parts replaced", columns, rows, wide=(1, 2, 3))


def _work(material: Material) -> Iterator[Block]:
    priced = material.wanted.with_price
    rows = tuple(
        (str(entry.date), in_one_line(entry.what), *((f"{entry.hours:g}",) if priced else ()))
        for entry in material.job.work
    )
    if rows:
        yield Table("Work log", ("date", "what", *(("hours",) if priced else ())), rows, wide=(1,))


def _pictures(material: Material) -> Iterator[Block]:
    for entry in material.job.picture:
        shown_ = material.pictures.get(entry.file)
        says = in_one_line(entry.says)
        if shown_ is None:
            yield Para(f"The picture {entry.file} cannot be shown. It is to show: {says}", loud=True)
        else:
            yield Picture(shown_.data, shown_.ending, says, says)


def _records(material: Material) -> Iterator[Block]:
    every = material.runs.every
    if not every:
        yield Para("The job has no captures.", loud=True)
        return
    rows = tuple(map(_record, every))
    columns = ("capture", "what it is", "outcome", "seal", "to be said of it")
    yield Table("Captures, in the order in which they were made", columns, rows, wide=(0, 4))
    if any(run.found.role_worked_out for run in every):
        yield Para("* Not written in the job: worked out from the run's kind, its outcome and the order of runs.")
    yield Para(
        "A seal is the list of SHA-256 sums of a capture's files, seal.sha256; the sum of that list is printed here. It"
        " shows that a record was changed by accident or carelessness; it is no signature."
    )
    seals = tuple((run.name, run.seal_sha256) for run in every if run.seal_sha256)
    if seals:
        yield Table("SHA-256 of each seal file", ("capture", "SHA-256 of seal.sha256"), seals, wide=(0,))


def _record(run: Run) -> tuple[str, ...]:
    star = "*" if run.found.role_worked_out else ""
    said = (
        *run.reservations,
        *((counted(run.warnings, "warning"),) if run.warnings else ()),
        in_one_line(run.found.note),
    )
    return (
        run.name,
        f"{ROLES[run.found.role]}{star}",
        OUTCOMES.get(run.outcome, run.outcome),
        run.seal,
        "; ".join(filter(None, said)),
    )


def _versions(material: Material) -> Iterator[Block]:
    unit = material.job.unit
    recorded = sorted({str(run.described["program_version"]) for run in material.runs.every if run.described})
    pairs = [
        ("Load class", f"{unit.load_class}, nameplate {unit.nameplate_w:g} W"),
        ("Mains", f"{unit.mains_v:g} V, {unit.mains_frequency_hz:g} Hz"),
        ("Channels", ", ".join(unit.channels)),
        ("Captures recorded by", f"rampguard {', '.join(recorded)}" if recorded else ""),
        ("Sheet written by", f"rampguard {__version__}"),
    ]
    after = material.runs.after
    if after is not None and after.described:
        pairs.insert(2, ("Bench", in_one_line(f"{after.described.get('bench')}, {after.described.get('bench_kind')}")))
        confirmed = after.described.get("permissives_confirmed")
        pairs.insert(3, ("Pre-power checks", f"confirmed: {confirmed}" if confirmed else "not recorded"))
    yield Facts(tuple((term, text) for term, text in pairs if text))
    yield Bullets(("To check a record: sha256sum -c seal.sha256, in its folder.",))


def _volts(value: float | None) -> str:
    return "voltage not recorded" if value is None else f"{number(float(value))} V"


def _amperes(value: float | None) -> str:
    return "not recorded" if value is None else f"{number(float(value))} A rms"
