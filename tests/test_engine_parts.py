"""The engine's small parts: lines over pipes, the operator's lease, the source's driver, readings that fail."""

from __future__ import annotations

import io
import os
import queue
import threading
import time
from dataclasses import dataclass, field
from typing import Any

import pytest

from bench_help import FakeMeter, wait_for
from instruments.errors import InstrumentError, LinkLost
from rampguard.engine.acquire import Batch, FreeRunning, LockStep, SetPoints, read_once
from rampguard.engine.lines import MOST_WAITING, BadLine, LineReader, LineWriter, decode, encode
from rampguard.engine.link import SCREEN_LEASE_S, RunOrder
from rampguard.engine.meanwhile import do_meanwhile
from rampguard.engine.operator import Operator
from rampguard.quantities import Reading, Validity


class TestLines:
    def test_round_trip(self) -> None:
        assert decode(encode({"feed": 1})) == {"format": 1, "feed": 1}

    @pytest.mark.parametrize("line", [b"", b"{", b"[1]", b'{"feed": 1}', b'{"format": 2}', b"\xff\xfe"])
    def test_what_is_no_message_of_ours_is_refused(self, line: bytes) -> None:
        with pytest.raises(BadLine):
            decode(line)

    def test_not_a_number_is_never_sent(self) -> None:
        with pytest.raises(ValueError, match="Out of range"):
            encode({"value": float("nan")})

    @pytest.mark.parametrize("tail", [b"", b"garbage\n", b'{"format": 1'])
    def test_a_reader_ends_with_none_at_the_end_or_at_garbage(self, tail: bytes) -> None:
        inbox: queue.SimpleQueue[dict[str, Any] | None] = queue.SimpleQueue()
        read_end, write_end = os.pipe()
        os.write(write_end, encode({"a": 1}) + tail)
        os.close(write_end)
        reader = LineReader(read_end, inbox)
        reader.start()
        reader.join(5.0)
        os.close(read_end)
        assert inbox.get()["a"] == 1
        assert inbox.get() is None

    def test_a_writer_never_blocks_on_a_reader_that_stopped_and_drops_the_oldest(self) -> None:
        read_end, write_end = os.pipe()
        stream = os.fdopen(write_end, "wb")
        writer = LineWriter(stream)
        writer.start()
        for number in range(MOST_WAITING + 5000):
            writer.put({"number": number, "padding": "x" * 100})
        assert writer.dropped > 0
        os.close(read_end)
        wait_for(writer.broken.is_set)
        with pytest.raises(BrokenPipeError):
            stream.close()


class TestOperator:
    @pytest.fixture
    def inbox(self) -> queue.SimpleQueue[dict[str, Any] | None]:
        return queue.SimpleQueue()

    @pytest.fixture
    def operator(self, inbox: queue.SimpleQueue[dict[str, Any] | None]) -> Operator:
        return Operator(inbox, LineWriter(io.BytesIO()))

    def test_commands(self, operator: Operator, inbox: queue.SimpleQueue[dict[str, Any] | None]) -> None:
        inbox.put({"command": "power-pressed"})
        inbox.put({"command": "off", "reason": "Ctrl-C"})
        inbox.put({"command": "off", "reason": "again"})
        operator.poll()
        assert operator.take_power_pressed()
        assert not operator.take_power_pressed()
        assert operator.off_reason == "Ctrl-C"

    def test_a_closed_pipe_is_a_lost_screen(
        self, operator: Operator, inbox: queue.SimpleQueue[dict[str, Any] | None]
    ) -> None:
        assert operator.lost() == ""
        inbox.put(None)
        operator.poll()
        assert operator.lost() == "the operator's screen is gone"

    def test_silence_beyond_the_lease_is_a_lost_screen(
        self, operator: Operator, inbox: queue.SimpleQueue[dict[str, Any] | None]
    ) -> None:
        time.sleep(SCREEN_LEASE_S + 0.05)
        operator.poll()
        assert "silent" in operator.lost()
        inbox.put({"command": "alive"})
        operator.poll()
        assert operator.lost() == ""


def test_an_order_survives_its_message() -> None:
    order = RunOrder(bench="b.toml", into="captures", nameplate_w=300.0, permissives_confirmed="by flag")
    assert RunOrder.from_message(decode(encode(order.as_message()))) == order
    with pytest.raises(ValueError, match="must be a run order"):
        RunOrder.from_message({"order": {"bench": "b", "into": "c", "override_guard": True}})


@dataclass
class FakeSource:
    name: str = "source"
    max_line_voltage_v: float = 270.0
    slow_s: float = 0.0
    fails: bool = False
    taken: list[float] = field(default_factory=list)

    def prepare(self, *, frequency_hz: float, current_limit_a: float, run_time_limit_s: float) -> None: ...

    def output_on(self) -> None: ...

    def set_line_voltage(self, line_voltage_v: float) -> None:
        time.sleep(self.slow_s)
        if self.fails:
            raise LinkLost("source: gone")
        self.taken.append(line_voltage_v)


