"""`rampguard estimates`: what it prints, what it refuses, and what it says cannot be told."""

from __future__ import annotations

import json
import shutil
from collections.abc import Mapping
from dataclasses import replace
from pathlib import Path

import pytest

from rampguard.cli import main
from rampguard.estimates.estimate import Estimate, Estimates
from rampguard.estimates.nominal import NominalError, nominals
from rampguard.estimates.recorded import ramp_of
from rampguard.estimates.sought import Unit
from rampguard.estimates.story import WIDTH, as_message, as_text

ROOT = Path(__file__).resolve().parent.parent
CAPTURE = ROOT / "captures" / "healthy-amplifier"

ENERGY = Estimate("energy_j", "J", "held by the reservoirs", 27.0, 25.0, 30.0, 4.0, 99.0, told=True)
CORE = Estimate("core_loss_w", "W", "lost in the core", 3.0, 0.7, 12.0, 0.6, 13.0, told=False)
FOUND = Estimates(Unit("linear-amplifier", 230.0, 300.0), 60, 1.0, 1.0, (ENERGY, CORE), soft_start=0.01)


def _copied(tmp_path: Path, changes: Mapping[str, object]) -> Path:
    """The example's capture with its descriptor changed; its seal does not hold any more."""
    folder = tmp_path / "changed"
    shutil.copytree(CAPTURE, folder)
    path = folder / "datapackage.json"
    path.write_text(json.dumps(json.loads(path.read_text(encoding="utf-8")) | dict(changes)), encoding="utf-8")
    return folder


def test_the_command_tells_a_table_of_80_columns(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimates", str(CAPTURE), "--nominal", "reservoir=10000uF"]) == 0
    told = capsys.readouterr().out
    assert max(map(len, told.splitlines())) <= WIDTH
    assert "of the nominal 10000 uF" in told
    assert "No soft start" in told


def test_json_is_one_object_and_nothing_else(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimates", str(CAPTURE), "--json"]) == 0
    message = json.loads(capsys.readouterr().out)
    assert message["format"] == 1
    assert message["fits"]
    by_name = {one["quantity"]: one for one in message["estimates"]}
    low, high = by_name["reservoir_uf"]["interval_95"]
    assert low < by_name["reservoir_uf"]["estimate"] < high
    assert by_name["rail_v"]["class_alone_95"] is None
    assert message["soft_start"]["probability"] < 0.05


def test_a_run_that_tripped_is_refused(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimates", str(ROOT / "captures" / "shorted-output")]) == 2
    assert "tripped" in capsys.readouterr().err


@pytest.mark.parametrize(
    ("changes", "said"),
    [
        ({"load_class": "heater"}, "only of linear-amplifier and receiver"),
        ({"series_lamp_w": 60.0}, "behind a series lamp"),
        ({"nameplate_w": None}, "does not say the unit's nameplate"),
    ],
)
def test_captures_of_which_nothing_can_be_told_are_refused(
    tmp_path: Path, capsys: pytest.CaptureFixture[str], changes: Mapping[str, object], said: str
) -> None:
    assert main(["estimates", str(_copied(tmp_path, changes))]) == 2
    assert said in capsys.readouterr().err


def test_no_capture_and_a_table_of_readings_are_bad_input(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimates", "nowhere"]) == 2
    assert main(["estimates", str(CAPTURE / "readings.csv")]) == 2
    assert "is readings.csv a capture folder?" in capsys.readouterr().err.replace(str(CAPTURE) + "/", "")


def test_a_seal_that_does_not_hold_is_told(tmp_path: Path) -> None:
    [note] = ramp_of(_copied(tmp_path, {"title": "another"})).notes
    assert "its seal does not hold" in note


def test_rails_are_the_mean_of_the_end() -> None:
    ramp = ramp_of(CAPTURE)
    assert len(ramp.rails) == 2
    assert all(40.0 < rail.volts < 60.0 for rail in ramp.rails)


def test_what_is_not_told_stands_apart() -> None:
    text = as_text("shelf", FOUND, {})
    told, untold = text.split("Cannot be identified from this ramp")
    assert "held by the reservoirs" in told
    assert "lost in the core: 0.7 to 12 W; the class alone 0.6 to 13" in untold
    message = as_message(FOUND, {})
    assert [one["told"] for one in message["estimates"]] == [True, False]
    assert message["estimates"][1]["means"].startswith("cannot be identified from this ramp")


def test_a_nominal_reservoir_without_a_rail_meter_is_said_not_to_be_compared() -> None:
    assert "The nominal reservoir was not compared" in as_text("shelf", FOUND, {"reservoir_uf": 1e4})


def test_a_unit_that_no_model_is_like_is_told_of_nothing() -> None:
    text = as_text("shelf", replace(FOUND, misfit=5.0), {})
    assert "nothing is told" in text
    assert "25 to 30" not in text
    assert not any(one["told"] for one in as_message(replace(FOUND, misfit=5.0), {})["estimates"])


@pytest.mark.parametrize(
    ("found", "said"),
    [
        (replace(FOUND, soft_start=0.5), "this ramp does not tell: 50 % likely"),
        (replace(FOUND, soft_start=0.99), "There is a soft start."),
        (replace(FOUND, soft_start=None, to_v=0.7), "did not come far enough"),
        (replace(FOUND, to_v=0.7), "The line came to 70 % only"),
        (replace(FOUND, soft_start=None, unit=Unit("receiver", 230.0, 350.0)), "within a second of its power"),
    ],
)
def test_what_the_foot_says(found: Estimates, said: str) -> None:
    assert said in " ".join(as_text("shelf", found, {}).split())


def test_nominal_values_with_their_units() -> None:
    assert nominals("reservoir=10mF, rail=35V,idle=25W") == {"reservoir_uf": 10_000.0, "rail_v": 35.0, "idle_w": 25.0}
    assert nominals("") == {}


def test_every_mistake_in_a_nominal_is_told_at_once() -> None:
    with pytest.raises(NominalError) as raised:
        nominals("reservoir=10000,rail=35A,bias=2W,idle=0W,source=1ohm,source=2ohm")
    lines = str(raised.value).splitlines()
    assert len(lines) == 5
    for line, said in zip(
        lines, ("name, a number and a unit", "is given in V", "no nominal value", "above zero", "twice"), strict=True
    ):
        assert said in line


def test_a_bad_nominal_is_bad_usage(capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["estimates", str(CAPTURE), "--nominal", "reservoir=lots"]) == 2
    assert "--nominal:" in capsys.readouterr().err
