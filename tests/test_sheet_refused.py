"""What stands against going on at full line, or starting at full mains, is said before anything is energised."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from full_line_help import sheet
from live_help import plan_toml
from rampguard.engine.link import RunOrder
from rampguard.engine.setup import Prepared, Refused, prepare

BENCH = """
format = 1
title = "A bench"
off_floor_v = 5.0

[mains]
voltage_v = 230.0
frequency_hz = 50.0

[unit]
load_class = "{load_class}"
nameplate_w = {nameplate_w}
{more}

[instruments.power-meter]
dialect = "scpi-power-meter"
resource = "TCPIP0::127.0.0.1::5001::SOCKET"
position = "after-cut-off"

[instruments.idle-meter]
dialect = "scpi-multimeter"
resource = "TCPIP0::127.0.0.1::5002::SOCKET"
measures = "emitter_resistor"
channel = "left"
ranges = {{ emitter_resistor = {range_v} }}

[instruments.contactor]
dialect = "scpi-relay"
resource = "TCPIP0::127.0.0.1::5003::SOCKET"

[roles]
line_meters = ["power-meter"]
dc_meters = ["idle-meter"]
cut_off = {cut_off}
"""

DRIVEN = 'power = "one-eighth"\nrated_output_w = 60.0\nload_ohm = 8.0\n'


def _prepared(
    folder: Path,
    *,
    load_class: str = "linear-amplifier",
    nameplate_w: float = 300.0,
    range_v: float = 1.0,
    cut_off: str = '["contactor"]',
    more: str = "",
    driven: str = "",
    **order: Any,
) -> Prepared:
    bench, path = folder / "bench.toml", sheet(folder, load_class=load_class)
    text = BENCH.format(load_class=load_class, nameplate_w=nameplate_w, range_v=range_v, cut_off=cut_off, more=more)
    bench.write_text(text, encoding="utf-8")
    path.write_text(path.read_text(encoding="utf-8") + driven, encoding="utf-8")
    return prepare(
        RunOrder(bench=str(bench), into=str(folder), sheet=str(path), permissives_confirmed="by flag", **order)
    )


def test_a_sheet_that_fits_is_taken(tmp_path: Path) -> None:
    prepared = _prepared(tmp_path, driven=DRIVEN)
    assert prepared.sheet is not None
    assert prepared.sheet.drive is not None


def test_the_soak_may_be_left_out_and_the_clip_be_elsewhere(tmp_path: Path) -> None:
    prepared = _prepared(tmp_path, soaks=False, clip="right")
    assert prepared.sheet is not None
    assert prepared.sheet.soak.minutes == 0.0
    assert prepared.bench_file.instruments["idle-meter"].channel == "right"


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"driven": DRIVEN, "load_class": "valve-amplifier"}, "what a valve-amplifier draws when it is driven"),
        ({"driven": DRIVEN, "nameplate_w": 100.0}, "more than its nameplate's 100 W"),
        ({"driven": DRIVEN, "range_v": 0.1}, "idle-meter's range of 0.1 V for emitter_resistor ends below"),
        ({"more": "series_lamp_w = 60.0"}, "not set behind a series lamp"),
        ({"clip": "middle"}, "there is no channel 'middle'"),
        ({"starts_follow": True, "cut_off": '"person"'}, "needs a contactor, or a source"),
        ({"starts_follow": True, "series_lamp_w": 60.0}, "no direct switch-on behind a series lamp"),
        ({"direct": True}, "after a power-up that passed"),
    ],
)
def test_what_does_not_fit_is_refused(tmp_path: Path, given: dict[str, Any], said: str) -> None:
    with pytest.raises(Refused, match=said):
        _prepared(tmp_path, **given)


def test_a_plan_that_ends_below_full_line_is_refused_with_a_sheet(tmp_path: Path) -> None:
    (tmp_path / "plan.toml").write_text(plan_toml((20.0, 10.0, 1.0, 9.0)), encoding="utf-8")
    with pytest.raises(Refused, match="the plan ends at 20 V of 230 V"):
        _prepared(tmp_path, plan=str(tmp_path / "plan.toml"))


def test_a_sheet_of_another_class_is_refused(tmp_path: Path) -> None:
    order = RunOrder(
        bench=str(tmp_path / "bench.toml"),
        into=str(tmp_path),
        sheet=str(tmp_path / "sheet.toml"),
        load_class="receiver",
        permissives_confirmed="by flag",
    )
    _prepared(tmp_path)
    with pytest.raises(Refused, match="but this unit is taken for a receiver; correct one"):
        prepare(order)
