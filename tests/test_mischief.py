"""Instruments that misbehave: each kind as it is, and what becomes of a run on such a bench."""

from __future__ import annotations

import contextlib
import csv
import socket
import threading
from pathlib import Path

import pytest

from instruments.simulated.mischief import DEEDS, Mischief, MischiefError, Mischiefs, Reaction
from instruments.simulated.scpi_server import ScpiInstrument, ScpiServer
from live_help import plan_toml, run_plan
from rampguard.cautions import NOT_PROVEN_OFF
from rampguard.demo import OnTheBench, SimulatedBench, SimulatorFailed

# -- the kinds --------------------------------------------------------------------------------------------------------


class Instrument:
    """Counts what it did; reads 1, 2, 3... volts."""

    def __init__(self) -> None:
        self.did: list[str] = []
        self.errors = 0

    def execute(self, line: str) -> str | None:
        self.did.append(line)
        replies = []
        for part in line.split(";"):
            if part.startswith("*IDN?"):
                replies.append("SIMULATED,TEST,0,1")
            elif part.endswith("?"):
                replies.append(f"{len(self.did)}.5")
        return ";".join(replies) if replies else None

    def flood(self) -> None:
        self.errors += 1


def _third(kind: str, line: str = "READ?") -> tuple[Reaction, Instrument]:
    """What the third line is answered with the mischief at it."""
    instrument, mischiefs = Instrument(), Mischiefs((Mischief("meter", kind, 3),))
    for before in ("*IDN?", "READ?"):
        mischiefs.react(before, instrument.execute, instrument.flood)
    return mischiefs.react(line, instrument.execute, instrument.flood), instrument


@pytest.mark.parametrize(
    ("kind", "sends"),
    [
        ("lost-reply", b""),
        ("half-line", b"3."),
        ("reply-to-another", b"SIMULATED,TEST,0,1\n"),
        ("stuck-reading", b"2.5\n"),
        ("not-a-number", b"9.91E+37\n"),
        ("infinity", b"inf\n"),
        ("over-range", b"9.9E+37\n"),
        ("wrong-sign", b"-3.5\n"),
        ("wrong-mode", b"0.000000E+00\n"),
        ("clock-jump", b"8.5\n"),
        ("errors-queued", b"3.5\n"),
        ("disconnect", b""),
    ],
)
def test_what_each_kind_sends(kind: str, sends: bytes) -> None:
    reaction, instrument = _third(kind)
    assert reaction.sends == sends
    assert reaction.hangs_up == (kind == "disconnect")
    assert instrument.errors == (kind == "errors-queued")


def test_garbage_is_no_text() -> None:
    reaction, _ = _third("garbage")
    with pytest.raises(UnicodeDecodeError):
        reaction.sends.decode("ascii")


def test_a_command_ignored_is_answered_as_if_it_had_been_done() -> None:
    reaction, instrument = _third("ignored", "OUTP OFF;SYST:ERR?")
    assert instrument.did[-1] == "SYST:ERR?"
    assert reaction.sends
    assert _third("ignored", "OUTP OFF")[1].did == ["*IDN?", "READ?"]


@pytest.mark.parametrize("line", ["OUTP OFF", "OUTPut:STATe 0", "ROUT:OPEN (@1)", "VOLT 0", "SOUR:VOLT 0.000", "*RST"])
def test_what_stays_on_does_not_obey_off_alone(line: str) -> None:
    assert _third("stays-on", line)[1].did == ["*IDN?", "READ?"]
    assert _third("stays-on", "VOLT 12.5")[1].did[-1] == "VOLT 12.5"


def test_once_is_once_and_for_good_is_for_good() -> None:
    for lasting, replies in ((False, [b"1.5\n", b"", b"3.5\n"]), (True, [b"1.5\n", b"", b""])):
        instrument = Instrument()
        mischiefs = Mischiefs.of("meter", [Mischief("meter", "lost-reply", 2, lasting), Mischief("x", "garbage", 1)])
        sent = [mischiefs.react("READ?", instrument.execute, instrument.flood).sends for _ in range(3)]
        assert sent == replies
        assert (mischiefs.told, mischiefs.done) == (3, 2 if lasting else 1)


