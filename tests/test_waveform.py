"""Cycles, their sums, COMTRADE records: against IEEE 1459-2010's example, measured data, a general-purpose reader."""

from __future__ import annotations

import itertools
import math
from dataclasses import replace
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import comtrade
import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scipy.signal import periodogram

from instruments.cycle_power import CyclePower, cycle_power, distortion, fundamental, harmonics
from instruments.cycles import Cycle, CycleCutter
from rampguard.waveform.comtrade import KINDS, Kind, read_comtrade, write_comtrade
from rampguard.waveform.errors import ComtradeError
from rampguard.waveform.record import Channel, Record

REFERENCE = Path(__file__).resolve().parent.parent.parent / "shared" / "reference"


def wave(parts: dict[int, tuple[float, float]], at_s: np.ndarray, hertz: float) -> np.ndarray:
    """Of harmonics by order: rms, and degrees as a sine's."""
    return np.sum(
        [
            math.sqrt(2.0) * rms * np.sin(2.0 * np.pi * order * hertz * at_s + math.radians(angle))
            for order, (rms, angle) in parts.items()
        ],
        axis=0,
    )


def cut(
    parts_v: dict[int, tuple[float, float]],
    parts_a: dict[int, tuple[float, float]],
    *,
    hertz: float = 50.0,
    rate_hz: float = 50_000.0,
    cycles: float = 6.0,
    block: int = 777,
) -> list[Cycle]:
    at_s = np.arange(int(cycles / hertz * rate_hz)) / rate_hz
    volts, amperes = wave(parts_v, at_s, hertz), wave(parts_a, at_s, hertz)
    cutter, found = CycleCutter(rate_hz, 50.0), []
    for first in range(0, len(at_s), block):
        found += list(cutter.feed(volts[first : first + block], amperes[first : first + block]))
    return found


# -- IEEE 1459-2010, Annex B -------------------------------------------------------------------------------------------
# Magnitudes and the angles of voltage, I1 and I3 as open code that implements the standard has them; those of I5 and I7
# from memory (that code has 234 degrees for both). What follows from them is worked out, not read off the standard.
ANNEX_V = {1: (100.0, 0.0), 3: (8.0, -70.0), 5: (15.0, 140.0), 7: (5.0, 20.0)}
ANNEX_A = {1: (100.0, -30.0), 3: (20.0, -165.0), 5: (15.0, 233.0), 7: (10.0, 288.0)}


@pytest.fixture(scope="module")
def annex() -> tuple[Cycle, CyclePower]:
    cycle = cut(ANNEX_V, ANNEX_A)[2]
    return cycle, cycle_power(cycle)


@pytest.mark.parametrize("phase", [0.1, 0.3, 0.5, 0.7, 0.9])
def test_a_voltage_that_comes_at_any_phase_is_followed_from_the_second_crossing_on(phase: float) -> None:
    rate, nominal = 6400.0, 50.0
    at = np.arange(int(0.5 * rate)) / rate
    volts = np.where(at < 0.1, 0.0, 3.0 * np.sin(2.0 * np.pi * (nominal * at + phase)))
    cycles = list(CycleCutter(rate, nominal).feed(volts, 0.01 * volts))
    seen = [cycle for cycle in cycles if cycle.begins_s > 0.15]
    assert len(seen) >= 15
    assert all(cycle.by_crossing for cycle in seen)
    assert [cycle.duration_s for cycle in seen] == pytest.approx([0.02] * len(seen), rel=1e-3)
    ends = [cycle.begins_s + cycle.duration_s for cycle in cycles]
    assert ends[:-1] == pytest.approx([cycle.begins_s for cycle in cycles[1:]])


def test_the_sums_of_the_standards_example(annex: tuple[Cycle, CyclePower]) -> None:
    _, power = annex
    assert power.voltage_v == pytest.approx(101.5579, rel=2e-6)
    assert power.current_a == pytest.approx(103.5616, rel=2e-6)
    assert power.apparent_power_va == pytest.approx(10517.49, rel=2e-6)
    assert power.real_power_w == pytest.approx(8632.79, rel=2e-6)
    assert power.nonactive_power_var == pytest.approx(6007.71, rel=1e-5)
    assert power.power_factor == pytest.approx(0.82080, abs=1e-5)


