"""What the sheet says, put together in one place. Pure: material in, a sheet of plain words and pictures out."""

from __future__ import annotations

import datetime as dt

from rampguard import __version__
from rampguard.handback.colleague import colleague_sections
from rampguard.handback.customer import customer_sections
from rampguard.handback.document import Sheet
from rampguard.handback.material import Material
from rampguard.handback.missing import missing_of


def told(material: Material, *, draft: bool) -> Sheet:
    """The sheet of a job. A ``draft`` says so, and names what is missing."""
    job = material.job
    missing = missing_of(job, material.runs, material.bad_pictures) if draft else ()
    noon = dt.datetime.combine(material.dated, dt.time(12), dt.UTC)
    return Sheet(
        title=f"Repair sheet {job.number}",
        subtitle=f"{job.unit.title}, {material.dated}",
        language=material.wanted.language,
        made_s=int(noon.timestamp()),
        draft="DRAFT, not to be handed out" if draft else "",
        for_customer=tuple(customer_sections(material)),
        detail="For whoever works on it next",
        for_colleague=tuple(colleague_sections(material)),
        foot=f"Repair sheet {job.number}, {material.dated}. Written by rampguard {__version__}.",
        missing=missing,
    )
