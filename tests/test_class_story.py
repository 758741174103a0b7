"""`rampguard classes`: what it tells is what guards a run."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

from rampguard.class_story import told_classes
from rampguard.loads.basis import FACTS
from rampguard.loads.classes import LOAD_CLASSES
from rampguard.loads.families import FAMILIES


def _call(*arguments: str) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "rampguard", "classes", *arguments]
    return subprocess.run(command, capture_output=True, text=True, timeout=60)


def test_every_class_is_told_with_ten_steps_of_line() -> None:
    done = _call()
    assert done.returncode == 0
    for name in LOAD_CLASSES:
        assert f"\n{name} (" in f"\n{done.stdout}"
    assert done.stdout.count("      100  ") == len(LOAD_CLASSES)


def test_one_class_is_told_whole() -> None:
    done = _call("linear-amplifier", "--nameplate-w", "300", "--mains", "120/60")
    assert done.returncode == 0
    assert "nameplate 300 W at 120 V" in done.stdout
    for name, item in FAMILIES["linear-amplifier"].ranges.items():
        assert f"\n  {name} " in done.stdout
        assert item.why[:20] in done.stdout
    assert all(f"\n  {name} " in done.stdout for name in FACTS)


def test_as_json_in_amperes_and_watts_or_in_parts() -> None:
    given = json.loads(_call("heater", "--nameplate-w", "1000", "--json").stdout)
    parts = json.loads(_call("heater", "--json").stdout)
    [told], [part] = given["classes"], parts["classes"]
    low, high = told["expected"][-1]["power"]
    assert low < 1000.0 < high
    assert low == pytest.approx(1000.0 * part["expected"][-1]["power"][0], rel=1e-6)
    assert told["ranges"]["rated"]["why"]


def test_facts_narrow_what_is_told() -> None:
    coarse = told_classes("linear-amplifier", 230.0, 300.0, {}, None).classes[0].rows[-1][1].power_w
    known = told_classes("linear-amplifier", 230.0, 300.0, {"idle_w": 30.0}, None).classes[0].rows[-1][1].power_w
    assert coarse is not None
    assert known is not None
    assert known.high < 0.8 * coarse.high
    assert known.low > 1.5 * coarse.low


@pytest.mark.parametrize("arguments", [["toaster"], ["heater", "--facts", "va=300"], ["heater", "--facts", "va"]])
def test_what_cannot_be_is_refused(arguments: list[str]) -> None:
    done = _call(*arguments)
    assert done.returncode == 2
    assert done.stderr
    assert not done.stdout