def test_the_fundamental_and_the_distortion_of_the_standards_example(annex: tuple[Cycle, CyclePower]) -> None:
    cycle, power = annex
    one = fundamental(cycle)
    assert (one.real_power_w, one.reactive_power_var) == pytest.approx((8660.25, 5000.00), abs=0.05)
    thd_v, thd_i = distortion(cycle.volts, cycle.at_s), distortion(cycle.amperes, cycle.at_s)
    assert (thd_v, thd_i) == pytest.approx((0.177200, 0.269258), abs=5e-6)
    s1 = one.voltage_v * one.current_a
    parts = s1 * thd_i, s1 * thd_v, s1 * thd_i * thd_v
    assert parts == pytest.approx((2692.58, 1772.00, 477.127), rel=1e-4)
    sn = math.sqrt(power.apparent_power_va**2 - s1**2)
    assert sn == pytest.approx(3258.47, rel=1e-4)
    assert sn == pytest.approx(math.hypot(*parts), rel=1e-4)


def test_the_harmonics_are_those_that_were_put_in(annex: tuple[Cycle, CyclePower]) -> None:
    cycle, _ = annex
    found = harmonics(cycle.amperes, cycle.at_s, 9)
    for order in range(10):
        rms, angle = ANNEX_A.get(order, (0.0, 0.0))
        # A cycle begins where the whole voltage crosses zero, not its fundamental.
        wanted = rms * np.exp(1j * (math.radians(angle) + order * 2.0 * np.pi * 50.0 * cycle.begins_s))
        assert abs(found[order] - wanted) < 0.01, order
    third = (harmonics(cycle.volts, cycle.at_s, 3)[3] * np.conj(found[3])).real
    assert third == pytest.approx(-13.945, abs=0.01)


# -- cycles ------------------------------------------------------------------------------------------------------------


@given(st.floats(46.0, 54.0), st.integers(1, 4000), st.floats(0.0, 359.0))
def test_cycles_follow_the_line_whatever_the_blocks(hertz: float, block: int, angle: float) -> None:
    cycles = cut({1: (230.0, angle)}, {1: (1.0, angle)}, hertz=hertz, rate_hz=20_000.0, block=block)
    assert len(cycles) >= 3
    for cycle, following in itertools.pairwise(cycles):
        assert cycle.by_crossing
        assert cycle.duration_s == pytest.approx(1.0 / hertz, rel=2e-4)
        assert following.begins_s == pytest.approx(cycle.begins_s + cycle.duration_s, abs=1e-9)
        assert cycle_power(cycle).real_power_w == pytest.approx(230.0, rel=1e-4)


def test_a_dead_line_is_cut_at_nominal_length_and_its_current_is_told() -> None:
    cutter = CycleCutter(10_000.0, 50.0)
    at_s = np.arange(2000) / 10_000.0
    cycles = list(cutter.feed(np.zeros(2000), np.full(2000, 3.0) + 0.0 * at_s))
    assert len(cycles) >= 8
    power = cycle_power(cycles[0])
    assert not cycles[0].by_crossing
    assert (power.current_a, power.current_dc_a, power.voltage_v) == pytest.approx((3.0, 3.0, 0.0))
    assert power.power_factor is None


def test_after_a_gap_time_goes_on_and_no_cycle_spans_it() -> None:
    cutter = CycleCutter(10_000.0, 50.0)
    at_s = np.arange(1000) / 10_000.0
    volts = wave({1: (10.0, 0.0)}, at_s, 50.0)
    before = list(cutter.feed(volts, volts))
    cutter.gap(500)
    after = list(cutter.feed(volts, volts))
    assert before
    assert min(cycle.begins_s for cycle in after) >= 0.15


def test_half_waves_and_crest() -> None:
    at_s = np.arange(6000) / 50_000.0
    volts = wave({1: (230.0, 0.0)}, at_s, 50.0)
    half = np.where(volts > 0.0, volts / 100.0, 0.0)
    [power, *_] = [cycle_power(c) for c in CycleCutter(50_000.0, 50.0).feed(volts, half)]
    assert power.unlike_halves == pytest.approx(1.0, abs=1e-3)
    assert power.crest_factor == pytest.approx(2.0, abs=1e-3)  # of a half-wave rectified sine
    assert power.current_dc_a == pytest.approx(math.sqrt(2.0) * 2.3 / math.pi, rel=1e-4)


@pytest.mark.parametrize("bad", [100.0, 799.0])
def test_too_few_samples_are_refused(bad: float) -> None:
    with pytest.raises(ValueError, match="too few"):
        CycleCutter(bad, 50.0)


