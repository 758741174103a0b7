"""What was written down and kept: checks by hand, parts, work, pictures, records with their seals, versions."""

from __future__ import annotations

from collections.abc import Iterator

from rampguard import __version__
from rampguard.handback.document import Block, Bullets, Facts, Para, Picture, Table
from rampguard.handback.material import Material
from rampguard.handback.phrases import OUTCOMES, ROLES, counted, in_one_line
from rampguard.handback.runs import Run


def by_hand(material: Material) -> Iterator[Block]:
    """Checks by hand; that none is written down is said."""
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


def parts(material: Material) -> Iterator[Block]:
    """Parts that were replaced."""
    rows = tuple(
        (part.designator, part.what, part.replaced_with, part.origin, part.matched_with or "", part.lot or "")
        for part in material.job.part
    )
    if rows:
        columns = ("designator", "what", "replaced with", "origin", "matched with", "lot")
        yield Table("Parts replaced", columns, rows, wide=(1, 2, 3))


def work(material: Material) -> Iterator[Block]:
    """What was done, day by day; the hours where they were asked for."""
    priced = material.wanted.with_price
    rows = tuple(
        (str(entry.date), in_one_line(entry.what), *((f"{entry.hours:g}",) if priced else ()))
        for entry in material.job.work
    )
    if rows:
        yield Table("Work log", ("date", "what", *(("hours",) if priced else ())), rows, wide=(1,))


def pictures(material: Material) -> Iterator[Block]:
    """The job's pictures; one that cannot be shown is said in words."""
    for entry in material.job.picture:
        shown_ = material.pictures.get(entry.file)
        says = in_one_line(entry.says)
        if shown_ is None:
            yield Para(f"The picture {entry.file} cannot be shown. It is to show: {says}", loud=True)
        else:
            yield Picture(shown_.data, shown_.ending, says, says)


def records(material: Material) -> Iterator[Block]:
    """Every capture, its seal, and what takes from its worth."""
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


def versions(material: Material) -> Iterator[Block]:
    """By what the runs were judged and this was written."""
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
