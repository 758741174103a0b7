"""The first page, for the customer: what it is, what was wrong, what was done, how it was tested, what to mind.

What to look out for is common practice, no source.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator
from typing import Final

from rampguard.handback.document import Block, Bullets, Facts, Para, Section, Table
from rampguard.handback.material import Material
from rampguard.handback.measured import Top, soak_minutes, top_of
from rampguard.handback.phrases import counted, ended, in_one_line, listed, minutes, number, paragraphs, times
from rampguard.handback.runs import Run, Runs
from rampguard.job.missing import latest_checks

LOOK_OUT: Final = (
    "Switch it off and unplug it at once if it smells hot, smokes, hums loudly or trips a fuse; do not switch it on"
    " again. Do not open it: inside, dangerous voltage can stay long after it was unplugged.",
    "Leave its vents free, and replace a fuse only by one of the type printed beside it.",
)
WHAT_IT_IS_NOT: Final = (
    "This sheet says what was measured on those days, no more. Local codes, and a licensed person where they require"
    " one, come before it; the program that recorded it is not a safety device."
)
WHY_CUT_OFF: Final = {
    "ceiling": ", because a limit that keeps parts whole was passed",
    "band": ", because what it drew was not what a healthy one of its kind draws",
    "evidence": ", because what it drew was not what a healthy one of its kind draws",
    "reading": ", because a meter's reading failed",
}
"""By the layer of the guard that tripped; the reason itself is told behind the first page."""
SIMULATED: Final = "These power-ups were made on a simulated bench: they say nothing of a real unit."


def customer_sections(material: Material) -> Iterator[Section]:
    """The first page's sections, in order."""
    yield Section("unit", "Your unit", (Facts(tuple(_unit(material))),))
    yield Section("wrong", "What was wrong", tuple(_wrong(material)))
    yield Section("done", "What was done", (Bullets(tuple(_done(material))),))
    yield Section("tested", "How it was tested", tuple(_tested(material)))
    yield Section("mind", "What to mind", tuple(_mind(material)))
    if material.wanted.with_price:
        yield Section("took", "What it took", (_took(material),))


def _unit(material: Material) -> Iterator[tuple[str, str]]:
    job, unit = material.job, material.job.unit
    yield "Unit", unit.title
    if unit.serial:
        yield "Serial number", unit.serial
    yield "Job", f"{job.number}, opened {job.opened}" + (f", closed {job.closed}" if job.closed else "")
    if material.private is not None:
        known = (("Customer", "name"), ("Contact", "contact"), ("Address", "address"))
        for word, key in known:
            if getattr(material.private, key):
                yield word, in_one_line(getattr(material.private, key))


def _wrong(material: Material) -> Iterator[Para]:
    job = material.job
    told = (("You told us", job.complaint), ("We found", job.as_found), ("The cause", job.cause or ""))
    for word, text in told:
        first, *rest = paragraphs(text) or ["(not written down)"]
        yield Para(f"{word}: {ended(first)}")
        yield from map(Para, rest)
    before = material.runs.before
    if before is not None and before.trip is not None:
        volts = before.trip.get("line_voltage_v")
        at = "" if volts is None else f" at {number(volts)} V of {job.unit.mains_v:g} V"
        why = WHY_CUT_OFF.get(str(before.trip.get("layer")), "")
        yield Para(f"Brought up slowly as it came to us, it was cut off{at}{why}.")


def _done(material: Material) -> Iterator[str]:
    parts = Counter((part.what, part.replaced_with, part.origin) for part in material.job.part)
    for (what, new, origin), count in parts.items():
        many = "" if count == 1 else f" ({count} of them)"
        yield in_one_line(f"{_capital(what)}{many}: replaced with {new}, from {origin}.")
    for entry in material.job.work:
        yield _capital(ended(in_one_line(entry.what)))
    if not material.job.part and not material.job.work:
        yield "Nothing is written down."


def _capital(text: str) -> str:
    return text[:1].upper() + text[1:]


def _tested(material: Material) -> Iterator[Block]:
    runs = material.runs
    if any(run.found.is_simulated for run in runs.tested):
        yield Para(SIMULATED, loud=True)
    broken = listed([run.name for run in runs.tested if not run.found.is_whole])
    if broken:
        yield Para(f"The record of {broken} is not whole: what is said of it here proves nothing.", loud=True)
    if runs.after is None:
        yield Para("It was not powered up under watch after the repair.", loud=True)
    elif runs.after.outcome != "passed":
        reason = f": {runs.after.trip['reason']}" if runs.after.trip else ""
        yield Para(f"The last power-up after the repair did not pass ({runs.after.outcome}{reason}).", loud=True)
    yield Bullets((*_power_ups(material), *_by_hand(material)))


