"""A digitiser as the line's meter: over real sockets and VISA sessions, against what the simulated bench worked out."""

from __future__ import annotations

import math
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from instruments.bench import Entry, load_bench_file
from instruments.dialect import Dialect, load_dialect, parse_dialect
from instruments.digitiser import Aligner, DigitiserMeter
from instruments.errors import BadReply, BenchFileError, InstrumentError, LinkError
from instruments.roles import CycleMeter, SampleBlock, Told
from instruments.simulated.digitiser import AMPERES_SCALE, LATE_S, VOLTS_SCALE, digitiser
from instruments.simulated.mischief import Mischief, Mischiefs
from instruments.simulated.scpi_server import ScpiServer
from instruments.simulated.units import make_unit
from instruments.simulated.world import World
from instruments.visa import Link
from rampguard.bench.alignment import Heard, alignment_finding, late_us
from rampguard.engine.acquire import forget_what_waits, in_time
from rampguard.guard.limits import Limits
from rampguard.guard.permissives import Standing
from rampguard.quantities import LINE_CURRENT, LINE_CURRENT_DOWN, LINE_CURRENT_UP, LINE_VOLTAGE, REAL_POWER, Validity

HERTZ, VOLTS = 50.0, 230.0
ENTRY: dict[str, Any] = {
    "dialect": "scpi-digitiser",
    "resource": "TCPIP::127.0.0.1::1::SOCKET",
    "inputs": {"1": "line_voltage_v", "2": "line_current_a"},
    "scales": {"1": VOLTS_SCALE, "2": AMPERES_SCALE},
    "skew_us": 1e6 * LATE_S,
    "rate_hz": 6400.0,
}


class BenchClock:
    """The simulated bench's own time."""

    def __init__(self, world: World) -> None:
        self.world = world

    def now_s(self) -> float:
        return self.world.now_s

    def sleep(self, duration_s: float) -> None:
        self.world.advance(duration_s)


@dataclass
class Served:
    """A bench with a digitiser, and the meter on the other side of a socket."""

    world: World
    meter: DigitiserMeter
    link: Link

    def told(self, seconds: float) -> list[Told]:
        """What it tells while time goes by, asked every 20 ms."""
        found = []
        for _ in range(round(seconds / 0.02)):
            self.world.advance(0.02)
            found += self.meter.cycles()
        return found


@contextmanager
def served(
    unit: str = "heater", volts: float = 60.0, mischief: tuple[Mischief, ...] = (), **entry: Any
) -> Iterator[Served]:
    world = World(make_unit(unit, 1, VOLTS, HERTZ), VOLTS, HERTZ)
    server = ScpiServer(digitiser(world, 1), mischiefs=Mischiefs.of("digitiser", mischief))
    link = Link(server.resource, name="digitiser", identity="DIGITISER", deadline_s=2.0)
    meter = DigitiserMeter(link, load_dialect("scpi-digitiser"), BenchClock(world), Entry(**{**ENTRY, **entry}), HERTZ)
    world.set_contactor(closed=True)
    world.set_voltage(volts)
    world.set_output(on=True)
    try:
        meter.start()
        yield Served(world, meter, link)
    finally:
        link.close()
        server.close()


def values(told: Told) -> dict[Any, float | None]:
    return {reading.signal: reading.value for reading in told.readings}


def test_it_tells_every_cycle_and_each_is_what_the_bench_worked_out() -> None:
    with served("healthy-amplifier") as on:
        on.told(0.6)
        window = [on.told(0.02) for _ in range(5)]
        last = [told for some in window for told in some]
        line = on.world.window.line
    assert len(last) == 5
    assert isinstance(on.meter, CycleMeter)
    mean_v = math.sqrt(np.mean([values(t)[LINE_VOLTAGE] ** 2 for t in last]))
    mean_a = math.sqrt(np.mean([values(t)[LINE_CURRENT] ** 2 for t in last]))
    assert mean_v == pytest.approx(line.voltage_v, rel=2e-3)
    assert mean_a == pytest.approx(line.current_a, rel=0.02, abs=0.004)
    watts = np.mean([values(t)[REAL_POWER] for t in last])
    bound = max(reading.bound for t in last for reading in t.readings if reading.signal == REAL_POWER)
    assert abs(watts - line.real_power_w) < bound


