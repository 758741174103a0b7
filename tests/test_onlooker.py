"""The story in lines of text: what it says, and what it makes of an engine that died."""

from __future__ import annotations

import io
import json
from pathlib import Path

import pytest

from rampguard.cautions import NOT_PROVEN_OFF
from rampguard.onlooker import Onlooker
from rampguard.readings_words import readings_line


def test_readings_fit_a_line_the_lines_own_first_small_ones_in_thousandths() -> None:
    values = {
        "dc_offset_left_v": -0.0004,
        "line_voltage_v": 0.52,
        "line_current_a": 0.0826,
        "real_power_w": 2.19,
        "emitter_resistor_left_v": 0.00517,
        "rail_plus_v": 49.94,
        "not_ours": 1.0,
    }
    line = readings_line(values)
    assert line == "0.52 V  82.6 mA  2.19 W  offset left -0.4 mV  emitter left 5.2 mV  rail plus 49.9 V"
    assert len(line) < 100


def _told(*events: dict[str, object]) -> tuple[Onlooker, io.StringIO]:
    out = io.StringIO()
    onlooker = Onlooker(out)
    for event in events:
        onlooker._hear(event)
    return onlooker, out


def test_an_engine_that_died_live_is_judged_by_its_watchdogs_verdict(tmp_path: Path) -> None:
    verdict = {"format": 1, "reason": "the engine is gone", "off": {"proven": True, "by": ["x"], "problems": []}}
    (tmp_path / "watchdog.json").write_text(json.dumps(verdict), encoding="utf-8")
    onlooker, out = _told({"event": "live", "capture": str(tmp_path), "plan": "p"})
    assert onlooker._conclude(-9) == 3
    assert onlooker.seen.summary is not None
    assert onlooker.seen.summary["outcome"] == "tripped"
    assert "OFF, proven" in out.getvalue()


@pytest.mark.parametrize("code", [-9, 1, None])
def test_with_no_verdict_it_is_not_proven_off_in_the_largest_letters(
    tmp_path: Path, code: int | None, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("rampguard.run_seen.VERDICT_WAIT_S", 0.1)
    onlooker, out = _told({"event": "live", "capture": str(tmp_path), "plan": "p"})
    assert onlooker._conclude(code) == 4
    assert NOT_PROVEN_OFF in out.getvalue()
    assert onlooker.seen.summary is not None
    assert onlooker.seen.summary["outcome"] == "unproven"


def test_before_power_an_error_of_ours_is_1_and_a_refusal_2() -> None:
    assert _told({"event": "broken", "text": "trace"})[0]._conclude(1) == 1
    onlooker, out = _told({"event": "refused", "text": "why and what to do"})
    assert onlooker._conclude(2) == 2
    assert "nothing was energised" in out.getvalue()
    assert "why and what to do" in out.getvalue()


def test_a_terminal_that_is_gone_is_a_lost_screen_and_no_error() -> None:
    out = io.StringIO()
    onlooker = Onlooker(out)
    out.close()
    onlooker.say("anything")
    assert onlooker._terminal_lost
