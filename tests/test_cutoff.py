"""The cut-off: every way off is commanded whatever the others do, and off is proven by position and time."""

from __future__ import annotations

import queue
import threading
from dataclasses import replace

import pytest

from bench_help import FakeCutOff, FakeMeter, wait_for
from instruments.roles import OutputState, Position
from rampguard.engine.cutoff import OffDrive, OffProof, OffReport, attempt_off, begin_proof
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Reading, Validity

OFF = OffReport("contactor", OutputState.OFF)
METER = FakeMeter()


def _proof() -> OffProof:
    return begin_proof(5.0, 100.0, [METER, FakeMeter("source", Position.BEFORE_CUT_OFF)])


def _reading(volts: float | None, asked_s: float, instrument: str = "power-meter") -> Reading:
    validity = Validity.VALID if volts is not None else Validity.INVALID
    return Reading(LINE_VOLTAGE, volts, asked_s + 0.01, asked_s, validity, 0.1, instrument)


def test_off_needs_both_a_read_back_and_a_later_reading_below_the_floor() -> None:
    assert not _proof().proven
    assert not _proof().with_report(OFF).proven
    assert not _proof().with_reading(_reading(0.1, 101.0)).proven
    proof = _proof().with_report(OFF).with_reading(_reading(0.1, 101.0))
    assert proof.proven
    assert proof.by == ["contactor reads back off", "power-meter reads under 0.2 V (floor 5 V)"]


@pytest.mark.parametrize(
    "reading",
    [
        _reading(0.1, 99.9),  # asked before the command
        _reading(0.1, 100.2),  # asked after it, but its window may have begun with it
        _reading(4.9, 101.0),  # with its bound, at the floor and not below
        _reading(-200.0, 101.0),  # the size counts
        _reading(None, 101.0),  # invalid
        _reading(0.1, 101.0, "source"),  # before the cut-off
        _reading(0.1, 101.0, "somewhere"),
        Reading(LINE_CURRENT, 0.0, 101.0, 101.0, instrument="power-meter"),
    ],
)
def test_a_reading_that_proves_nothing_proves_nothing(reading: Reading) -> None:
    assert not _proof().with_report(OFF).with_reading(reading).proven


@pytest.mark.parametrize("reading", [_reading(0.1, 100.21), _reading(4.89, 101.0), _reading(-4.89, 101.0)])
def test_a_reading_late_enough_and_just_below_the_floor_proves(reading: Reading) -> None:
    assert _proof().with_report(OFF).with_reading(reading).proven


def test_a_meter_that_answers_later_may_prove_too() -> None:
    proof = begin_proof(5.0, 100.0, []).with_report(OFF)
    assert not proof.with_reading(_reading(0.1, 101.0)).proven
    assert proof.proven_by([METER]).with_reading(_reading(0.1, 101.0)).proven


class TestAPersonIsTheCutOff:
    """Nothing reads back: the line itself must be dead, and stay so."""

    def _after(self, *read: tuple[float, float], floor_v: float = 5.0) -> OffProof:
        """The proof after readings of so many volts, asked at those times."""
        proof = begin_proof(floor_v, 100.0, [METER], by_person=True)
        for volts, asked_s in read:
            proof = proof.with_reading(_reading(volts, asked_s))
        return proof

    def test_a_line_that_stays_dead_for_a_second_proves(self) -> None:
        assert not self._after((0.1, 101.0), (0.1, 101.5), (0.1, 101.99)).proven
        assert self._after((0.1, 101.0), (0.1, 101.5), (0.1, 102.0)).proven

    def test_a_line_that_came_back_between_begins_anew(self) -> None:
        assert not self._after((0.1, 101.0), (9.0, 101.5), (0.1, 102.0), (0.1, 102.9)).proven
        assert self._after((0.1, 101.0), (9.0, 101.5), (0.1, 102.0), (0.1, 103.0)).proven

    @pytest.mark.parametrize(("volts", "floor_v"), [(0.9, 5.0), (0.4, 0.5)])
    def test_below_the_floor_is_below_a_volt_and_below_the_benchs_own(self, volts: float, floor_v: float) -> None:
        assert not self._after((volts, 101.0), (volts, 102.0), floor_v=floor_v).proven
        assert self._after((volts - 0.01, 101.0), (volts - 0.01, 102.0), floor_v=floor_v).proven

    def test_it_says_that_nothing_else_proves_it(self) -> None:
        assert self._after((0.1, 101.0), (0.1, 102.0)).by == [
            "power-meter reads under 0.2 V (floor 1 V), the only proof there is: a person switched off"
        ]


def test_a_later_reading_above_the_floor_takes_the_proof_back() -> None:
    proof = _proof().with_report(OFF).with_reading(_reading(0.1, 101.0)).with_reading(_reading(230.0, 102.0))
    assert not proof.proven


