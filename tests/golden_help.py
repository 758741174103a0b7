"""The golden corpus: recordings of simulated units (tests/golden), and how they are judged."""

from __future__ import annotations

import json
from collections.abc import Mapping
from pathlib import Path
from typing import Any

from rampguard.replay import ReplayInput, replay

FOLDER = Path(__file__).resolve().parent / "golden"


def golden() -> dict[str, Any]:
    """What golden.json tells of each recording, by its name."""
    told: dict[str, Any] = json.loads((FOLDER / "golden.json").read_text(encoding="utf-8"))
    return told


def judged(file: Path, told: Mapping[str, Any]) -> dict[str, Any]:
    """What the guard makes of a recording, as the JSON contract has it; ``told`` as in golden.json."""
    given = ReplayInput(
        load_class=str(told["load_class"]),
        nameplate_w=float(told["nameplate_w"]),
        mains_v=230.0,
        mains_frequency_hz=50.0,
        meter="v=0.1%+0.05,a=0.1%+0.0005,w=0.2%+0.05",
    )
    return replay(str(file), given, notes=lambda _: None).as_message
