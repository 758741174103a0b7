"""What a hand-back sheet says, and what it keeps silent about; when a job is not ready."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from archive_help import PASSED
from hand_back_help import FOUND, JOB, REPAIRED, make_job, warm_capture
from rampguard.archive.reader import read_capture
from rampguard.handback import material as material_of
from rampguard.handback.document import Bullets, Facts, Para, Picture, Sheet, Table
from rampguard.handback.material import Material, Wanted, gather
from rampguard.handback.measured import channels_of, ramp_of, sheet_in, soak_minutes, soaked, top_of
from rampguard.handback.missing import missing_of
from rampguard.handback.phrases import changed, listed, minutes, number, with_uncertainty
from rampguard.handback.plots import binned, ramp_svg
from rampguard.handback.told import told
from rampguard.quantities import REAL_POWER, Quantity
from rampguard.report.series import gather as series_of
from rampguard.warmup.idle import Span, idle_from

AFTER = f"{JOB}{FOUND}{REPAIRED}"


def said(sheet: Sheet, *, first_page: bool = False) -> str:
    """All words of a sheet, or of its first page."""
    sections = sheet.for_customer if first_page else (*sheet.for_customer, *sheet.for_colleague)
    return "\n".join(word for section in sections for block in section.blocks for word in _words(block))


def _words(block: object) -> list[str]:
    if isinstance(block, Para):
        return [block.text]
    if isinstance(block, Bullets):
        return list(block.entries)
    if isinstance(block, Facts):
        return [word for pair in block.pairs for word in pair]
    if isinstance(block, Table):
        return [block.caption, *block.columns, *(" | ".join(row) for row in block.rows)]
    assert isinstance(block, Picture)
    return [block.says, block.caption]


def sheet_of(folder: Path, wanted: Wanted | None = None) -> tuple[str, str, tuple[str, ...]]:
    """A job's words, those of its first page, and what it lacks."""
    found = gather(folder, wanted or Wanted())
    sheet = told(found, draft=False)
    return said(sheet), said(sheet, first_page=True), lacking(found)


def lacking(found: Material) -> tuple[str, ...]:
    return missing_of(found.job, found.runs, found.bad_pictures)