def test_a_welded_relay_beside_a_source_that_is_off_is_proven_and_told() -> None:
    proof = (
        _proof().with_report(OffReport("contactor", OutputState.ON)).with_report(OffReport("source", OutputState.OFF))
    )
    proof = proof.with_reading(_reading(0.0, 101.0))
    assert proof.proven
    assert proof.problems == ("contactor reads back on",)
    assert proof.as_message == {"proven": True, "by": proof.by, "problems": ["contactor reads back on"]}


def test_a_problem_is_told_once() -> None:
    lost = OffReport("contactor", None, "contactor: gone")
    assert _proof().with_report(lost).with_report(lost).problems == ("contactor: gone",)


def test_a_bench_with_no_meter_after_the_cut_off_can_prove_nothing() -> None:
    proof = begin_proof(5.0, 100.0, [replace(METER, position=Position.BEFORE_CUT_OFF)])
    assert not proof.with_report(OFF).with_reading(_reading(0.0, 101.0)).proven


def test_an_attempt_never_raises() -> None:
    failed = attempt_off(FakeCutOff(fails=1))
    assert failed == OffReport("contactor", None, "contactor: contactor does not answer")
    assert attempt_off(FakeCutOff()) == OFF


def test_not_even_a_mistake_of_ours_ends_the_attempts() -> None:
    class Broken(FakeCutOff):
        def off(self) -> None:
            super().off()
            if self.attempts < 3:
                raise KeyError("somebody's mistake")

    contactor = Broken()
    assert attempt_off(contactor) == OffReport("contactor", None, 'contactor: KeyError: "somebody\'s mistake"')
    drive, reports = _drive(contactor)
    drive.cut()
    wait_for(lambda: contactor.output is OutputState.OFF and contactor.attempts >= 3)
    drive.stop()
    assert reports.get().state is None


def test_what_speaks_for_off_does_not_count_a_reading_above_the_floor() -> None:
    assert _proof().with_report(OFF).with_reading(_reading(230.0, 101.0)).by == ["contactor reads back off"]
    assert _proof().by == []


def _drive(*cut_offs: FakeCutOff) -> tuple[OffDrive, queue.SimpleQueue[OffReport]]:
    reports: queue.SimpleQueue[OffReport] = queue.SimpleQueue()
    return OffDrive(cut_offs, reports.put), reports


def test_nothing_is_commanded_before_cut_and_stop_switches_nothing() -> None:
    contactor = FakeCutOff()
    drive, _ = _drive(contactor)
    drive.stop()
    assert contactor.attempts == 0
    assert contactor.output is OutputState.ON


def test_stop_waits_no_longer_than_it_is_told_and_a_second_at_most(monkeypatch: pytest.MonkeyPatch) -> None:
    waited: list[float | None] = []
    monkeypatch.setattr(threading.Thread, "join", lambda _, timeout=None: waited.append(timeout))
    drive, _ = _drive(FakeCutOff())
    drive.stop()
    drive.stop(0.2)
    assert waited == [1.0, 0.2]


def test_a_way_off_that_hangs_keeps_no_program_from_ending() -> None:
    drive, _ = _drive(FakeCutOff("contactor"), FakeCutOff("source"))
    waiting = {thread.name: thread.daemon for thread in threading.enumerate()}
    drive.stop()
    assert waiting["off-contactor"]
    assert waiting["off-source"]


def test_one_that_throws_or_hangs_holds_up_no_other() -> None:
    broken, slow, good = FakeCutOff("a", fails=10**9), FakeCutOff("b", hangs_s=0.5), FakeCutOff("c")
    drive, _ = _drive(broken, slow, good)
    drive.cut()
    wait_for(lambda: good.output is OutputState.OFF)
    assert slow.output is OutputState.ON  # still hanging, and "c" is off already
    wait_for(lambda: slow.output is OutputState.OFF)
    drive.stop()


def test_it_goes_on_trying_until_it_reads_back_off() -> None:
    contactor = FakeCutOff(fails=3)
    drive, reports = _drive(contactor)
    drive.cut()
    wait_for(lambda: contactor.output is OutputState.OFF)
    drive.stop()
    assert contactor.attempts == 4
    states = []
    while not reports.empty():
        states.append(reports.get().state)
    assert states == [None, None, None, OutputState.OFF]


def test_a_welded_one_is_tried_again_and_again_until_stopped() -> None:
    contactor = FakeCutOff(welded=True)
    drive, reports = _drive(contactor)
    drive.cut()
    wait_for(lambda: contactor.attempts >= 3)
    drive.stop()
    assert reports.get().state is OutputState.ON