def test_a_cycle_of_a_heater_is_ohms_law_within_its_bounds() -> None:
    with served() as on:
        told = on.told(0.4)[-1]
    v, a, w = (values(told)[s] for s in (LINE_VOLTAGE, LINE_CURRENT, REAL_POWER))
    assert v == pytest.approx(60.0, rel=0.01)
    assert w == pytest.approx(v * a, rel=2e-3)
    assert values(told)[LINE_CURRENT_UP] == pytest.approx(math.sqrt(2.0) * a, rel=0.01)
    assert values(told)[LINE_CURRENT_DOWN] == pytest.approx(math.sqrt(2.0) * a, rel=0.01)


def test_a_reading_is_stamped_with_its_cycle_and_proves_nothing_of_what_came_after_it_began() -> None:
    with served() as on:
        told = on.told(0.4)
        now_s = on.world.now_s
    ends = [t.readings[0].time_s for t in told]
    assert np.diff(ends) == pytest.approx(0.02, abs=1e-6)
    for t, end in zip(told, ends, strict=True):
        assert end <= now_s
        assert t.readings[0].asked_s <= end - 0.02


def test_samples_that_are_lost_are_a_missing_reading_that_says_how_many() -> None:
    with served() as on:
        on.told(0.3)
        on.world.advance(0.1)
        on.link.write("DIAG:LOSE 320")
        told = on.told(0.2)
    gaps = [t for t in told if t.problem]
    assert len(gaps) == 1
    assert "320 samples (50.0 ms) were lost" in gaps[0].problem
    assert {r.validity for r in gaps[0].readings} == {Validity.MISSING}
    assert all(r.validity is Validity.VALID for t in told if not t.problem for r in t.readings)


