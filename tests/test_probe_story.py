"""What a probe tells: 80 columns, whatever happened; nothing is called well that was not seen."""

from __future__ import annotations

import pytest

from instruments.roles import OutputState
from rampguard.cautions import NOT_PROVEN_OFF
from rampguard.engine.cutoff import OffProof
from rampguard.probe import PROBED
from rampguard.probe.low_flux import Found
from rampguard.probe.story import Told
from rampguard.probe.verdict import Plate, Point, Verdict

ON = OffProof(0.5, 0.0, {}, problems=("contactor reads back on",))
OFF = OffProof(0.5, 0.0, {}, states={"contactor": OutputState.OFF}, line=("meter", 0.08), low_since_s=1.0, read_s=1.0)
POINT = Point(
    frequency_hz=400.0,
    volts=8.97,
    amperes=0.2,
    watts=1.2,
    bound_v=0.1,
    bound_a=1e-3,
    bound_w=1e-3,
    weak=True,
    passing=True,
)


def told(verdict: Verdict | None, off: OffProof = OFF, name: str = "transformer", **more: object) -> Told:
    given = {"ended": "", "stopped": False, "left_out": ("40 Hz: the source cannot",), **more}
    return Told(
        plate=Plate(name, 230.0, 80.0, 50.0),
        points=[POINT],
        verdict=verdict,
        off=off,
        at_most_j=0.3,
        bench="programmable source",
        confirmed="by flag",
        **given,  # type: ignore[arg-type]
    )


def verdict(found: Found, p: float, *, draws: bool = True, too_much: str = "") -> Verdict:
    return Verdict({found: p, Found.OTHER: 1.0 - p}, 12.0, draws, too_much)


@pytest.mark.parametrize(
    ("story", "outcome", "says"),
    [
        (told(verdict(Found.NO_FAULT, 0.97)), "no-short-seen", "this replaces none of it"),
        (told(verdict(Found.NO_FAULT, 0.97, draws=False)), "cannot-tell", "If it is on:"),
        (told(verdict(Found.NO_FAULT, 0.6)), "cannot-tell", "CANNOT TELL."),
        (told(verdict(Found.SHORTED_TURNS, 0.95)), "short", "DO NOT RAMP."),
        (told(verdict(Found.NO_FAULT, 0.97, too_much="0.4 A")), "short", "DO NOT RAMP. 0.4 A"),
        (told(None), "ended-early", "nothing is known"),
        (told(verdict(Found.NO_FAULT, 0.97), stopped=True), "stopped", "stopped by the operator"),
        (told(verdict(Found.NO_FAULT, 0.97), ended="no reading"), "ended-early", "ended early: no reading"),
        (told(verdict(Found.SHORTED_TURNS, 0.95), ON), "unproven", NOT_PROVEN_OFF),
    ],
)
def test_what_is_told(story: Told, outcome: str, says: str) -> None:
    text = story.as_text
    assert story.outcome == outcome
    assert says in text.replace("\n  ", " ")
    assert max(map(len, text.splitlines())) <= 80
    assert story.as_message["outcome"] == outcome
    assert story.as_message["refuses_ramp"] == (outcome == "short")
    assert ("OFF, proven" in text) == (outcome != "unproven")


def test_how_blind_it_is_is_told_of_every_class() -> None:
    for name in PROBED:
        assert "Not seen:" in told(verdict(Found.NO_FAULT, 0.97), name=name).as_text


def test_nobody_is_told_to_go_on_where_nothing_can_be_told() -> None:
    assert "go on with the ramp" not in told(verdict(Found.NO_FAULT, 0.6)).as_text
