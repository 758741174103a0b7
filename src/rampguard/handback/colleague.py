"""What a colleague wants to know: both ramps on one plot, why it tripped, idle, soak, checks, parts, records."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Final

from rampguard.guard.evidence import CAUSE_WORDS
from rampguard.handback import kept
from rampguard.handback.document import Block, Facts, Para, Picture, Section, Table
from rampguard.handback.material import Material
from rampguard.handback.measured import Channel, Soaked, channels_of, is_of, ramp_of, sheet_in, soak_minutes, soaked
from rampguard.handback.phrases import (
    NOT_READ,
    OUTCOMES,
    VERDICTS,
    changed,
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
        ("by-hand", "Measured by hand", kept.by_hand(material)),
        ("parts", "Parts", kept.parts(material)),
        ("work", "Work", kept.work(material)),
        ("pictures", "Pictures", kept.pictures(material)),
        ("records", "Records", kept.records(material)),
        ("versions", "What it was judged by", kept.versions(material)),
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


def _volts(value: float | None) -> str:
    return "voltage not recorded" if value is None else f"{number(float(value))} V"


def _amperes(value: float | None) -> str:
    return "not recorded" if value is None else f"{number(float(value))} A rms"