@pytest.mark.parametrize(("every", "lost", "guards"), [(3, 64, False), (4, 128, False), (25, 32, True)])
def test_cycles_between_gaps_count_for_nothing_once_too_much_is_lost(every: int, lost: int, guards: bool) -> None:
    with served() as on:
        on.told(0.3)
        told = []
        for n in range(100):
            on.world.advance(0.02)
            if n % every == 0:
                on.link.write(f"DIAG:LOSE {lost}")
            told += on.meter.cycles()
    late = [t for t in told[len(told) // 2 :] if "were lost before" not in t.problem]
    assert late
    assert {r.validity for t in late for r in t.readings} == {Validity.VALID if guards else Validity.INVALID}
    assert guards or "does not guard" in late[0].problem


def test_what_nobody_asks_for_in_time_is_told_as_lost() -> None:
    with served() as on:
        on.told(0.3)
        on.world.advance(5.0)
        told = on.told(0.1)
    assert sum("were lost" in t.problem for t in told) == 1


def test_a_full_input_is_over_range_and_so_is_power() -> None:
    with served(volts=230.0) as on:
        on.meter._amperes = replace(on.meter._amperes, full=0.5)  # the heater takes more
        told = on.told(0.4)[-1]
    by = {r.signal: r.validity for r in told.readings}
    assert by[LINE_VOLTAGE] is Validity.VALID
    assert by[LINE_CURRENT] is by[REAL_POWER] is by[LINE_CURRENT_UP] is Validity.OVER_RANGE


def test_a_clamp_that_is_the_wrong_way_round_reads_watts_below_zero_and_a_scale_below_zero_turns_it() -> None:
    with served() as on:
        on.world.miswired = "current-reversed"
        assert values(on.told(0.3)[-1])[REAL_POWER] < -10.0
    with served(scales={"1": VOLTS_SCALE, "2": -AMPERES_SCALE}) as on:
        on.world.miswired = "current-reversed"
        assert values(on.told(0.3)[-1])[REAL_POWER] > 10.0


def test_what_the_clamp_is_late_spoils_power_unless_it_is_set_right() -> None:
    """Displacement of 30 us at 50 Hz is 0.54 degrees: of an inductive current's power far more than of a heater's."""
    readings = {}
    for skew_us in (0.0, 1e6 * LATE_S):
        with served("transformer", volts=230.0, skew_us=skew_us) as on:
            told = on.told(1.0)[-5:]
            readings[skew_us] = float(np.mean([values(t)[REAL_POWER] for t in told]))
            true_w = on.world.window.line.real_power_w
    assert abs(readings[1e6 * LATE_S] - true_w) < 0.3 * abs(readings[0.0] - true_w)


@pytest.mark.parametrize("stated_us", [30.0, 150.0])
def test_alignment_is_measured_on_a_lamp_and_a_wrong_one_is_told(stated_us: float, tmp_path: Path) -> None:
    heard = Heard()
    with served("lamp", volts=23.0, skew_us=stated_us) as on:
        on.meter.listen(heard.take)
        on.told(3.0)
    late = late_us(heard.newest(2.0), HERTZ)
    assert late == pytest.approx(1e6 * LATE_S - stated_us, abs=6.0)
    bench = bench_with(tmp_path, f"skew_us = {stated_us!r}")
    finding = alignment_finding(load_bench_file(bench), "digitiser", heard.newest(2.0))
    assert finding.standing is (Standing.HOLDS if stated_us == 30.0 else Standing.FAILS)
    assert "us after line voltage" in finding.said
    few = alignment_finding(load_bench_file(bench), "digitiser", heard.newest(0.1))
    assert few.standing is Standing.FAILS


def test_another_rate_than_was_asked_for_is_refused_before_anything_is_believed() -> None:
    with pytest.raises(InstrumentError, match="12800 samples a second were asked for"), served(rate_hz=12800.0):
        pass


def test_cycles_that_last_too_long_say_that_the_rate_is_wrong() -> None:
    """The bench runs at 50 Hz; told that mains are 60 Hz, cycles cannot be right, whatever the rate reads back."""
    world = World(make_unit("heater", 1, VOLTS, HERTZ), VOLTS, HERTZ)
    server = ScpiServer(digitiser(world, 1))
    link = Link(server.resource, name="digitiser", deadline_s=2.0)
    meter = DigitiserMeter(link, load_dialect("scpi-digitiser"), BenchClock(world), Entry(**ENTRY), 60.0)
    world.set_contactor(closed=True)
    world.set_voltage(60.0)
    world.set_output(on=True)
    told: list[Told] = []
    meter.start()
    for _ in range(50):
        world.advance(0.02)
        told += meter.cycles()
    link.close()
    server.close()
    assert {r.validity for r in told[-1].readings} == {Validity.INVALID}
    assert "at 60 Hz they last 16.67 ms" in told[-1].problem


@pytest.mark.parametrize("kind", ["garbage", "half-line", "lost-reply", "disconnect", "stuck-reading", "errors-queued"])
@pytest.mark.parametrize("at", [6, 9, 12, 13])
def test_whatever_goes_wrong_once_is_an_error_or_a_gap_and_then_it_goes_on(kind: str, at: int) -> None:
    with served(mischief=(Mischief("digitiser", kind, at),)) as on:
        errors, told = 0, []
        for _ in range(40):
            on.world.advance(0.02)
            try:
                told += on.meter.cycles()
            except (LinkError, InstrumentError):
                errors += 1
    valid = [t for t in told if all(r.validity is Validity.VALID for r in t.readings)]
    assert all(values(t)[LINE_VOLTAGE] == pytest.approx(60.0, rel=0.35) for t in valid)  # the first ones slew
    assert valid[-1] is told[-1]
    assert errors <= 3


def test_read_waits_for_a_cycle_and_gives_up_where_none_comes() -> None:
    with served() as on:
        on.meter.measuring_time_s  # noqa: B018 - as the guard asks for it
        assert on.meter.read()[0].signal == LINE_VOLTAGE
        on.link.write("ACQ:STOP")
        with pytest.raises(BadReply, match="no samples"):
            on.meter.read()


@given(
    late=st.floats(-8.0, 8.0),
    sizes=st.lists(st.integers(0, 40), min_size=1, max_size=30),
)
def test_the_aligner_gives_each_sample_once_and_at_its_own_moment(late: float, sizes: list[int]) -> None:
    whole = float(np.sum(sizes))
    aligner, begun = Aligner(late), 0
    ones, twos = [], []
    for size in sizes:
        at = np.arange(begun, begun + size, dtype=float)
        begun += size
        one, two = aligner.feed(at, 10.0 * (at - late))  # a straight line, late by so much
        assert len(one) == len(two)
        ones += list(one)
        twos += list(two)
    assert np.allclose(np.diff(ones), 1.0)
    assert np.allclose(twos, 10.0 * np.array(ones), atol=1e-6)
    assert len(ones) >= whole - 2.0 * abs(late) - 3.0
    assert all(0 <= one < whole for one in ones)


def test_blocks_are_told_to_whoever_listens_with_their_numbers() -> None:
    blocks: list[SampleBlock] = []
    with served() as on:
        on.meter.listen(blocks.append)
        on.told(0.4)
    assert all(block.lost == 0 for block in blocks)
    ends = [block.first + len(block.volts) for block in blocks]
    assert [block.first for block in blocks[1:]] == ends[:-1]
    assert blocks[0].rate_hz == 6400.0


# -- what must not be believed ----------------------------------------------------------------------------------------


def test_a_sample_that_is_no_number_makes_no_valid_reading(monkeypatch: pytest.MonkeyPatch) -> None:
    """A digitiser that tells floats can tell NaN, which is neither above a ceiling nor below it."""
    with served() as on:
        on.told(0.3)
        as_it_is = DigitiserMeter._si
        with_nan = staticmethod(lambda rows, of: _with_nan(as_it_is(rows, of), of.place))
        monkeypatch.setattr(DigitiserMeter, "_si", with_nan)
        told = on.told(0.2)[-1]
    by = {r.signal: r.validity for r in told.readings}
    assert by[LINE_VOLTAGE] is Validity.VALID
    assert by[LINE_CURRENT] is by[REAL_POWER] is Validity.INVALID


def _with_nan(samples: Any, place: int) -> Any:
    return np.where(np.arange(len(samples)) % 7 == 3, np.nan, samples) if place == 1 else samples


def test_a_single_full_sample_is_over_range_though_what_is_late_is_set_right_between_samples() -> None:
    """A narrow peak fills the input for one sample; half-way to its neighbours it looks as if it had room."""
    with served(volts=23.0, skew_us=78.0) as on:  # half a sample
        on.told(0.3)
        full, si = on.meter._amperes.full, on.meter._si
        on.meter._si = lambda rows, of: _with_peak(si(rows, of), of.place, full)  # type: ignore[method-assign,assignment]
        told = on.told(0.2)[-1]
    by = {r.signal: r.validity for r in told.readings}
    assert by[LINE_VOLTAGE] is Validity.VALID
    assert by[LINE_CURRENT] is by[REAL_POWER] is Validity.OVER_RANGE


def _with_peak(samples: Any, place: int, full: float) -> Any:
    return np.where(np.arange(len(samples)) == 40, full, samples) if place == 1 else samples


def only_some_at_once(on: Served, monkeypatch: pytest.MonkeyPatch, most: int) -> None:
    """Blocks of so many samples at most: what comes after them waits for the next question."""
    ask, link = on.link.query_block, on.link
    waiting = bytearray()
    first = [on.meter._next]

    def block(text: str, most_bytes: int) -> bytes:
        waiting.extend(ask(text, most_bytes))
        told, waiting[:] = bytes(waiting[: most * 8]), waiting[most * 8 :]
        first.append(first[-1] + len(told) // 8)
        return told

    asked = link.query
    monkeypatch.setattr(link, "query_block", block)
    monkeypatch.setattr(link, "query", lambda text: str(first[-2]) if text == "ACQ:POS?" else asked(text))


def test_samples_from_a_backlog_are_not_told_as_if_they_were_new(monkeypatch: pytest.MonkeyPatch) -> None:
    """Of 128 samples a cycle 64 are told at each question: after a second of bench time half a second waits."""
    with served() as on:
        on.told(0.3)
        only_some_at_once(on, monkeypatch, 64)
        told, now_s = on.told(1.0), on.world.now_s
        newest_s = max(r.time_s for t in told for r in t.readings)
    assert now_s - newest_s == pytest.approx(0.5, abs=0.06)


def test_a_digitiser_whose_clock_is_slow_is_not_called_late_as_long_as_it_is_emptied() -> None:
    """A tenth slow, after four seconds its numbers are 0.4 s behind; that nothing waits says that they are not late."""
    with served() as on:
        clock = on.meter._clock
        clock.now_s = lambda: 1.1 * on.world.now_s  # type: ignore[method-assign]
        on.told(4.0)
        late_s = clock.now_s() - on.told(0.1)[-1].readings[0].time_s
        on.meter.cycles()
        emptied_s = clock.now_s() - on.told(0.1)[-1].readings[0].time_s
    assert late_s > 0.3
    assert emptied_s < 0.05


def test_what_comes_too_late_is_missing_and_what_waited_from_before_the_run_is_forgotten() -> None:
    with served() as on:
        on.told(0.3)
        on.world.advance(1.0)
        forget_what_waits([on.meter], on.meter._clock)
        begun_s = on.world.now_s
        told = on.told(0.2)
    assert 8 <= len(told) <= 11
    assert min(t.readings[0].time_s for t in told) > begun_s - 0.02
    limits, ends_s = Limits(line_voltage_v=250.0), told[-1].readings[0].time_s
    assert in_time(told[-1].readings, ends_s + 0.49, limits) == told[-1].readings
    late = {r.signal: r.validity for r in in_time(told[-1].readings, ends_s + 0.51, limits)}
    assert late[LINE_VOLTAGE] is late[LINE_CURRENT] is Validity.MISSING


def test_a_full_block_is_refused_since_more_may_wait_behind_it(monkeypatch: pytest.MonkeyPatch) -> None:
    with served() as on:
        on.told(0.3)
        only_some_at_once(on, monkeypatch, 320)
        on.meter._how = on.meter._how.model_copy(update={"most_samples": 320})
        monkeypatch.setattr(on.link, "query_block", lambda text, most, ask=on.link.query_block: ask(text, 10 * most))
        on.world.advance(0.2)
        with pytest.raises(BadReply, match="is full: more may wait"):
            on.meter.cycles()


# -- files ------------------------------------------------------------------------------------------------------------


def bench_with(folder: Path, *lines: str, inputs: str = '{ 1 = "line_voltage_v", 2 = "line_current_a" }') -> Path:
    path = folder / "bench.toml"
    path.write_text(
        f"""format = 1
title = "A bench with a digitiser"
off_floor_v = 5.0
[mains]
voltage_v = 230.0
frequency_hz = 50.0
[instruments.source]
dialect = "scpi-ac-source"
resource = "TCPIP0::127.0.0.1::5001::SOCKET"
[instruments.digitiser]
dialect = "scpi-digitiser"
resource = "TCPIP0::127.0.0.1::5002::SOCKET"
position = "after-cut-off"
inputs = {inputs}
{"" if any("scales" in line for line in lines) else "scales = { 1 = 50.0, 2 = 10.0 }"}
{chr(10).join(lines)}
[roles]
ac_source = "source"
line_meters = ["digitiser"]
cut_off = ["source"]
"""
    )
    return path


@pytest.mark.parametrize(
    ("line", "says"),
    [
        ("scales = { 1 = 50.0 }", "scales.2: missing or zero"),
        ("scales = { 1 = 50.0, 2 = 0.0 }", "scales.2: missing or zero"),
        ("scales = { 1 = 50.0, 2 = 1.0, 3 = 1.0 }", "scales.3: nothing is wired to that input"),
        ("skew_us = 5000.0", "sample both together"),
        ("rate_hz = 400.0", "too few for cycles"),
        ("probe_percent = { 1 = -1.0 }", "probe_percent"),
        ("skew_ms = 3.0", "skew_ms"),
    ],
)
def test_what_cannot_be_is_refused_with_its_key(line: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(BenchFileError, match=says):
        load_bench_file(bench_with(tmp_path, line))


@pytest.mark.parametrize(
    ("inputs", "says"),
    [
        ('{ 1 = "line_voltage_v" }', "say which input is which"),
        ('{ 1 = "line_voltage_v", 9 = "line_current_a" }', "its inputs are 1 to 2"),
    ],
)
def test_both_inputs_must_be_named(inputs: str, says: str, tmp_path: Path) -> None:
    with pytest.raises(BenchFileError, match=says):
        load_bench_file(bench_with(tmp_path, inputs=inputs))


def test_a_bench_file_knows_its_digitiser(tmp_path: Path) -> None:
    assert load_bench_file(bench_with(tmp_path)).digitiser == "digitiser"


def test_the_keys_of_a_digitiser_are_refused_elsewhere(tmp_path: Path) -> None:
    path = bench_with(tmp_path)
    path.write_text(path.read_text().replace("[instruments.digitiser]", "skew_us = 3.0\n[instruments.digitiser]"))
    with pytest.raises(BenchFileError, match="belong to a digitiser"):
        load_bench_file(path)


@pytest.mark.parametrize(
    ("change", "says"),
    [
        (("exclusive = true", "exclusive = false"), "each is told once"),
        (("{rate_hz:.3f}", "64"), "lacks the placeholder"),
        (('sample = "int32-le"', 'sample = "int24"'), "sample"),
        (("inputs = 2", "inputs = 1"), "inputs"),
        (("full_v = 10.0", "full_v = nan"), "full_v"),
    ],
)
def test_a_dialect_that_cannot_be_is_refused(change: tuple[str, str], says: str) -> None:
    from instruments import dialects  # type: ignore[attr-defined]  # a folder of data

    text = (Path(next(iter(dialects.__path__))) / "scpi-digitiser.toml").read_text()
    assert change[0] in text
    with pytest.raises(BenchFileError, match=says):
        parse_dialect(text.replace(*change).encode(), Path("scpi-digitiser.toml"))


def test_a_dialect_without_a_digitiser_makes_no_such_meter() -> None:
    dialect: Dialect = load_dialect("scpi-power-meter")
    with pytest.raises(InstrumentError, match="is no digitiser"):
        DigitiserMeter(Link("TCPIP::x", name="meter"), dialect, BenchClock(None), Entry(**ENTRY), 50.0)  # type: ignore[arg-type]