def _power_ups(material: Material) -> Iterator[str]:
    runs, after = material.runs, material.runs.after
    if after is not None and after.outcome == "passed":
        yield _ramp(material, after)
    if runs.warm is not None and runs.warm.outcome == "passed":
        yield from _warm(runs, runs.warm)
    if runs.starts:
        good = sum(run.outcome == "passed" for run in runs.starts)
        many = times(len(runs.starts))
        said = "it started each time" if good == len(runs.starts) else f"it passed {good} of {len(runs.starts)}"
        yield f"It was then switched on {many} directly at full mains, as you do it: {said}."
    left_out = sorted({text for run in runs.tested for text in run.overrides})
    if left_out:
        yield f"Left out before power, with the reason given: {in_one_line(listed(left_out))}."


def _ramp(material: Material, after: Run) -> str:
    series = material.runs.series.get(after.name)
    top = None if series is None else top_of(series)
    volts = material.job.unit.mains_v if after.highest_v is None else after.highest_v
    warned = f", with {counted(after.warnings, 'warning')} on the way" if after.warnings else ""
    lamp = "" if after.described.get("series_lamp_w") is None else ", behind a lamp that limits the current"
    said = f"Its mains voltage was brought up slowly from zero to {number(volts)} V, watched all the way{lamp}{warned}."
    return f"{said} {_drew(top)}".strip()


def _drew(top: Top | None) -> str:
    if top is None:
        return "What it drew was not read."
    power = "" if top.power_w is None else f"{number(top.power_w, 2)} W, "
    drew = f"At {number(top.line_v)} V it drew {power}{number(top.current_a, 2)} A"
    if top.band_a is None:
        return f"{drew}; what a healthy one draws was not evaluated there."
    low, high = top.band_a
    span = f"{number(low, 2)} to {number(high, 2)} A"
    fits = "a healthy one of its kind draws" if low <= top.current_a <= high else "NOT as a healthy one, which draws"
    return f"{drew}: {fits} {span} there."


def _warm(runs: Runs, warm: Run) -> Iterator[str]:
    series = runs.series.get(warm.name)
    soak = None if series is None else soak_minutes(series)
    on = warm.result.get("full_line_min")
    said = "It was left on at full mains" + ("" if on is None else f" for {minutes(float(on))}")
    said += "" if soak is None else f", the last {minutes(soak)} of it warm and under watch"
    checks = warm.result["checks"]
    wrong = [check["what"] for check in checks if check["right"] is False]
    unread = [check["what"] for check in checks if check["right"] is None]
    fine = len(checks) - len(wrong) - len(unread)
    if fine == len(checks):
        yield f"{said}. All {fine} things measured inside it while it was warm were in order."
        return
    yield f"{said}. Of {len(checks)} things measured inside it while it was warm, {fine} were in order."
    if wrong:
        yield f"NOT in order, warm: {listed(wrong)}."
    if unread:
        yield f"Could not be measured, warm: {listed(unread)}."


def _by_hand(material: Material) -> Iterator[str]:
    checks = latest_checks(material.job.check)
    if not checks:
        yield "No check of earth continuity, insulation or touch current is written down."
    for check in checks:
        result = {"passed": "passed", "failed": "FAILED", "not made": "not made"}[check.result]
        reads = f", {check.reads}" if check.reads else ""
        limit = f" (limit: {check.limit})" if check.limit and check.result != "not made" else ""
        yield in_one_line(f"{_capital(check.what)}: {result}{reads}{limit}.")


def _mind(material: Material) -> Iterator[Block]:
    passed_on = tuple(_capital(ended(in_one_line(caution.text))) for caution in material.job.caution)
    yield Bullets((*passed_on, *LOOK_OUT))
    yield Para(WHAT_IT_IS_NOT)


def _took(material: Material) -> Table:
    job, quoted = material.job, material.job.quoted
    hours = ("Hours", "not quoted" if quoted is None else f"{quoted.hours:g}", f"{job.hours_spent:g}")
    rows = [hours]
    if quoted is not None and quoted.price is not None:
        rows.append(("Price", f"{quoted.price:.2f} {quoted.currency}", "see the invoice"))
    return Table("Quoted, and what it took", ("", "quoted", "took"), tuple(rows))
