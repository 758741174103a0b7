"""A shop's folder of jobs, drawn by a seed: invented words; no unit, part or person that there is.

Each job has a job.toml, and some are broken; four of ten have captures, small ones: six holds of a healthy ramp, or a
trip. They are described and sealed as those of a run are.
"""

from __future__ import annotations

import csv
import io
import os
import random
from collections.abc import Sequence
from datetime import date, timedelta
from pathlib import Path
from typing import Any

import tomli_w

from rampguard.archive.descriptor import DESCRIPTOR_NAME, describe, descriptor_bytes
from rampguard.archive.rows import EVENT_COLUMNS, Row, as_cells, columns
from rampguard.archive.seal import SEAL_NAME, seal_text
from rampguard.archive.writer import CaptureHeader
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Validity

SIGNALS = (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER)
BROKEN = 0.005
BEYOND_INDEX = "xylophant"
"""A word that stands in every private.toml, and nowhere else."""
_COLOURS = ("grey", "black", "walnut", "silver", "cream", "blue", "tall", "flat")
_UNITS = (
    ("shelf amplifier, 2 x 60 W", "linear-amplifier", 300.0),
    ("stage amplifier, 2 x 250 W", "linear-amplifier", 900.0),
    ("tuner amplifier", "receiver", 250.0),
    ("kitchen radio", "receiver", 60.0),
    ("valve combo", "valve-amplifier", 120.0),
    ("subwoofer amplifier", "switch-mode", 400.0),
    ("turntable", "motor", 20.0),
)
_PARTS = (
    *(("Q", "output transistor"), ("R", "emitter resistor"), ("C", "reservoir capacitor"), ("D", "bridge rectifier")),
    *(("K", "speaker relay"), ("R", "soft-start resistor"), ("Q", "driver transistor"), ("F", "mains fuse")),
    *(("S", "power switch"), ("C", "coupling capacitor"), ("U", "voltage regulator"), ("V", "output valve")),
)
_CAUSES = (
    *("a loudspeaker lead whose strands touched", "no air over the heat sink", "dried-out capacitors", "worn contacts"),
    *("a cracked solder joint", "spilt coffee", "a wrong fuse, put in earlier", "surge on the mains", "age"),
    *("a bias trimmer with a bad wiper", "mica without grease", "that is not known"),
)
_WRONG = (
    "hum",
    "crackle",
    "silence",
    "smoke",
    "a blown fuse",
    "distortion",
    "a thump",
    "a hot smell",
    "one channel low",
)
_WHEN = ("at once", "after ten minutes", "when loud", "since it was moved", "now and then", "when warm")
_DONE = ("measured cold", "output stage rebuilt", "parts ordered", "contacts cleaned", "idle set", "soaked", "recapped")
_PLAIN = {"plan.toml": "format = 1\n", "limits.toml": "format = 1\n\n[limits]\nline_voltage_v = 253.0\n"}
_PLAIN |= {"bench.toml": 'format = 1\ntitle = "bench"\n', "engine.log": ""}


def make_jobs(root: Path, count: int, seed: int) -> None:
    """So many job folders, two hundred to a folder of their own."""
    plain = root.parent / f"{root.name}-plain"
    plain.mkdir(parents=True)
    for name, text in _PLAIN.items():
        (plain / name).write_text(text, encoding="utf-8")
    (plain / "events.csv").write_text(",".join(EVENT_COLUMNS) + "\n", encoding="utf-8")
    for number in range(count):
        folder = root / f"{number // 200:03d}" / f"j{number:05d}"
        make_job(folder, number, random.Random(f"{seed} {number}"), plain)