def test_signals_of_unlike_length_are_refused() -> None:
    with pytest.raises(ValueError, match="taken together"):
        next(CycleCutter(10_000.0, 50.0).feed(np.zeros(3), np.zeros(4)))


@pytest.mark.skipif(not REFERENCE.exists(), reason="the measured data are not beside the project")
def test_the_50_khz_recording() -> None:
    """MHKiT's example recording of a generator (BSD-3-Clause); figures over its whole cycles as published beside it."""
    file = next((REFERENCE / "mhkit_waveform").glob("*.csv"))
    table = np.genfromtxt(file, delimiter=",", skip_header=1, usecols=(1, 4))
    cycles = list(CycleCutter(50_000.0, 60.0).feed(table[:, 0], table[:, 1]))
    powers = [cycle_power(cycle) for cycle in cycles]
    assert len(powers) >= 7
    mean = {
        name: float(np.mean([getattr(p, name) for p in powers])) for name in ("voltage_v", "current_a", "real_power_w")
    }
    assert mean["voltage_v"] == pytest.approx(8041.6, rel=2e-3)
    assert mean["current_a"] == pytest.approx(17.678, rel=4e-3)
    assert mean["real_power_w"] == pytest.approx(-141_977.0, rel=4e-3)
    assert np.mean([1.0 / p.duration_s for p in powers]) == pytest.approx(59.98, abs=0.03)
    assert np.mean([p.power_factor for p in powers if p.power_factor]) == pytest.approx(-0.9987, abs=3e-4)


def test_harmonics_against_a_general_purpose_periodogram() -> None:
    """scipy.signal.periodogram over a whole number of cycles has each harmonic in one bin."""
    at_s = np.arange(1000) / 50_000.0
    signal = wave({1: (3.0, 20.0), 2: (0.4, 80.0), 3: (1.0, -50.0), 11: (0.2, 5.0)}, at_s, 50.0) + 0.1
    frequencies, power = periodogram(signal, 50_000.0, detrend=False, scaling="spectrum")
    at = np.concatenate([at_s, [0.02]])
    ours = np.abs(harmonics(np.concatenate([signal, signal[:1]]), at, 15))
    assert frequencies[1] == pytest.approx(50.0)
    assert ours == pytest.approx(np.sqrt(power[:16]), abs=2e-3)


# -- COMTRADE ----------------------------------------------------------------------------------------------------------

BEGINS = datetime(2026, 11, 5, 10, 20, 30, 123456, tzinfo=UTC)


def a_record(samples: int = 2000, rate_hz: float = 100_000.0) -> Record:
    at_s = np.arange(samples) / rate_hz
    volts = wave({1: (230.0, 10.0), 3: (4.0, 70.0)}, at_s, 50.0)
    amperes = wave({1: (0.3, -20.0)}, at_s, 50.0) + 0.02
    channels = (Channel("line voltage", "V", volts), Channel("line current", "A", amperes))
    return Record("bench", "rampguard", 50.0, BEGINS, BEGINS + timedelta(milliseconds=7), at_s, channels)


@pytest.mark.parametrize("kind", KINDS)
def test_a_general_purpose_reader_reads_what_was_written(tmp_path: Path, kind: Kind) -> None:
    """The package ``comtrade`` from PyPI, which had no part in writing it; it holds values as 32 bit floats."""
    record = a_record()
    config, data = write_comtrade(record, tmp_path / kind.lower(), kind)
    read = comtrade.Comtrade()
    read.load(str(config), str(data))
    assert (read.rev_year, read.ft, read.station_name, read.frequency) == ("2013", kind, "bench", 50.0)
    assert read.analog_channel_ids == ["line voltage", "line current"]
    assert read.total_samples == 2000
    assert np.asarray(read.time) == pytest.approx(record.at_s, abs=1e-9)
    for channel, values in zip(record.channels, read.analog, strict=True):
        span = float(np.ptp(channel.values))
        step = {"ASCII": span / 2e5, "BINARY": span / 65e3}.get(kind, 1e-7 * span)
        assert np.asarray(values) == pytest.approx(channel.values, abs=step + 1e-7 * span)
    assert read.start_timestamp == BEGINS.replace(tzinfo=None)