@pytest.mark.parametrize("text", ["meter:garbage", "meter@3", "meter:nonsense@3", "meter:garbage@x"])
def test_a_mischief_that_there_is_not(text: str) -> None:
    with pytest.raises(MischiefError):
        Mischief.parse(text)


@pytest.mark.parametrize("text", ["power-meter:lost-reply@12", "source:stays-on@1+"])
def test_a_mischief_reads_as_it_is_written(text: str) -> None:
    assert str(Mischief.parse(text)) == text


def test_a_server_that_hangs_up_for_good_lets_no_one_in() -> None:
    server = ScpiServer(
        ScpiInstrument("X", threading.RLock()), mischiefs=Mischiefs((Mischief("x", "disconnect", 2, True),))
    )
    address = ("127.0.0.1", int(server.resource.split("::")[2]))
    try:
        with socket.create_connection(address) as client:
            client.sendall(b"*IDN?\n")
            assert client.recv(100) == b"X\n"
            client.sendall(b"*IDN?\n")
            assert client.recv(100) == b""
        with socket.create_connection(address) as client, contextlib.suppress(OSError):
            client.sendall(b"*IDN?\n")
            assert client.recv(100) == b""
    finally:
        server.close()


def test_a_mischief_of_an_instrument_that_is_not_there_is_refused() -> None:
    with (
        pytest.raises(SimulatorFailed, match="there is no such instrument"),
        SimulatedBench(OnTheBench("healthy-amplifier", 1, mischief=("toaster:garbage@1",))),
    ):
        pass


# -- runs -------------------------------------------------------------------------------------------------------------

PLAN = plan_toml((20.0, 10.0, 1.0, 20.0))


@pytest.mark.parametrize(
    ("mischief", "codes", "says"),
    [
        ((), {0}, "passed"),
        (("power-meter:lost-reply@30",), {0, 3}, "power-meter"),
        # The one meter that could prove off is gone with the reading.
        (("power-meter:half-line@30+",), {4}, "reading is missing, 2 in a row"),
        (("power-meter:infinity@30+",), {4}, "beyond the meter's range"),
        (("power-meter:wrong-mode@30+",), {3}, "set-point"),
        (("power-meter:stuck-reading@30+",), {3}, "set-point"),
        (("source:ignored@24+",), {3}, "set-point"),
        (("contactor:stays-on@5+",), {3}, "contactor was commanded off and does not read back off"),
        (("contactor:stays-on@5+", "source:stays-on@20+"), {4}, "NOT PROVEN OFF"),
        (("clock:clock-jump@40",), {3}, "bench time jumped"),
        (("contactor:disconnect@1+",), {2}, "contactor"),
    ],
    ids=lambda item: "-".join(item) or "none" if isinstance(item, tuple) else "",
)
def test_a_run_on_a_bench_that_misbehaves(
    tmp_path: Path, mischief: tuple[str, ...], codes: set[int], says: str
) -> None:
    with SimulatedBench(OnTheBench("healthy-amplifier", 1, mischief=mischief)) as bench_file:
        code, summary, story = run_plan(bench_file, tmp_path, PLAN)
    assert code in codes, story
    assert says in story, story
    assert "the engine died" not in story
    off = summary.get("off", {"proven": code != 4})
    assert isinstance(off, dict)
    assert off["proven"] == (code != 4)
    assert (NOT_PROVEN_OFF in story) == (code == 4)
    captures = [path for path in (tmp_path / "captures").glob("*") if path.is_dir()]
    for capture in captures:
        with (capture / "readings.csv").open(encoding="utf-8") as stream:
            for row in csv.DictReader(stream):
                volts = row["line_voltage_v"]
                assert not volts or -1.0 < float(volts) < 60.0


def test_there_are_as_many_kinds_as_the_page_says() -> None:
    assert len(DEEDS) == 16
