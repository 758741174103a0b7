"""Records the two captures of ``captures/`` anew on the simulated bench, and the README's pictures of them.

``python docs/make_examples.py``
"""

from __future__ import annotations

import shutil
import subprocess
import sys
import tempfile
from pathlib import Path

ROOT = Path(__file__).resolve().parent.parent
UNITS = {"healthy-amplifier": 0, "shorted-output": 3}


def main() -> None:
    """Run both demos; each must end with the exit code it should."""
    for unit, code in UNITS.items():
        with tempfile.TemporaryDirectory() as folder:
            done = subprocess.run(
                [sys.executable, "-m", "rampguard", "demo", "--unit", unit, "--no-screen", "--speed", "20"]
                + ["--into", folder],
                check=False,
            )
            if done.returncode != code:
                sys.exit(f"{unit} ended with exit code {done.returncode}, not {code}")
            [capture] = Path(folder).iterdir()
            shutil.rmtree(ROOT / "captures" / unit, ignore_errors=True)
            shutil.copytree(capture, ROOT / "captures" / unit)
        (ROOT / "docs" / "pictures").mkdir(exist_ok=True)
        shutil.copy(ROOT / "captures" / unit / "ramp.png", ROOT / "docs" / "pictures" / f"{unit}.png")


if __name__ == "__main__":
    main()