@pytest.mark.parametrize("kind", KINDS)
def test_what_was_written_reads_back(tmp_path: Path, kind: Kind) -> None:
    record = a_record(300)
    holes = record.channels[1].values.copy()
    holes[17] = np.nan
    record = replace(record, channels=(record.channels[0], Channel("line current", "A", holes)))
    read = read_comtrade(write_comtrade(record, tmp_path / "wave", kind)[0])
    assert (read.begins, read.trigger, read.revision) == (record.begins, record.trigger, 2013)
    assert read.at_s == pytest.approx(record.at_s, abs=1e-9)
    assert np.isnan(read.channels[1].values[17])
    for was, now in zip(record.channels, read.channels, strict=True):
        span = float(np.nanmax(was.values) - np.nanmin(was.values))
        assert np.nanmax(np.abs(was.values - now.values)) <= (span / 65e3 if kind == "BINARY" else span / 1.9e5)


def test_a_long_record_keeps_its_times(tmp_path: Path) -> None:
    at_s = np.array([0.0, 1.0, 4000.0, 9000.0])
    record = Record("b", "d", 50.0, BEGINS, BEGINS, at_s, (Channel("v", "V", np.arange(4.0)),))
    read = read_comtrade(write_comtrade(record, tmp_path / "long", "FLOAT32")[0])
    assert read.at_s == pytest.approx(at_s, abs=2e-6)


@pytest.mark.skipif(not REFERENCE.exists(), reason="the sample record is not beside the project")
def test_a_relays_record_of_1999() -> None:
    """A sample of an open project (Wisp.Comtrade, MIT); figures as found on opening it, and by the package comtrade."""
    config = REFERENCE / "comtrade_sample" / "3.cfg"
    read = read_comtrade(config)
    assert (read.revision, len(read.channels), len(read.at_s)) == (1999, 24, 1360)
    before = read.at_s < 0.4
    rms = {c.name: float(np.sqrt(np.mean(c.values[before] ** 2))) for c in read.channels}
    assert (rms["F5-VA"], rms["F6-VB"]) == pytest.approx((58.7, 58.9), abs=0.4)
    assert (rms["F1-IA"], rms["F2-IB"]) == pytest.approx((0.130, 0.129), abs=0.01)
    theirs = comtrade.Comtrade()
    theirs.load(str(config), str(config.with_suffix(".dat")))
    for channel, values in zip(read.channels, theirs.analog, strict=True):
        assert channel.values == pytest.approx(np.asarray(values), rel=1e-6, abs=1e-6)
    assert read.at_s == pytest.approx(np.asarray(theirs.time) - theirs.time[0], abs=1e-7)  # they hold 32 bits


@pytest.mark.parametrize(
    ("change", "says"),
    [
        ({"station": "a,b"}, "no comma"),
        ({"channels": ()}, "nothing to write"),
        ({"at_s": np.array([0.0, 1.0])}, "values, but 2 times"),
        ({"at_s": np.zeros(5)}, "rise from sample to sample"),
        ({"channels": (Channel("v", "V", np.array([1.0, np.inf, 1.0, 1.0, 1.0])),)}, "infinite"),
    ],
)
def test_what_no_record_can_hold_is_refused(tmp_path: Path, change: dict[str, Any], says: str) -> None:
    record = a_record(5)
    with pytest.raises(ComtradeError, match=says):
        write_comtrade(replace(record, **change), tmp_path / "x")


@pytest.mark.parametrize("kind", KINDS)
def test_a_torn_record_says_so_and_is_never_half_believed(tmp_path: Path, kind: Kind) -> None:
    config, data = write_comtrade(a_record(50), tmp_path / "torn", kind)
    whole = data.read_bytes()
    data.write_bytes(whole[:-3])
    if kind == "ASCII":
        data.write_bytes(whole[: whole.rindex(b",")])
    with pytest.raises(ComtradeError, match=r"torn|fields"):
        read_comtrade(config)


def test_no_record_no_reading(tmp_path: Path) -> None:
    with pytest.raises(ComtradeError, match="cannot be read"):
        read_comtrade(tmp_path / "none.cfg")
    (tmp_path / "bad.cfg").write_text("a,b,1991\n1,1A,0D\n", encoding="utf-8")
    with pytest.raises(ComtradeError, match="1991"):
        read_comtrade(tmp_path / "bad.cfg")
    config, data = write_comtrade(a_record(5), tmp_path / "alone")
    data.unlink()
    with pytest.raises(ComtradeError, match="not beside it"):
        read_comtrade(config)
