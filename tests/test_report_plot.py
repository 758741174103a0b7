"""ramp.png: drawn for every kind of capture, the same each time, and with no text lying on another."""

from __future__ import annotations

import itertools
import subprocess
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.figure import Figure
from matplotlib.text import Text
from PIL import Image

from archive_help import (
    LEFT_EMITTER,
    LEFT_OFFSET,
    PASSED,
    PLUS_RAIL,
    RIGHT_EMITTER,
    SIGNALS,
    captured,
    create,
    cut_short,
    reading,
    row,
)
from rampguard.archive.reader import read_capture
from rampguard.archive.rows import CaptureEvent
from rampguard.archive.writer import CaptureWriter
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, Validity
from rampguard.report.ramp_plot import HEIGHT_PX, WIDTH_PX, draw_ramp, ramp_figure
from rampguard.report.series import gather
from rampguard.report.words import event_lines, facts, not_proven_off, outcome, title

ALL = (*SIGNALS, RIGHT_EMITTER, PLUS_RAIL)
TRIP = {"time_s": 4.0, "line_voltage_v": 92.0, "layer": "ceiling", "reason": "line current is above its ceiling"}
TRIPPED = PASSED | {"outcome": "tripped", "trip": TRIP, "max_line_voltage_v": 92.0}


def healthy(into: Path) -> Path:
    return captured(into, [row(number, ALL) for number in range(101)], signals=ALL)


def tripped(into: Path, unit: str = "Test amplifier") -> Path:
    rows = [row(number, ALL) for number in range(40)]
    rows[30] = row(30, ALL, readings=(reading(LINE_CURRENT, None, 3.0, Validity.OVER_RANGE),), decision="warn")
    rows.append(row(40, ALL, state="tripped", decision="trip", reason="line current is above its ceiling"))
    rows += [row(number, ALL, state="tripped", decision="trip", set_voltage_v=0.0) for number in range(41, 44)]

    def events(writer: CaptureWriter) -> None:
        for number in range(4):
            writer.put_event(number, "stage", f"{10 * number}% of line: to {23 * number} V")
        writer.put_event(2.0, "power-pressed", "power was pressed")
        writer.put_event(3.0, "warn", "line current is over-range " * 20)
        writer.put_event(4.0, "trip", "line current is above its ceiling")

    return captured(into, rows, TRIPPED, signals=ALL, unit=unit, also=events)


def unproven(into: Path) -> Path:
    result = TRIPPED | {"outcome": "unproven", "off": {"proven": False, "by": [], "problems": ["contactor: gone"]}}
    return captured(into, [row(number) for number in range(45)], result)


def bare(into: Path) -> Path:
    signals = (LINE_VOLTAGE, LINE_CURRENT)
    return captured(into, [row(number, signals) for number in range(45)], signals=signals)


def refused(into: Path) -> Path:
    return captured(into, [], {"outcome": "refused", "reason": "no watchdog"})


def one_row(into: Path) -> Path:
    return cut_short(captured(into, [row(3)]))


def only_faults(into: Path) -> Path:
    bad = tuple(reading(signal, None, 0.0, Validity.MISSING) for signal in SIGNALS)
    return captured(into, [row(0, readings=bad), row(1, readings=())])


def current_alone(into: Path) -> Path:
    return captured(into, [row(n, (LINE_CURRENT,), set_voltage_v=None, stage="") for n in range(5)], TRIPPED)


def an_hour(into: Path) -> Path:
    rows = [row(number, ALL) for number in range(100)]
    rows += [row(100, ALL, time_s=10.0 + 3 * number, stage="soak") for number in range(1200)]
    return captured(into, rows, signals=ALL)


def foreign_name(into: Path) -> Path:
    return tripped(into, unit="受信機 $x_2$ \\frac{ of a rather long name indeed that has no end")


KINDS = [healthy, tripped, unproven, bare, refused, one_row, only_faults, current_alone, an_hour, foreign_name]


@pytest.mark.parametrize("kind", KINDS)
def test_every_kind_of_capture_gives_a_picture(tmp_path: Path, kind: Any) -> None:
    out = tmp_path / "ramp.png"
    draw_ramp(read_capture(kind(tmp_path)), out)
    with Image.open(out) as picture:
        picture.load()
        assert picture.size == (WIDTH_PX, HEIGHT_PX)
        assert "Power-up of" in picture.info["Title"]
        grey = np.asarray(picture.convert("L"))
    assert (grey < 128).mean() > 0.005
    assert [path.name for path in tmp_path.iterdir() if path.is_file()] == ["ramp.png"]


def texts(figure: Figure) -> list[tuple[str, Any]]:
    """Every text that shows, with the box it fills, in pixels."""
    canvas = FigureCanvasAgg(figure)
    canvas.draw()
    renderer = canvas.get_renderer()
    shown = []
    for text in figure.findobj(Text):
        assert isinstance(text, Text)
        if text.get_visible() and text.get_text().strip():
            shown.append((text.get_text(), text.get_window_extent(renderer)))
    return shown