def make_job(folder: Path, number: int, rng: random.Random, plain: Path) -> None:
    """One job folder. ``plain``: a folder with the files that are the same in every capture; they are linked."""
    folder.mkdir(parents=True)
    title, load_class, watts = rng.choice(_UNITS)
    title = f"{rng.choice(_COLOURS)} {title}"
    opened = date(2020, 1, 1) + timedelta(days=rng.randrange(2500))
    job = job_of(number, (title, load_class, watts), opened, rng)
    if rng.random() < 0.4:
        job["capture"] = _captures(folder, (title, load_class, watts), opened, rng, plain)
    text = tomli_w.dumps(job)
    if rng.random() < BROKEN:
        text = text[: len(text) // 2] + "\n= cut short"  # no TOML, wherever it was cut
    (folder / "job.toml").write_text(text, encoding="utf-8")
    if rng.random() < 0.5:
        whose = f'format = 1\nname = "customer {number}"\ncontact = "{BEYOND_INDEX}{number}"\n'
        (folder / "private.toml").write_text(whose, encoding="utf-8")


def job_of(number: int, unit: tuple[str, str, float], opened: date, rng: random.Random) -> dict[str, Any]:
    """What job.toml holds."""
    title, load_class, watts = unit
    quoted = rng.choice((2.0, 3.0, 4.0, 6.0, 8.0))
    entries = rng.randrange(1, 4)
    ratio = rng.lognormvariate(0.1, 0.35)
    hours = round(min(max(quoted * ratio / entries, 0.25), 24.0), 2)
    job: dict[str, Any] = {"format": 1, "number": f"J-{number:05d}", "opened": opened}
    job["complaint"] = f"{rng.choice(_WRONG)} {rng.choice(_WHEN)}"
    job["as_found"] = f"{rng.choice(_PARTS)[1]} {rng.choice(('shorted', 'open', 'leaky', 'worn'))}"
    if rng.random() < 0.9:
        job["cause"] = rng.choice((str, str.capitalize))(rng.choice(_CAUSES))
    days = rng.randrange(1, 60)
    if rng.random() < 0.95:
        job["closed"] = opened + timedelta(days=days)
    job["unit"] = {"title": title, "load_class": load_class, "nameplate_w": watts, "mains_v": 230.0}
    job["unit"] |= {"mains_frequency_hz": 50.0, "channels": ["left", "right"]}
    job["quoted"] = {"hours": quoted}
    job["part"] = [_part(rng) for _ in range(rng.randrange(4))]
    work = ((opened + timedelta(days=rng.randrange(days + 1)), rng.choice(_DONE)) for _ in range(entries))
    job["work"] = [{"date": day, "what": what, "hours": hours} for day, what in sorted(work)]
    return job


def _part(rng: random.Random) -> dict[str, str]:
    letter, what = rng.choice(_PARTS)
    side = rng.choice(("", ", left", ", right"))
    told = {"designator": f"{letter}{rng.randrange(1, 900)}", "what": f"{what}{side}"}
    return told | {"replaced_with": "same type, new", "origin": "authorised distributor"}


def _captures(
    folder: Path, unit: tuple[str, str, float], opened: date, rng: random.Random, plain: Path
) -> list[dict[str, str]]:
    made = (("as-found", "tripped"), ("after-repair", "passed"))
    found = []
    for number, (role, outcome) in enumerate(made):
        name = f"captures/{opened:%Y%m%d}-{number}"
        write_capture(folder / name, unit, f"{opened + timedelta(days=number)}T10:00:00Z", outcome, rng, plain)
        found.append({"folder": name, "role": role, "note": outcome})
    return found


def write_capture(
    folder: Path, unit: tuple[str, str, float], created: str, outcome: str, rng: random.Random, plain: Path
) -> None:
    """A sealed capture: six holds of three readings, of which one that tripped has the first two."""
    title, load_class, watts = unit
    folder.mkdir(parents=True)
    for name in (*_PLAIN, "events.csv"):
        os.link(plain / name, folder / name)
    rows = _rows(watts * rng.lognormvariate(-1.2, 0.1), 6 if outcome == "passed" else 2)
    (folder / "readings.csv").write_text(_csv([columns(SIGNALS), *(as_cells(row, SIGNALS) for row in rows)]))
    causes = [{"cause": rng.choice(("output-stage-short", "rectifier-diode-short", "other")), "probability": 0.9}]
    result = {"outcome": outcome, "trip": None, "causes": causes if outcome == "tripped" else []}
    header = CaptureHeader(
        unit=title,
        load_class=load_class,
        nameplate_w=watts,
        nameplate_v=230.0,
        mains_v=230.0,
        mains_frequency_hz=50.0,
        bench_title="bench",
        bench_kind="programmable source",
        clock="wall",
        permissives_confirmed="by flag",
        seed=None,
        program_version="0.1.0",
        signals=SIGNALS,
    )
    (folder / DESCRIPTOR_NAME).write_bytes(descriptor_bytes(describe(header, folder.name, created, result)))
    (folder / SEAL_NAME).write_text(seal_text(folder))


def _rows(full_w: float, holds: int) -> list[Row]:
    """A ramp of holds of 1.2 s; current goes with line voltage, power with its square."""
    rows = []
    for hold in range(holds):
        volts = 230.0 * (hold + 1) / 6
        values = ((LINE_VOLTAGE, volts), (LINE_CURRENT, full_w / 230.0 * volts / 230.0 * 1.4))
        values += ((REAL_POWER, full_w * (volts / 230.0) ** 2),)
        for number in range(3):
            time_s = 2.0 * hold + 0.6 * number
            readings = tuple(Reading(signal, value, time_s, time_s, Validity.VALID) for signal, value in values)
            rows.append(Row(time_s, volts, readings, state="live", decision="safe"))
    return rows


def _csv(lines: Sequence[Sequence[str]]) -> str:
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(lines)
    return text.getvalue()
