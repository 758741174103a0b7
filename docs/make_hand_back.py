"""Makes a whole job on the simulated bench, from intake to sheet, by the program's own commands; and the docs' pictures.

``python docs/make_hand_back.py [JOB]``; takes some four minutes. The pictures need Debian's package poppler-utils.

The unit is the simulated amplifier with seven plug-in channels, one of them shorted, and then the same specimen whole. What
the technician writes down is made up here; whatever was measured comes from the runs.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "docs" / "pictures"
FASTEST = ("--no-screen", "--speed", "1000")
WIDTH_PX = 900

INTAKE = """\
# Made by docs/make_hand_back.py: a made-up job on the simulated bench.
format = 1
number = "2026-014"
opened = {today}
complaint = "Dead. It blew its fuse, and at once the new one as well."
{found}
[unit]
title = "seven-channel amplifier, made up"
serial = "0047"
load_class = "linear-amplifier"
nameplate_w = 300.0
mains_v = 230.0
mains_frequency_hz = 50.0
channels = ["left", "right", "center", "surround-left", "surround-right", "back-left", "back-right"]

[quoted]
hours = 5.0
price = 260.0
currency = "EUR"
"""

FOUND = """\
as_found = "Of seven plug-in channels one, {section}, is shorted from rail to rail."
cause = "A loudspeaker lead whose strands touched one another at that channel's terminals."
closed = {today}
"""

REPAIR = """
[[part]]
designator = "Q741"
what = "output transistor"
replaced_with = "a new one of the same type"
origin = "an authorised distributor"
matched_with = "Q743"
lot = "2611"

[[part]]
designator = "Q743"
what = "output transistor"
replaced_with = "a new one of the same type"
origin = "an authorised distributor"
matched_with = "Q741"
lot = "2611"

[[part]]
designator = "R741, R743"
what = "emitter resistors, 0.22 ohm"
replaced_with = "flameproof ones of the same value"
origin = "an authorised distributor"

[[work]]
date = {today}
what = "Found the channel at fault by short ramps to a few volts, one channel more unplugged each time"
hours = 1.0

[[work]]
date = {today}
what = "Rebuilt that channel's output stage; renewed its thermal pads and the solder joints at its heat sink"
hours = 2.5

[[work]]
date = {today}
what = "Brought it up slowly, left it on, switched it on directly three times"
hours = 1.5

[[check]]
what = "earth continuity"
result = "passed"
value = 0.08
unit = "ohm"
limit = "made up: 0.2 ohm at most"
by = "milliohmmeter"
date = {today}

[[check]]
what = "insulation of mains parts, 500 V"
result = "passed"
value = 200.0
unit = "Mohm"
over_range = true
limit = "made up: 1 Mohm at least"
by = "insulation tester"
date = {today}

[[check]]
what = "touch current"
result = "not made"

[[caution]]
text = "Keep the strands of a loudspeaker lead together: two that touch while it plays are what broke it"

[[picture]]
file = "pictures/wiring.png"
says = "How it stood on the bench: isolation transformer, source, meter and contactor, then the unit"
"""


def rampguard(*arguments: str, code: int) -> dict[str, Any]:
    """Run a command; it must end with this exit code. Returns what it says as JSON."""
    words = [sys.executable, "-m", "rampguard", *arguments, "--json"]
    done = subprocess.run(words, check=False, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
    if done.returncode != code:
        sys.exit(f"{' '.join(arguments)} ended with exit code {done.returncode}, not {code}:\n{done.stderr[-2000:]}")
    said: dict[str, Any] = json.loads(done.stdout)
    return said


def make_job(job: Path) -> Path:
    """The job from intake to sheet. Returns the PDF."""
    today = datetime.now(UTC).date()
    (job / "pictures").mkdir(parents=True)
    shutil.copy(PICTURES / "wiring-source.png", job / "pictures" / "wiring.png")
    captures = str(job / "captures")
    (job / "job.toml").write_text(INTAKE.format(today=today, found=""), encoding="utf-8")
    found = rampguard("demo", "--unit", "shorted-section", *FASTEST, "--into", captures, code=3)
    hunt = rampguard("demo", "--unit", "shorted-section", "--hunt", *FASTEST, "--into", captures, code=0)
    up = ("demo", "--unit", "seven-sections", "--warm-up", "--scanner", "--cold-starts")
    after = rampguard(*up, *FASTEST, "--into", captures, code=0)
    section = " and ".join(hunt["places"]) or "not told which"
    kept = [(found["capture"], "as-found", "")]
    kept += [(step["capture"], "hunt", "") for step in hunt["steps"]]
    kept += [(after["capture"], "warm-up", "")]
    kept[-2] = (*kept[-2][:2], f"{hunt['said']}")
    kept += [(start["capture"], "cold-start", "") for start in after["cold_starts"]]
    text = INTAKE.format(today=today, found=FOUND.format(section=section, today=today)) + REPAIR.format(today=today)
    entries = "".join(_entry(Path(folder).name, role, note) for folder, role, note in kept)
    (job / "job.toml").write_text(text + entries, encoding="utf-8")
    return Path(rampguard("hand-back", str(job), "--with-price", code=0)["pdf"])


def _entry(name: str, role: str, note: str) -> str:
    return f'\n[[capture]]\nfolder = "captures/{name}"\nrole = "{role}"\n' + (f'note = "{note}"\n' if note else "")


def draw(pdf: Path) -> None:
    """The first two pages as the docs' pictures."""
    stem = pdf.with_suffix("")
    pages = ("-f", "1", "-l", "2", "-scale-to-x", str(WIDTH_PX), "-scale-to-y", "-1")
    subprocess.run(["pdftoppm", "-png", "-gray", *pages, str(pdf), str(stem)], check=True)  # noqa: S607
    for number, page in enumerate(sorted(pdf.parent.glob(f"{stem.name}-*.png")), 1):
        shutil.move(page, PICTURES / f"hand-back-{number}.png")


def main() -> None:
    """Make the job, in the folder that was named or in one that goes again."""
    with tempfile.TemporaryDirectory() as folder:
        job = Path(sys.argv[1]) if len(sys.argv) > 1 else Path(folder) / "2026-014"
        draw(make_job(job))


if __name__ == "__main__":
    main()