def tick_labels(axes: Axes) -> set[str]:
    return {label.get_text() for label in (*axes.get_xticklabels(), *axes.get_yticklabels())}


@pytest.mark.parametrize("kind", KINDS)
def test_no_text_lies_on_another_or_beyond_the_edge(tmp_path: Path, kind: Any) -> None:
    figure = ramp_figure(read_capture(kind(tmp_path)))
    found = texts(figure)
    outside = {label for axes in figure.axes for label in tick_labels(axes)}
    for words, box in found:
        if words not in outside:  # ticks beyond the axes' limits have labels that are not drawn
            assert box.x0 >= 0, words
            assert box.y0 >= 0, words
            assert box.x1 <= WIDTH_PX, words
            assert box.y1 <= HEIGHT_PX, words
    for (first, a), (second, b) in itertools.combinations(found, 2):
        if first in outside or second in outside:
            continue
        across = min(a.x1, b.x1) - max(a.x0, b.x0)
        along = min(a.y1, b.y1) - max(a.y0, b.y0)
        assert across <= 1 or along <= 1, (first, second)


def test_the_same_capture_gives_the_same_bytes(tmp_path: Path) -> None:
    capture = read_capture(tripped(tmp_path))
    draw_ramp(capture, tmp_path / "a.png")
    draw_ramp(capture, tmp_path / "b.png")
    assert (tmp_path / "a.png").read_bytes() == (tmp_path / "b.png").read_bytes()


def test_drawing_breaks_no_seal_and_loads_no_window_system(tmp_path: Path) -> None:
    folder = healthy(tmp_path)
    code = (
        "import sys; from pathlib import Path\n"
        "from rampguard.report.ramp_plot import draw_ramp\n"
        "assert 'matplotlib' not in sys.modules\n"
        "from rampguard.archive.reader import read_capture\n"
        f"draw_ramp(read_capture(Path({str(folder)!r})), Path({str(folder / 'ramp.png')!r}))\n"
        "assert 'matplotlib.pyplot' not in sys.modules\n"
    )
    subprocess.run([sys.executable, "-W", "error", "-c", code], check=True, timeout=60)
    assert str(read_capture(folder).completeness) == "finished"


def test_the_trip_is_marked_where_it_happened(tmp_path: Path) -> None:
    figure = ramp_figure(read_capture(tripped(tmp_path)))
    current, power, strip, voltage = figure.axes[:4]
    for axes, value in ((current, 0.092), (power, 0.0006 * 92**2)):
        [mark] = [line for line in axes.lines if line.get_marker() == "X"]
        assert mark.get_xdata() == pytest.approx([92.0])
        assert mark.get_ydata() == pytest.approx([value])
    assert "TRIP at 4 s" in strip.get_title(loc="right")
    assert any(list(line.get_xdata()) == [4.0, 4.0] for line in voltage.lines)


def test_ceilings_are_drawn_where_they_are_or_named(tmp_path: Path) -> None:
    figure = ramp_figure(read_capture(healthy(tmp_path)))
    current, power = figure.axes[:2]
    assert any(list(line.get_ydata()) == [0.8, 0.8] for line in current.lines)
    assert not any(list(line.get_ydata()) == [150.0, 150.0] for line in power.lines)
    legend = power.get_legend()
    assert legend is not None
    assert "ceiling 150 W, off scale" in [text.get_text() for text in legend.get_texts()]
    assert power.get_ylabel() == "real power,\nW"


def test_what_came_after_the_cut_is_not_drawn_against_voltage(tmp_path: Path) -> None:
    figure = ramp_figure(read_capture(tripped(tmp_path)))
    volts = np.asarray(figure.axes[0].lines[0].get_xdata())
    assert volts.max() == pytest.approx(92.0)


def test_readings_are_drawn_against_the_voltage_they_belong_to(tmp_path: Path) -> None:
    def at(time_s: float, signal: Any, value: float) -> Any:
        return row(0, time_s=time_s, readings=(reading(signal, value, time_s),))

    rows = [
        at(0.0, LINE_CURRENT, 1.0),
        at(0.1, LINE_VOLTAGE, 50.0),
        at(0.3, LINE_CURRENT, 2.0),
        at(9.0, LINE_CURRENT, 3.0),
    ]
    series = gather(read_capture(captured(tmp_path, rows)))
    trace = series.traces[LINE_CURRENT]
    assert trace.value.tolist() == [1.0, 2.0, 3.0]
    np.testing.assert_array_equal(trace.line_v, [np.nan, 50.0, np.nan])
    assert series.of(LINE_CURRENT.quantity) == {LINE_CURRENT: trace}
    assert series.of(LEFT_OFFSET.quantity) == {}
    assert LEFT_EMITTER not in series.traces