@pytest.fixture(scope="module")
def job(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """A job that is ready; it is only read."""
    return make_job(tmp_path_factory.mktemp("job") / "2026-014")


# -- what is said ----------------------------------------------------------------------------------------------------


def test_a_job_that_is_ready_lacks_nothing_and_says_what_was_done(job: Path) -> None:
    words, first, missing = sheet_of(job)
    assert missing == ()
    for text in ("dead, blows its fuse", "left output pair shorted", "a lead whose strands touched"):
        assert text in first
    assert "Output transistor: replaced with same type, new, from an authorised distributor." in first
    assert "cut off at 4.49 V of 230 V" in first
    assert "brought up slowly from zero to 230 V" in first
    assert "Keep the strands of a lead together." in first
    assert "not a safety device" in first
    for text in ("Q701", "a short in an output stage", "line current 0.0876 A is above", "TRIPPED"):
        assert text in words
        assert text not in first


def test_a_check_that_was_not_made_is_never_said_to_have_passed(job: Path) -> None:
    words, first, _ = sheet_of(job)
    assert "Earth continuity: passed, 0.08 ohm (limit: 0.2 ohm at most, by the local code)." in first
    assert "Insulation: not made." in first
    assert "insulation | not made |" in words
    assert "Insulation: passed" not in first


def test_what_was_drawn_is_held_against_what_was_expected_there(job: Path) -> None:
    found = gather(job, Wanted())
    assert found.runs.after is not None
    top = top_of(found.runs.series[found.runs.after.name])
    assert top is not None
    assert top.band_a is not None
    assert top.band_a[0] < top.current_a < top.band_a[1]
    assert f"{number(top.current_a, 2)} A: a healthy one of its kind draws" in sheet_of(job)[1]
    beyond = replace(top, current_a=2.0 * top.band_a[1])
    from rampguard.handback.customer import _drew

    assert "NOT as a healthy one" in _drew(beyond)
    assert "not evaluated" in _drew(replace(top, band_a=None))


def test_a_simulated_bench_is_said_to_be_one_and_a_real_one_is_not(job: Path, tmp_path: Path) -> None:
    words, first, _ = sheet_of(job)
    assert "simulated bench: they say nothing of a real unit" in first
    assert words.count("made on a simulated bench") >= 2
    real = make_job(tmp_path, JOB)
    for folder in (real / "captures").iterdir():
        _remove(folder)
    warm_capture(real / "captures")
    words, first, missing = sheet_of(real)
    assert "simulated" not in words
    assert missing == ()


def _remove(folder: Path) -> None:
    for path in folder.iterdir():
        path.unlink()
    folder.rmdir()


def test_a_broken_seal_is_said_on_both_sides_and_is_in_the_way(tmp_path: Path) -> None:
    job = make_job(tmp_path)
    with (job / "captures" / "healthy-amplifier" / "events.csv").open("a") as events:
        events.write('9.9,2026-01-01T00:00:00Z,note,"one line more"\n')
    words, first, missing = sheet_of(job)
    assert "The record of healthy-amplifier is not whole" in first
    assert "seal BROKEN (events.csv: changed since it was sealed)" in words
    assert any("healthy-amplifier" in line and "BROKEN" in line for line in missing)


def test_a_capture_that_cannot_be_read_is_told_and_the_sheet_is_made_all_the_same(tmp_path: Path) -> None:
    job = make_job(tmp_path)
    (job / "captures" / "shorted-output" / "datapackage.json").write_text("{", encoding="utf-8")
    words, first, _ = sheet_of(job)
    assert "cannot be read" in words
    assert "cut off at" not in first


def _changed_descriptor(capture: Path, change: Callable[[dict[str, Any]], None]) -> None:
    path = capture / "datapackage.json"
    descriptor = json.loads(path.read_text(encoding="utf-8"))
    change(descriptor)
    path.write_text(json.dumps(descriptor), encoding="utf-8")


@pytest.mark.parametrize(
    "change",
    [
        lambda d: d["result"].update(trip={"reason": 3}),
        lambda d: d["result"].update(checks=[{"what": "idle of left"}]),
        lambda d: d["result"].update(causes="none"),
        lambda d: d["result"].update(off=[]),
        lambda d: d.pop("program_version"),
    ],
)
def test_a_record_that_somebody_rewrote_is_told_not_believed(
    tmp_path: Path, change: Callable[[dict[str, Any]], None]
) -> None:
    job = make_job(tmp_path)
    _changed_descriptor(job / "captures" / "healthy-amplifier", change)
    words, first, missing = sheet_of(job)
    assert "its record is not as it was written" in words
    assert "brought up slowly from zero" not in first
    assert missing


@pytest.mark.parametrize("how", [{"series_lamp_w": 60.0}, {"unplugged": ["left"]}])
def test_a_test_behind_a_lamp_or_with_something_unplugged_is_no_test_of_the_unit(
    tmp_path: Path, how: dict[str, Any]
) -> None:
    job = make_job(tmp_path)
    _changed_descriptor(job / "captures" / "healthy-amplifier", lambda d: d.update(how))
    _, first, missing = sheet_of(job)
    assert ("behind a lamp" in first) == ("series_lamp_w" in how)
    assert any("healthy-amplifier: is told as a test of the whole unit" in line for line in missing)


def test_what_was_overridden_is_said(tmp_path: Path) -> None:
    job = make_job(tmp_path, JOB)
    warm_capture(job / "captures", events=(("override", "earth-continuity: class II, no protective earth"),))
    words, first, _ = sheet_of(job)
    assert "Left out before power, with the reason given: earth-continuity: class II, no protective earth." in first
    assert "overridden: earth-continuity: class II" in words


def test_warm_what_was_and_was_not_measured(tmp_path: Path) -> None:
    job = make_job(tmp_path, JOB)
    warm_capture(job / "captures")
    words, first, missing = sheet_of(job)
    assert "left on at full mains for 2 minutes, the last 1 minute of it warm and under watch" in first
    assert "Of 3 things measured inside it while it was warm, 2 were in order." in first
    assert "Could not be measured, warm: idle of right." in first
    assert "left | 19.8 mV | 90.0 ± 2.6 mA | not read | 12.0 mV | in order" in words
    assert "right | not read | not read | not read | not read | not checked" in words
    assert "power from the line | 30.08 W | 30.92 W | +0.83 W | 30.00 W | 31.00 W" in words
    assert missing == ()


def test_a_run_that_tripped_after_the_repair_is_no_test_passed(tmp_path: Path) -> None:
    trip = {"time_s": 9.0, "line_voltage_v": 230.0, "layer": "ceiling", "reason": "too hot"}
    job = make_job(tmp_path, JOB)
    last = warm_capture(job / "captures", {**PASSED, "outcome": "tripped", "trip": trip, "checks": []})
    _, first, missing = sheet_of(job)
    assert "The last power-up after the repair did not pass (tripped: too hot)." in first
    assert "brought up slowly from zero" not in first
    assert any(last.name in line and "too hot" in line for line in missing)


def test_starts_at_full_mains_are_counted_and_one_that_tripped_is_in_the_way(tmp_path: Path) -> None:
    starts = "".join(f'[[capture]]\nfolder = "captures/start-{n}"\nrole = "cold-start"\n\n' for n in (1, 2))
    job = make_job(tmp_path, AFTER + starts)
    for n, outcome in ((1, "passed"), (2, "tripped")):
        made = warm_capture(job / "made", {**PASSED, "outcome": outcome, "max_line_current_a": 3.38 + n})
        made.rename(job / "captures" / f"start-{n}")
    words, first, missing = sheet_of(job)
    assert "switched on twice directly at full mains, as you do it: it passed 1 of 2" in first
    assert "start-1 | passed | 4.38 A rms" in words
    assert any(line.startswith("start-2:") for line in missing)


def test_whose_unit_it_is_and_what_it_cost_only_where_asked_for(job: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    private = job / "private.toml"
    private.write_text('format = 1\nname = "Somebody Made-Up"\ncontact = "by post"\n', encoding="utf-8")
    words, first, _ = sheet_of(job, Wanted(with_customer=True, with_price=True))
    assert "Somebody Made-Up" in first
    assert "Hours | 4 | 3.75" in first
    assert "Price | 222.00 EUR | see the invoice" in first

    def opened(_folder: Path) -> None:
        raise AssertionError("private.toml was opened")

    monkeypatch.setattr(material_of, "read_private", opened)
    words, _, _ = sheet_of(job)
    assert "Somebody" not in words
    assert "222" not in words
    assert "3.75" not in words


# -- what is missing -------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("changed_from", "to", "line"),
    [
        ('complaint = "dead, blows its fuse"', "", "complaint: "),
        ('as_found = "left output pair shorted"', "", "as found: "),
        ('cause = "a lead whose strands touched"\n', "", "cause: "),
        ('result = "not made"', 'result = "failed"\ndate = 2026-03-05', "insulation: failed"),
        ('what = "insulation"', 'what = "something else"', "insulation resistance: "),
        ('load_class = "linear-amplifier"', 'load_class = "receiver"', "load class: the job says receiver"),
        (REPAIRED, REPAIRED.replace("after-repair", "other"), "a power-up after the repair: "),
    ],
)
def test_each_thing_that_is_missing_is_named(tmp_path: Path, changed_from: str, to: str, line: str) -> None:
    assert changed_from in AFTER
    job = make_job(tmp_path, AFTER.replace(changed_from, to, 1))
    assert [text for text in sheet_of(job)[2] if text.startswith(line)]


def test_warm_checks_that_are_not_in_order_are_in_the_way(tmp_path: Path) -> None:
    wrong = [{"what": "idle of left", "right": False, "text": "40 mV", "value": 0.04}]
    job = make_job(tmp_path, JOB)
    warm_capture(job / "captures", {**PASSED, "checks": wrong})
    _, first, missing = sheet_of(job)
    assert "NOT in order, warm: idle of left." in first
    assert any("idle of left is not in order (40 mV)" in line for line in missing)


# -- pictures --------------------------------------------------------------------------------------------------------


def test_a_picture_goes_in_upright_smaller_and_without_what_the_camera_wrote(tmp_path: Path) -> None:
    camera = Image.Exif()
    camera[0x0112] = 6  # to be turned by a quarter
    camera[0x010E] = "taken at a made-up address"
    Image.new("RGB", (3000, 1000), "grey").save(tmp_path / "photo.jpg", exif=camera)
    shown = material_of.as_shown(tmp_path / "photo.jpg")
    assert b"made-up address" in (tmp_path / "photo.jpg").read_bytes()
    assert b"made-up address" not in shown.data
    (tmp_path / "shown").write_bytes(shown.data)
    with Image.open(tmp_path / "shown") as picture:
        assert picture.size == (467, 1400)
        assert not picture.getexif()


@pytest.mark.parametrize("data", [b"", b"GIF89a", b"\x89PNG\r\n\x1a\n broken"])
def test_a_file_that_is_no_picture_is_told_and_in_the_way(tmp_path: Path, data: bytes) -> None:
    job = make_job(tmp_path, AFTER + '[[picture]]\nfile = "pictures/one.png"\nsays = "the board"\n')
    (job / "pictures").mkdir()
    (job / "pictures" / "one.png").write_bytes(data)
    words, _, missing = sheet_of(job)
    assert "The picture pictures/one.png cannot be shown. It is to show: the board" in words
    assert any("pictures/one.png" in line for line in missing)


# -- numbers ---------------------------------------------------------------------------------------------------------


def test_a_warm_runs_numbers_by_hand(tmp_path: Path) -> None:
    capture = read_capture(warm_capture(tmp_path))
    series = series_of(capture)
    ramp = ramp_of(series)
    assert ramp is not None
    assert ramp.line_v.tolist() == [115.0, 230.0]
    assert ramp.current_a.tolist() == [0.115, 0.23]
    assert ramp.trip is None
    top = top_of(series)
    assert top is not None
    assert (top.line_v, top.current_a, top.power_w, top.band_a) == (230.0, 0.23, 30.0, (0.1, 0.4))
    assert soak_minutes(series) == pytest.approx(1.0)
    power = next(one for one in soaked(series, ()) if one.signal == REAL_POWER)
    assert (power.first, power.last) == (pytest.approx(30.0 + 0.5 / 6), pytest.approx(31.0 - 0.5 / 6))
    sheet = sheet_in(capture.descriptor)
    assert sheet is not None
    left = next(iter(channels_of(sheet, capture.result or {}, series)))
    assert left.idle == idle_from(0.0198, 0.0, Span(resistor_ohm=0.22), rails_v=102.0)


def test_a_value_and_its_uncertainty_are_rounded_alike() -> None:
    """The GUM's own example (7.2.2, from memory): 100.021 47 g with 0.35 mg."""
    assert with_uncertainty(100.02147, 0.00035, "g") == "100.02147 ± 0.00035 g"
    assert with_uncertainty(93.3636, 2.6996, "mA") == "93.4 ± 2.7 mA"
    assert with_uncertainty(1234.0, 56.0, "mA") == "1234 ± 56 mA"
    assert with_uncertainty(5.0, 0.0, "mA") == "5.00 mA"


def test_numbers_as_they_are_shown() -> None:
    assert [number(x) for x in (0.0, 0.0876, 4.487, 230.08, 12345.0, -0.5)] == [
        *("0", "0.0876", "4.49", "230", "12345", "−0.500")
    ]
    assert changed(0.02046, 0.02053, Quantity.EMITTER_RESISTOR, 4) == "+0.07 mV"
    assert changed(230.0, 230.04, Quantity.LINE_VOLTAGE, 4) == "0 V"
    assert changed(-51.18, -51.28, Quantity.RAIL, 4) == "−0.10 V"
    assert [minutes(x) for x in (0.2, 1.0, 59.6, 240.0)] == [
        "less than a minute",
        "1 minute",
        "60 minutes",
        "4.0 hours",
    ]
    assert [listed(x) for x in ([], ["a"], ["a", "b"], ["a", "b", "c"])] == ["", "a", "a and b", "a, b and c"]


# -- plots -----------------------------------------------------------------------------------------------------------


def test_the_plot_is_the_same_every_time_and_its_text_is_text(job: Path) -> None:
    runs = gather(job, Wanted()).runs
    assert runs.before is not None
    assert runs.after is not None
    before, after = (ramp_of(runs.series[run.name]) for run in (runs.before, runs.after))
    assert before is not None
    assert before.trip == pytest.approx((4.487, 0.0876))
    svg = ramp_svg(before, after)
    assert svg == ramp_svg(before, after)
    assert before.most_a is not None
    assert f"{before.most_a:.4g} A at most" in runs.before.result["trip"]["reason"]
    for words in (
        b"expected then: 0.0524 A at most",
        b"tripped at 4.49 V",
        b"expected of a healthy unit",
        b"after the repair",
        b"as found",
    ):
        assert words in svg
    assert b"<dc:date>" not in svg
    assert b"as found" not in ramp_svg(None, after)
    assert b"after the repair" not in ramp_svg(before, None)


def test_the_band_that_is_drawn_leaves_no_edge_out() -> None:
    volts = np.linspace(1.0, 230.0, 500)
    low, high = 0.001 * volts, 0.002 * volts
    high[250] = 1.0
    middle, lows, highs = binned(volts, low, high)
    assert highs.max() == 1.0
    assert lows.min() == low.min()
    assert np.all(np.diff(middle) > 0)


def test_a_draft_says_so_and_names_what_it_lacks(tmp_path: Path) -> None:
    found = gather(make_job(tmp_path, JOB.split("[[part]]")[0]), Wanted())
    sheet = told(found, draft=True)
    assert sheet.draft.startswith("DRAFT")
    assert sheet.missing == lacking(found)
    assert len(sheet.missing) >= 5
    assert told(found, draft=False).draft == ""
    assert "Nothing is written down." in said(sheet, first_page=True)
    assert json.dumps(sheet.missing)