class TestSetPoints:
    def test_a_newer_set_point_replaces_one_not_yet_sent(self) -> None:
        source = FakeSource(slow_s=0.05)
        driver = SetPoints(source)
        for volts in range(1, 101):
            driver.set(float(volts))
        assert driver.wait_done(5.0)
        driver.stop()
        assert source.taken[-1] == 100.0
        assert len(source.taken) < 10

    def test_one_that_hangs_becomes_overdue(self) -> None:
        driver = SetPoints(FakeSource(slow_s=0.3))
        assert driver.overdue_s() == 0.0
        driver.set(10.0)
        assert not driver.wait_done(0.1)
        assert driver.overdue_s() > 0.05
        assert driver.wait_done(5.0)
        driver.stop()

    def test_a_failure_is_told_and_the_next_success_clears_it(self) -> None:
        source = FakeSource(fails=True)
        driver = SetPoints(source)
        driver.set(10.0)
        assert driver.wait_done(5.0)
        assert driver.problem == "source: gone"
        source.fails = False
        driver.set(11.0)
        assert driver.wait_done(5.0)
        assert driver.problem == ""
        driver.stop()


class _Wall:
    def now_s(self) -> float:
        return time.monotonic()

    def sleep(self, duration_s: float) -> None:
        time.sleep(duration_s)


class _Lost(FakeMeter):
    def read(self) -> list[Reading]:
        raise LinkLost("power-meter: the connection was reset")


class _Mistaken(FakeMeter):
    def read(self) -> list[Reading]:
        raise ValueError("a mistake of ours")


class _Slow(FakeMeter):
    def read(self) -> list[Reading]:
        time.sleep(0.3)
        return super().read()


def test_a_lost_link_makes_missing_readings_never_zeros() -> None:
    batch = read_once(_Lost(), _Wall())
    assert batch.problem == "power-meter: the connection was reset"
    assert [(r.value, r.validity) for r in batch.readings] == [(None, Validity.MISSING)]


@pytest.mark.parametrize("kind", ["free-running", "lock-step"])
def test_a_mistake_in_a_meter_s_thread_is_a_missing_reading_and_the_thread_goes_on(kind: str) -> None:
    """In lock-step the loop waits for every meter, and feeds the watchdog meanwhile: a thread that ended hung it."""
    meter = _Mistaken()
    acquisition = FreeRunning([meter], _Wall()) if kind == "free-running" else LockStep([meter], _Stepped(), None)
    acquisition.start()
    waited: list[int] = []

    def patience() -> None:
        waited.append(1)
        assert len(waited) < 200, "nobody answers any more"

    told: list[Batch] = []
    for _ in range(500):
        told += [batch for moment in acquisition.collect(patience) for batch in moment]
        if len(told) > 1:
            break
    acquisition.stop()
    assert [r.validity for batch in told[:2] for r in batch.readings] == [Validity.MISSING] * 2
    assert told[0].problem == "power-meter: ValueError: a mistake of ours"


@pytest.mark.parametrize("mistake", [ValueError("no number"), LinkLost("contactor: gone")])
def test_what_failed_meanwhile_was_not_done(mistake: Exception) -> None:
    """A contactor that could not be closed, for whatever reason, is a run that could not be energised."""

    def close() -> None:
        raise mistake

    with pytest.raises(InstrumentError, match=str(mistake)):
        do_meanwhile(close, lambda: None)


def test_free_running_a_slow_meter_does_not_slow_the_others() -> None:
    acquisition = FreeRunning([FakeMeter("fast"), _Slow("slow")], _Wall())
    acquisition.start()
    seen: list[str] = []
    end_s = time.monotonic() + 1.0
    while time.monotonic() < end_s:
        seen += [batch.instrument for moment in acquisition.collect(lambda: None) for batch in moment]
    acquisition.stop()
    assert seen.count("slow") >= 2
    assert seen.count("fast") > 2 * seen.count("slow")


class _Stepped:
    def __init__(self) -> None:
        self.time_s = 0.0

    def now_s(self) -> float:
        return self.time_s

    def sleep(self, duration_s: float) -> None:
        self.time_s += duration_s


def test_in_lock_step_time_moves_by_a_tick_and_every_meter_is_read_once_in_order() -> None:
    clock, waited = _Stepped(), threading.Event()
    acquisition = LockStep([_Slow("slow"), FakeMeter("fast")], clock, None)
    acquisition.start()
    moments = [acquisition.collect(waited.set) for _ in range(3)]
    acquisition.stop()
    assert clock.time_s == pytest.approx(0.3)
    assert [[batch.instrument for batch in moment] for [moment] in moments] == [["slow", "fast"]] * 3
    assert waited.is_set()  # the loop went on feeding while it waited for the slow one


def test_in_lock_step_a_pace_keeps_time_from_running_ahead() -> None:
    clock = _Stepped()
    acquisition = LockStep([FakeMeter()], clock, 1.0)
    acquisition.start()
    early = [acquisition.collect(lambda: None) for _ in range(4)]
    acquisition.stop()
    assert len(early[0]) == 1
    assert early[1:] == [[], [], []]