@pytest.mark.parametrize(
    ("result", "said"),
    [
        (PASSED, "PASSED: the plan was walked to its end and nothing tripped. Output proven off. Highest line v"),
        (
            TRIPPED,
            "TRIPPED at 92 V after 4 s: line current is above its ceiling. Output proven off. Highest line voltage",
        ),
        (TRIPPED | {"trip": TRIP | {"line_voltage_v": None}}, "TRIPPED after 4 s: line current"),
        (TRIPPED | {"trip": None}, "TRIPPED. Output proven off."),
        (PASSED | {"outcome": "stopped"}, "STOPPED EARLY by the operator; nothing tripped. Output proven off."),
        (
            TRIPPED | {"outcome": "unproven"},
            "Off was commanded, and nothing proved it. Tripped at 92 V after 4 s: line",
        ),
        (PASSED | {"outcome": "unproven"}, "Off was commanded, and nothing proved it. Highest"),
        (PASSED | {"off": {"proven": False}}, "NOT PROVEN OFF."),
        ({"outcome": "passed"}, "Nothing is recorded of a proof of off."),
        ({"outcome": "refused", "reason": "no watchdog"}, "REFUSED, nothing was energised: no watchdog"),
        ({"outcome": "new word"}, "new word. Nothing is recorded"),
    ],
)
def test_the_outcome_is_said_in_words(tmp_path: Path, result: dict[str, Any], said: str) -> None:
    capture = read_capture(captured(tmp_path, [row(0)], result))
    assert said in outcome(capture, gather(capture))
    expected = result["outcome"] == "unproven" or (result.get("off") or {"proven": True})["proven"] is False
    assert not_proven_off(capture) == expected


def test_a_record_cut_short_or_changed_says_so(tmp_path: Path) -> None:
    folder = tripped(tmp_path)
    (folder / "events.csv").write_text("time_s,wall_time,kind,text\n")
    changed = read_capture(folder)
    assert outcome(changed, gather(changed)).startswith(
        "SEAL BROKEN (events.csv: changed since it was sealed). TRIPPED"
    )
    (folder / "seal.sha256").unlink()
    unsealed = read_capture(folder)
    assert outcome(unsealed, gather(unsealed)).startswith("RECORD INCOMPLETE, not sealed. TRIPPED")
    short = read_capture(cut_short(tripped(tmp_path)))
    said = outcome(short, gather(short))
    assert said.startswith("CUT SHORT: the record ends at 4.3 s without a result. It had TRIPPED at 4 s: line current")
    assert not_proven_off(short)


def test_a_trip_that_no_reading_showed_is_taken_from_the_result(tmp_path: Path) -> None:
    series = gather(read_capture(captured(tmp_path, [row(number) for number in range(45)], TRIPPED)))
    assert (series.trip_s, series.trip_reason) == (4.0, "line current is above its ceiling")


def test_title_and_facts_say_what_was_recorded_and_a_simulated_bench_says_so(tmp_path: Path) -> None:
    capture = read_capture(captured(tmp_path, []))
    assert title(capture).startswith("Power-up of Test amplifier, 2")
    assert title(capture).endswith(" UTC")
    assert facts(capture) == (
        "linear-amplifier; nameplate 300 W at 230 V; mains 230 V, 50 Hz; pre-power checks confirmed: by flag; seed 1"
    )
    capture.descriptor.update(clock="lock-step", seed=None, nameplate_w=None, permissives_confirmed="")
    assert title(capture).endswith(" UTC, simulated bench")
    assert facts(capture) == "linear-amplifier; nameplate ? W at 230 V; mains 230 V, 50 Hz"


def test_the_events_worth_most_are_listed_in_their_order() -> None:
    def event(time_s: float, kind: str) -> CaptureEvent:
        return CaptureEvent(time_s, "2026-01-01T00:00:00Z", kind, "text")

    events = [event(0, "energise"), *(event(n, "stage") for n in range(9)), *(event(n, "warn") for n in range(9))]
    events.append(event(20, "trip"))
    lines = event_lines(events, 4)
    assert [line.split()[2] for line in lines[:4]] == ["energise:", "warn:", "warn:", "trip:"]
    assert lines[4].strip() == "and 7 more in events.csv"
    assert event_lines(events[:1], 4) == ["    0.00 s  energise: text"]


def test_a_folder_that_cannot_be_written_to_is_an_error_that_leaves_no_picture(tmp_path: Path) -> None:
    capture = read_capture(healthy(tmp_path))
    with pytest.raises(OSError, match="nowhere"):
        draw_ramp(capture, tmp_path / "nowhere" / "ramp.png")


def test_it_can_be_drawn_while_the_run_goes_on(tmp_path: Path) -> None:
    writer = create(tmp_path)
    draw_ramp(read_capture(writer.folder), tmp_path / "live.png")
    writer.finish(PASSED)
    assert (tmp_path / "live.png").stat().st_size > 10_000
