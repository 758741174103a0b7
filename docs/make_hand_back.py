"""Makes a whole job on the simulated bench by the program's own commands, from intake to sheet; and the docs' pictures.

``python docs/make_hand_back.py [JOB]``; takes some four minutes. The pictures need Debian's package poppler-utils.

The unit is the simulated amplifier with seven plug-in channels, one of them shorted, and then the same specimen whole.
What the technician writes down is made up here; whatever was measured comes from the runs.
"""

from __future__ import annotations

import json
import shutil
import subprocess
import sys
import tempfile
from pathlib import Path
from typing import Any

from rampguard.job.edits import with_entry, with_value

ROOT = Path(__file__).resolve().parent.parent
PICTURES = ROOT / "docs" / "pictures"
ON_THE_BENCH = ("--no-screen", "--speed", "1000", "--json")
CHANNELS = "left,right,center,surround-left,surround-right,back-left,back-right"
WIDTH_PX = 900

PARTS = (
    ("Q741", "output transistor", "a new one of the same type", "--matched-with", "Q743", "--lot", "2611"),
    ("Q743", "output transistor", "a new one of the same type", "--matched-with", "Q741", "--lot", "2611"),
    ("R741, R743", "emitter resistors, 0.22 ohm", "flameproof ones of the same value"),
)
WORK = (
    ("1.0", "Found the channel at fault by short ramps to a few volts, one channel more unplugged each time"),
    ("2.5", "Rebuilt that channel's output stage; renewed its thermal pads and the solder joints at its heat sink"),
    ("1.5", "Brought it up slowly, left it on, switched it on directly three times"),
)
CHECKS = (
    (
        "earth continuity",
        "passed",
        "--reads",
        "0.08 ohm",
        "--limit",
        "made up: 0.2 ohm at most",
        "--by",
        "milliohmmeter",
    ),
    (
        "insulation",
        "passed",
        "--reads",
        "over 200 Mohm",
        "--limit",
        "made up: 1 Mohm at least",
        "--by",
        "insulation tester",
    ),
    ("touch current", "not-made"),
)


def rampguard(*arguments: str, code: int = 0) -> str:
    """Run a command; it must end with this exit code. Returns what it says on standard output."""
    words = [sys.executable, "-m", "rampguard", *arguments]
    done = subprocess.run(words, check=False, capture_output=True, text=True)
    if done.returncode != code:
        sys.exit(f"{' '.join(arguments)} ended with exit code {done.returncode}, not {code}:\n{done.stderr[-2000:]}")
    return done.stdout


def on_the_bench(unit: str, job: Path, *arguments: str, code: int = 0) -> dict[str, Any]:
    """A demo whose captures go into the job. Returns what it says as JSON."""
    said: dict[str, Any] = json.loads(
        rampguard("demo", "--unit", unit, "--job", str(job), *ON_THE_BENCH, *arguments, code=code)
    )
    return said


def make_job(job: Path) -> Path:
    """The job from intake to sheet. Returns the PDF."""
    begin(job)
    on_the_bench("shorted-section", job, code=3)
    hunt = on_the_bench("shorted-section", job, "--hunt")
    repair(job, " and ".join(hunt["places"]) or "not told which")
    on_the_bench("seven-sections", job, "--warm-up", "--scanner", "--cold-starts")
    finish(job)
    said: dict[str, str] = json.loads(rampguard("hand-back", str(job), "--with-price", "--json"))
    return Path(said["pdf"])


def begin(job: Path) -> None:
    """Intake."""
    unit = ("--title", "seven-channel amplifier, made up", "--serial", "0047", "--load-class", "linear-amplifier")
    plate = ("--nameplate-w", "300", "--mains", "230/50", "--channels", CHANNELS)
    complaint = "Dead. It blew its fuse, and at once the new one as well."
    rampguard("job", "new", str(job), "--number", "2026-014", *unit, *plate, "--complaint", complaint)
    by_hand(job, {"quoted.hours": 6.0, "quoted.price": 260.0, "quoted.currency": "EUR"})


def repair(job: Path, section: str) -> None:
    """What was found, and the parts."""
    found = f"Of seven plug-in channels one, {section}, is shorted from rail to rail."
    cause = "A loudspeaker lead whose strands touched one another at that channel's terminals."
    by_hand(job, {"as_found": found, "cause": cause})
    for designator, what, new, *more in PARTS:
        words = ("--with", new, "--origin", "an authorised distributor", *more)
        rampguard("job", "part", str(job), designator, what, *words)


def finish(job: Path) -> None:
    """Work, checks by hand, what the customer is told, a picture."""
    for hours, what in WORK:
        rampguard("job", "log", str(job), what, "--hours", hours)
    for check in CHECKS:
        rampguard("job", "check", str(job), *check)
    caution = "Keep the strands of a loudspeaker lead together: two that touch while it plays are what broke it"
    rampguard("job", "caution", str(job), caution)
    (job / "pictures").mkdir(exist_ok=True)
    shutil.copy(PICTURES / "wiring-source.png", job / "pictures" / "wiring.png")
    says = "How it stood on the bench: isolation transformer, source, meter and contactor, then the unit"
    text = (job / "job.toml").read_text(encoding="utf-8")
    text = with_entry(text, "picture", {"file": "pictures/wiring.png", "says": says})
    (job / "job.toml").write_text(text, encoding="utf-8")
    rampguard("job", "close", str(job))


def by_hand(job: Path, values: dict[str, Any]) -> None:
    """What a technician writes into job.toml in an editor."""
    text = (job / "job.toml").read_text(encoding="utf-8")
    for where, value in values.items():
        text = with_value(text, where.split("."), value)
    (job / "job.toml").write_text(text, encoding="utf-8")


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
