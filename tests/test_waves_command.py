"""`rampguard waveforms`: figures against textbook sums, tables, pictures, COMTRADE for other programs."""

from __future__ import annotations

import itertools
import json
import math
import shutil
from dataclasses import replace
from pathlib import Path

import comtrade
import numpy as np
import pytest

from archive_help import captured, row
from instruments.cycle_power import HARMONICS
from rampguard.archive.reader import read_capture
from rampguard.cli import main
from rampguard.waveform.comtrade import KINDS, Kind, read_comtrade
from rampguard.waveform.errors import WaveformError
from rampguard.waveform.record import Record
from rampguard.waves import arguments
from rampguard.waves.figures import CycleFigures, cycles_of, figures_of
from waves_help import capture_with_waves, kept_around

PEAK_A = 5.0 * math.sqrt(2.0)
"""Of the fault's half waves in the test capture."""


@pytest.fixture(scope="module")
def capture(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """With 10 000 samples a second."""
    return capture_with_waves(tmp_path_factory.mktemp("waves"))


@pytest.fixture
def copy(capture: Path, tmp_path: Path) -> Path:
    return Path(shutil.copytree(capture, tmp_path / "copy"))


def trip_of(folder: Path) -> Record:
    return read_capture(folder).waveforms()[1].read()


def at(cycles: tuple[CycleFigures, ...], time_s: float) -> CycleFigures:
    [one] = [c for c in cycles if c.to_event_s <= time_s < c.to_event_s + c.duration_s]
    return one


# -- figures -----------------------------------------------------------------------------------------------------------


def test_the_fault_of_half_waves_is_told_by_its_fourier_series() -> None:
    """A half-wave rectified sine of peak I: DC I/pi, fundamental I/2, harmonics 2I/(3 pi) and 2I/(15 pi): textbook.

    What the healthy unit draws besides is alike in both half waves, and has no DC and no even harmonics.
    """
    [kept] = kept_around({2.5: "trip"}, seconds=2.9, rate_hz=100_000.0, size=5000, fault_s=2.41)
    figures = figures_of(kept.record, 4, at_s=-0.03)
    fault, healthy = at(figures.cycles, -0.03), at(figures.cycles, -0.2)
    assert fault.current_dc_a == pytest.approx(PEAK_A / math.pi, rel=1e-4)
    assert healthy.current_dc_a == pytest.approx(0.0, abs=1e-5)
    one, two, _, four = (math.sqrt(2.0) * each.current_a for each in figures.harmonics)
    alone = [math.sqrt(2.0) * each.current_a for each in figures_of(kept.record, 4, at_s=-0.2).harmonics]
    assert (alone[1], alone[3]) == pytest.approx((0.0, 0.0), abs=1e-5)
    assert one - alone[0] == pytest.approx(PEAK_A / 2.0, rel=1e-4)
    assert two == pytest.approx(2.0 * PEAK_A / (3.0 * math.pi), rel=1e-4)
    assert four == pytest.approx(2.0 * PEAK_A / (15.0 * math.pi), rel=1e-4)
    assert (figures.harmonics[0].voltage_v, fault.line_voltage_v) == pytest.approx((230.0, 230.0), rel=1e-6)
    # Mean of a half wave: of the fault I/pi, of the pulses either side the same; so much unlike they are.
    angle = math.asin(0.8)
    pulse_a = 8.0 * (2.0 * math.cos(angle) - 0.8 * (math.pi - 2.0 * angle)) / (2.0 * math.pi)
    assert fault.unlike_halves == pytest.approx((PEAK_A / math.pi) / (PEAK_A / math.pi + 2.0 * pulse_a), rel=1e-3)
    assert healthy.unlike_halves == pytest.approx(0.0, abs=1e-5)


def test_power_factor_crest_and_distortion_hang_together(capture: Path) -> None:
    """IEEE 1459-2010: PF = P / (V I). With a sine of voltage P is the fundamental's, so that I and I1 give the THD."""
    figures = figures_of(trip_of(capture), 1, at_s=-0.2)
    one = at(figures.cycles, -0.2)
    assert one.power_factor == pytest.approx(one.real_power_w / one.line_voltage_v / one.line_current_a)
    fundamental_a = one.real_power_w / one.line_voltage_v
    assert figures.harmonics[0].current_a == pytest.approx(fundamental_a, rel=1e-4)
    assert one.thd == pytest.approx(math.sqrt(one.line_current_a**2 - fundamental_a**2) / fundamental_a, rel=1e-3)
    assert one.crest_factor == pytest.approx(1.6 / one.line_current_a, rel=2e-3)  # its pulses are of 1.6 A


def test_a_dead_line_has_no_power_factor_and_nothing_is_made_up(capture: Path) -> None:
    figures = figures_of(trip_of(capture))
    dead = at(figures.cycles, 0.2)
    assert (dead.line_voltage_v, dead.line_current_a, dead.real_power_w) == (0.0, 0.0, 0.0)
    assert (dead.power_factor, dead.crest_factor, dead.unlike_halves, dead.thd) == (None, None, None, None)


def test_the_cycle_in_which_the_line_goes_has_no_power_factor(capture: Path) -> None:
    """It has no end to be seen: its length is a guess, and what is worked out by it would be one, too."""
    going = at(figures_of(trip_of(capture)).cycles, 0.03)
    assert going.line_current_a > 3.0
    assert (going.power_factor, going.unlike_halves, going.thd) == (None, None, None)


def test_cycles_are_in_order_from_before_the_event_to_after_it(capture: Path) -> None:
    cycles = figures_of(trip_of(capture)).cycles
    assert cycles[0].to_event_s < -0.45
    assert cycles[-1].to_event_s > 0.2
    for one, following in itertools.pairwise(cycles):
        assert following.to_event_s == pytest.approx(one.to_event_s + one.duration_s, abs=1e-9)


def test_no_cycle_spans_samples_that_are_missing() -> None:
    [kept] = kept_around({1.0: "warn"})
    volts, amperes = (channel.values.copy() for channel in kept.record.channels)
    volts[3000:3010] = np.nan
    amperes[5000] = np.nan
    channels = tuple(
        replace(channel, values=values) for channel, values in zip(kept.record.channels, (volts, amperes), strict=True)
    )
    cycles = list(cycles_of(replace(kept.record, channels=channels)))
    assert len(cycles) > 30
    for cycle in cycles:
        begin, end = cycle.begins_s * 1e4, (cycle.begins_s + cycle.duration_s) * 1e4
        assert not begin < 3009 < end + 9
        assert not begin < 5000 < end
        assert np.isfinite(cycle.volts).all()


@pytest.mark.parametrize(
    ("samples", "rate_hz", "says"), [(1, 1e4, "a single sample"), (400, 500.0, "too few"), (0, 1e4, "a single sample")]
)
def test_a_record_that_has_no_cycles_says_so(samples: int, rate_hz: float, says: str) -> None:
    [kept] = kept_around({1.0: "warn"})
    channels = tuple(replace(channel, values=channel.values[:samples]) for channel in kept.record.channels)
    with pytest.raises(WaveformError, match=says):
        figures_of(replace(kept.record, at_s=np.arange(samples) / rate_hz, channels=channels))


def test_a_record_of_another_program_is_told_from_ours(capture: Path) -> None:
    record = trip_of(capture)
    with pytest.raises(WaveformError, match="has no channel line current"):
        figures_of(replace(record, channels=record.channels[:1]))


def test_what_the_arguments_know_by_heart_is_what_the_code_has() -> None:
    assert (arguments.KINDS, arguments.HARMONICS) == (KINDS, HARMONICS)


# -- the command -------------------------------------------------------------------------------------------------------


def test_the_table_fits_a_terminal_and_marks_the_event(capture: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["waveforms", str(capture), "--harmonics", "5"]) == 0
    out, err = capsys.readouterr()
    assert (err, max(map(len, out.splitlines()))) == ("", 79)
    assert "02-trip, at 2.500 s: 0.500 s before it to 0.300 s after, 10 kS/s" in out
    lines = out.split("02-trip")[1].splitlines()
    [mark] = [number for number, line in enumerate(lines) if line.split() == ["0.0", "trip"]]
    assert float(lines[mark - 1].split()[0]) < 0.0 < float(lines[mark + 1].split()[0])
    assert "-0.00 " not in out
    assert out.count("harmonics of the cycle") == 2


@pytest.mark.parametrize("only", ["trip", "02-trip", "2"])
def test_one_of_them_and_as_json(capture: Path, capsys: pytest.CaptureFixture[str], only: str) -> None:
    assert main(["waveforms", str(capture), "--only", only, "--harmonics", "3", "--json"]) == 0
    out, err = capsys.readouterr()
    message = json.loads(out)
    assert (err, message["format"], message["completeness"], message["problems"]) == ("", 1, "finished", [])
    [trip] = message["waveforms"]
    assert (trip["name"], trip["event"], trip["time_s"], trip["rate_hz"]) == ("02-trip", "trip", 2.5, 10_000.0)
    assert (trip["before_s"], trip["after_s"]) == pytest.approx((0.5, 0.3), abs=0.006)
    assert [one["order"] for one in trip["harmonics"]] == [1, 2, 3]
    assert trip["harmonics_at_s"] == max(trip["cycles"], key=lambda cycle: cycle["line_current_a"])["to_event_s"]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_is_exported_for_a_general_purpose_reader(
    capture: Path, tmp_path: Path, kind: Kind, capsys: pytest.CaptureFixture[str]
) -> None:
    """The package ``comtrade`` from PyPI, and our own reader."""
    into = tmp_path / "new" / kind
    assert main(["waveforms", str(capture), "--comtrade", str(into), "--kind", kind]) == 0
    assert capsys.readouterr().out.count("written: ") == 4
    for kept in read_capture(capture).waveforms():
        config = into / kept.path.name
        wanted = kept.read()
        theirs = comtrade.Comtrade()
        theirs.load(str(config), str(config.with_suffix(".dat")))
        assert (theirs.ft, theirs.rev_year, theirs.station_name) == (kind, "2013", "Test amplifier")
        ours = read_comtrade(config)
        assert ours.trigger == wanted.trigger
        for channel, read, values in zip(wanted.channels, ours.channels, theirs.analog, strict=True):
            span = float(np.ptp(channel.values))
            step = {"ASCII": span / 2e5, "BINARY": span / 65e3}.get(kind, 1e-7 * span)
            assert read.values == pytest.approx(channel.values, abs=step + 1e-7 * span)
            assert np.asarray(values) == pytest.approx(channel.values, abs=step + 2e-7 * span)


def test_an_export_overwrites_nothing(capture: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    (tmp_path / "02-trip.dat").write_bytes(b"mine")
    assert main(["waveforms", str(capture), "--comtrade", str(tmp_path)]) == 2
    assert "02-trip.dat: is there already, nothing was exported; choose another folder" in capsys.readouterr().err
    assert [path.name for path in tmp_path.iterdir()] == ["02-trip.dat"]


def test_the_picture_is_the_same_every_time(capture: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    pictures = [tmp_path / "a.png", tmp_path / "b.png"]
    for picture in pictures:
        assert main(["waveforms", str(capture), "--plot", str(picture)]) == 0
        assert capsys.readouterr().out == f"written: {picture}\n"
    first, second = (picture.read_bytes() for picture in pictures)
    assert first == second
    assert first[:8] == b"\x89PNG\r\n\x1a\n"
    assert (int.from_bytes(first[16:20]), int.from_bytes(first[20:24])) == (1600, 900)


def test_the_picture_shows_both_signals_around_the_event(capture: Path) -> None:
    from rampguard.report.wave_plot import wave_figure

    read = read_capture(capture)
    trip = read.waveforms()[1]
    figure = wave_figure(read, trip, trip.read())
    assert [axes.get_ylabel() for axes in figure.axes] == 2 * ["line voltage, V", "line current, A"]
    assert figure.axes[0].get_xlim() == pytest.approx((-500.0, 300.0), abs=6.0)
    assert figure.axes[2].get_xlim() == pytest.approx((-50.0, 50.0))
    drawn = figure.axes[1].lines[0]
    assert float(np.max(drawn.get_ydata())) == pytest.approx(PEAK_A + 1.6, abs=0.02)


def test_a_capture_without_waveforms_says_why(tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    folder = str(captured(tmp_path, [row(0)]))
    assert main(["waveforms", folder]) == 0
    assert "they are where a digitiser is the line's meter" in capsys.readouterr().err
    assert main(["waveforms", folder, "--json"]) == 0
    assert json.loads(capsys.readouterr().out)["waveforms"] == []
    assert main(["waveforms", folder, "--plot", str(tmp_path / "x.png")]) == 2
    assert "nothing to draw" in capsys.readouterr().err
    assert main(["waveforms", folder, "--only", "trip"]) == 2


def test_what_is_not_there_is_bad_input(copy: Path, tmp_path: Path, capsys: pytest.CaptureFixture[str]) -> None:
    assert main(["waveforms", str(tmp_path / "none")]) == 2
    assert main(["waveforms", str(copy), "--only", "warn"]) == 2
    assert "there is none; there are 01-power-pressed, 02-trip" in capsys.readouterr().err
    for harmonics in ("0", "41", "x", "²"):
        with pytest.raises(SystemExit):
            main(["waveforms", str(copy), "--harmonics", harmonics])


def test_a_damaged_waveform_is_told_and_the_other_is_shown(copy: Path, capsys: pytest.CaptureFixture[str]) -> None:
    data = copy / "waveforms" / "01-power-pressed.dat"
    data.write_bytes(data.read_bytes()[:160])
    assert main(["waveforms", str(copy), "--json"]) == 2
    out, err = capsys.readouterr()
    message = json.loads(out)
    assert [one["name"] for one in message["waveforms"]] == ["02-trip"]
    assert message["completeness"] == "tampered"
    assert "holds 10 of 8001 samples: it is torn" in err
    assert "01-power-pressed.dat: changed since it was sealed" in err


def test_a_half_written_waveform_of_a_run_cut_short_is_told_and_is_no_failure(
    copy: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    (copy / "seal.sha256").unlink()
    (copy / "waveforms" / "03-warn.dat.part").write_bytes(b"begun")
    assert main(["waveforms", str(copy), "--only", "warn"]) == 0
    out, err = capsys.readouterr()
    assert out == ""
    assert "the record was cut short" in err
    assert "03-warn.cfg: cannot be read" in err
    assert "was being written when the record ended" in err
