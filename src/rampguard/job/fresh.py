"""A fresh job.toml: what is known at intake, and comments that say what else may stand in it. Pure."""

from __future__ import annotations

import datetime as dt
import textwrap
from dataclasses import dataclass
from typing import Final

import tomlkit

from rampguard.job.edits import with_value
from rampguard.loads.classes import LOAD_CLASSES

_TEMPLATE: Final = """\
# A repair, from intake to hand-back. Plain TOML: write in it by hand, or by `rampguard job` (your comments stay).
# Not in here: whose unit it is. That may go into private.toml, beside this file: format = 1, name, contact, address.
format = 1
# The number names what is handed back.
number = {number}
opened = {opened}
# What the customer says is wrong; what was found wrong; as cause, why it failed, once that is known.
complaint = {complaint}
as_found = {as_found}

[unit]
# As on its plate: title, serial, nameplate_w, nameplate_v. mains_v is what it is run on here.
# unit_sheet = "sheets/unit.toml" in this folder says what its idle, offset and rails should be.
# Load classes: {classes}.
title = {title}
load_class = {load_class}
nameplate_w = {nameplate_w}
mains_v = {mains_v}
mains_frequency_hz = {mains_frequency_hz}
channels = {channels}

# [quoted]: hours; price and currency, both or neither.
# [[part]]: designator, what, replaced_with, origin; matched_with, lot where they are known.
# [[work]]: date, what, hours.
# [[check]]: what, result ("passed", "failed", "not made"); value and unit; limit, by, date. Earth continuity,
#   insulation and touch current, as your local codes ask; "not made" is an answer, and is told as such.
# [[caution]]: text, passed on to the customer.
# [[picture]]: file = "pictures/...", says = what it shows, for those who do not see it.
# [[capture]]: folder = "captures/...", role, note. `rampguard run --job` writes it.
"""


@dataclass(frozen=True, slots=True, kw_only=True)
class Intake:
    """What is known when a job is begun. Volts rms and watts as on the nameplate; ``mains`` are volts rms and hertz."""

    number: str
    opened: dt.date
    title: str
    load_class: str
    nameplate_w: float
    mains: tuple[float, float]
    nameplate_v: float | None = None
    serial: str | None = None
    channels: tuple[str, ...] = ()
    complaint: str = ""
    as_found: str = ""


def fresh_job(intake: Intake) -> str:
    """The file's text. Whether it is a job is for `rampguard.job.model.parse_job` to say."""
    mains_v, frequency_hz = intake.mains
    known = {
        "number": intake.number,
        "opened": intake.opened,
        "complaint": intake.complaint,
        "as_found": intake.as_found,
        "title": intake.title,
        "load_class": intake.load_class,
        "nameplate_w": intake.nameplate_w,
        "mains_v": mains_v,
        "mains_frequency_hz": frequency_hz,
        "channels": list(intake.channels),
    }
    written = {name: tomlkit.item(value).as_string() for name, value in known.items()}
    text = _TEMPLATE.format(**written, classes=textwrap.fill(", ".join(LOAD_CLASSES), 95, subsequent_indent="#   "))
    for key, value in (("nameplate_v", intake.nameplate_v), ("serial", intake.serial)):
        text = text if value is None else with_value(text, ("unit", key), value)
    return text
