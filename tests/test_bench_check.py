"""`rampguard bench`: a sound bench passes its check; of each faulty one the fault is named."""

from __future__ import annotations

import json
import os
import re
import subprocess
from collections.abc import Sequence
from pathlib import Path

import pytest

from instruments.bench import BenchKind, load_bench_file
from live_help import RAMPGUARD, served_bench
from rampguard.bench.questions import Cancelled, bench_file_by_questions
from rampguard.bench.verdicts import (
    LAMP_WITHIN,
    Cut,
    Pace,
    cut_findings,
    lamp_current_a,
    lamp_findings,
    more_than_a_lamp,
    pace_finding,
    worst_case,
    zero_findings,
)
from rampguard.guard.permissives import Standing
from rampguard.quantities import LINE_CURRENT, LINE_VOLTAGE, REAL_POWER, Reading, Validity

LAMP_W = 75.0


def checked(bench_file: Path, *more: str, folder: Path | None = None) -> tuple[int, dict[str, str], str]:
    """Exit code, what failed or was not evaluated by what was looked at, and the story."""
    done = subprocess.run(
        [*RAMPGUARD, "bench", "check", str(bench_file), "--json", *more],
        capture_output=True,
        text=True,
        timeout=100,
        env=os.environ | ({} if folder is None else {"XDG_CONFIG_HOME": str(folder)}),
    )
    assert done.stdout, done.stderr
    said = json.loads(done.stdout)
    assert said["format"] == 1
    wrong = {f["check"]: f["said"] for f in said["findings"] if f["standing"] == "fails"}
    assert bool(wrong) == (said["outcome"] != "passed")
    return done.returncode, wrong, done.stdout + done.stderr


LIVE = ("--lamp-w", f"{LAMP_W:g}", "--unplugged")


@pytest.mark.parametrize(
    "more",
    [(), ("--hand",), ("--no-relay",), ("--meters", "handheld", "--hand"), ("--wires", "modbus")],
    ids=["source", "relay", "person", "handhelds", "modbus"],
)
def test_a_sound_bench_passes(tmp_path: Path, more: tuple[str, ...]) -> None:
    with served_bench(tmp_path, *more, unit="lamp") as bench:
        code, wrong, story = checked(bench.bench_file, *LIVE)
        assert (code, wrong) == (0, {}), story
        assert "fault to cut in" in story
        assert not bench.log_lines()[-1]["output"] or bench.log_lines()[-1]["set_voltage_v"] == 0.0


FAULTY = {
    "meter before the cut-off": (("--miswired", "meter-before-cut-off"), "it sits before the cut-off", 3),
    "source not at zero": (("--miswired", "supply-not-at-zero"), "switched on at zero: source or knob", 3),
    "variac not at zero": (("--hand", "--miswired", "supply-not-at-zero"), "switched on at zero: source or knob", 3),
    "current reversed": (("--miswired", "current-reversed"), "its current is reversed", 3),
    "contactor stays closed": (("--mischief", "contactor:stays-on@1+"), "does not read back off", 3),
    "contactor takes no notice": (("--mischief", "contactor:ignored@8+"), "was told to close and reads back off", 3),
    "stuck meter": (("--mischief", "power-meter:stuck-reading@20+"), "this meter is stuck", 3),
    "mute meter": (("--mischief", "power-meter:lost-reply@1+"), "no answer", 2),
    "meter that babbles": (("--mischief", "power-meter:garbage@1+"), "answered with bytes that are no text", 2),
    "source that keeps its limits to itself": (("--mischief", "source:ignored@3+"), "reads back", 2),
}


@pytest.mark.parametrize("name", FAULTY)
def test_of_a_faulty_bench_the_fault_is_named(tmp_path: Path, name: str) -> None:
    more, says, code = FAULTY[name]
    with served_bench(tmp_path, *more, unit="lamp") as bench:
        found, wrong, story = checked(bench.bench_file, *LIVE)
        assert any(says in said for said in wrong.values()), story
        assert found == code, story


def changed(bench_file: Path, *changes: tuple[str, str]) -> Path:
    text = bench_file.read_text(encoding="utf-8")
    for pattern, new in changes:
        text, count = re.subn(pattern, new, text, flags=re.DOTALL)
        assert count, pattern
    bench_file.write_text(text, encoding="utf-8")
    return bench_file


def test_swapped_handhelds_are_named(tmp_path: Path) -> None:
    with served_bench(tmp_path, "--meters", "handheld", unit="lamp") as bench:
        text = bench.bench_file.read_text(encoding="utf-8")
        volts, amperes = re.findall(r'\[instruments\.handheld-\w+\]\n.*?resource = "([^"]+)"', text, re.DOTALL)
        changed(
            bench.bench_file,
            (re.escape(f'resource = "{volts}"'), 'identity = "HANDHELD"\nresource = "X"'),
            (re.escape(f'resource = "{amperes}"'), f'identity = "HANDHELD"\nresource = "{volts}"'),
            ('resource = "X"', f'resource = "{amperes}"'),
        )
        code, wrong, story = checked(bench.bench_file, *LIVE)
        assert "they are swapped" in wrong["known load"], story
        assert code == 3


def test_an_instrument_at_a_wrong_address_and_another_that_is_not_there(tmp_path: Path) -> None:
    with served_bench(tmp_path, unit="lamp") as bench:
        changed(bench.bench_file, (r'("scpi-power-meter"\nresource = "TCPIP0::127\.0\.0\.1::)\d+', r"\g<1>9"))
        code, wrong, story = checked(bench.bench_file, *LIVE)
        assert "refused" in wrong["instrument power-meter"], story
        assert code == 2
    with served_bench(tmp_path / "again" if (tmp_path / "again").mkdir() is None else tmp_path, unit="lamp") as bench:
        changed(bench.bench_file, (r'dialect = "scpi-power-meter"', 'dialect = "scpi-power-meter"\nidentity = "OTHER"'))
        code, wrong, story = checked(bench.bench_file, *LIVE)
        assert "identifies itself as 'SIMULATED,POWER-METER,0,1', not as 'OTHER'" in wrong["instrument power-meter"]


def test_a_unit_in_the_wrong_thousandth_is_named(tmp_path: Path) -> None:
    own = tmp_path / "rampguard" / "dialects"
    own.mkdir(parents=True)
    shipped = Path(load_bench_file.__code__.co_filename).parent / "dialects" / "scpi-power-meter.toml"
    text = shipped.read_text(encoding="utf-8").replace('"scpi-power-meter"', '"my-meter"').replace('"A"', '"mA"')
    (own / "my-meter.toml").write_text(text, encoding="utf-8")
    with served_bench(tmp_path, unit="lamp") as bench:
        changed(bench.bench_file, ("scpi-power-meter", "my-meter"))
        _, wrong, story = checked(bench.bench_file, *LIVE, folder=tmp_path)
        assert "a thousandth" in wrong["amperes of power-meter"], story


def test_without_a_lamp_nothing_is_energised_and_it_says_that_zeros_prove_nothing(tmp_path: Path) -> None:
    with served_bench(tmp_path, unit="lamp") as bench:
        code, wrong, story = checked(bench.bench_file)
        assert (code, wrong) == (0, {})
        assert "zeros that agree prove nothing" in story
        assert not any(line["output"] for line in bench.log_lines())


# -- what is made of what was measured --------------------------------------------------------------------------------


def test_a_lamp_takes_what_tungsten_takes() -> None:
    """Settled current goes as V^0.55 (Standard Handbook for Electrical Engineers, see `loads.filament`)."""
    rated_a = LAMP_W / 230.0
    assert lamp_current_a(LAMP_W, 230.0, 230.0) == pytest.approx(rated_a, rel=0.01)
    assert lamp_current_a(LAMP_W, 230.0, 115.0) == pytest.approx(rated_a * 0.5**0.55, rel=0.06)  # gas conducts
    # At a tenth what gas and leads carry off counts: the filament is colder, and takes more than the power law has it.
    assert rated_a * 0.1**0.55 < lamp_current_a(LAMP_W, 230.0, 23.0) < LAMP_WITHIN * rated_a * 0.1**0.55


def test_a_slow_meter_cannot_guard_a_ramp_and_sets_the_pace() -> None:
    slow = Pace("meter", (0.0, 1.5, 3.0), 3.0, 1.4, 0.0)
    assert "too slow to guard a ramp" in pace_finding(slow, of_line=True).said
    assert pace_finding(slow, of_line=False).standing is Standing.HOLDS
    halting = Pace("meter", (0.0, 0.3, 1.2), 3.0, 0.3, 0.0)
    assert "slower than its dialect's 0.3 s" in pace_finding(halting, of_line=True).said
    assert pace_finding(halting, of_line=True).standing is Standing.HOLDS
    assert pace_finding(Pace("meter", (1.0,), 3.0, 0.1, 0.0), of_line=True).standing is Standing.FAILS
    quick = Pace("quick", tuple(0.1 * k for k in range(30)), 3.0, 0.1, 0.0)
    assert "fault to cut in 0.40 s" in worst_case(230.0, [quick], 0.2).said
    assert "a person's second" in worst_case(230.0, [quick], None).said


def reading(signal: object, value: float | None, name: str = "m") -> Reading:
    validity = Validity.VALID if value is not None else Validity.OVER_RANGE
    return Reading(signal, value, 1.0, 1.0, validity, 0.001, name)  # type: ignore[arg-type]


def test_zeros() -> None:
    found = zero_findings([reading(LINE_VOLTAGE, 12.0), reading(LINE_CURRENT, 0.0), reading(REAL_POWER, None)])
    assert [f.standing for f in found] == [Standing.FAILS, Standing.HOLDS, Standing.FAILS]
    assert "from 2 mA on" in found[1].said


@pytest.mark.parametrize(
    ("volts", "amperes", "watts", "says"),
    [
        (0.1, 0.0, 0.0, "the cut-off does not close"),
        (46.0, 0.2, 9.2, "on a wrong range, or scale"),
        (23.0, 0.0, 0.0, "no lamp in"),
        (23.0, 0.00135, 0.03, "a hundredth"),
        (23.0, 1.35, 31.0, "times as much"),
        (23.0, 0.135, 1.0, "not of one line"),
    ],
)
def test_what_meters_may_show_of_a_lamp(volts: float, amperes: float, watts: float, says: str) -> None:
    live = {("m", LINE_VOLTAGE): volts, ("m", LINE_CURRENT): amperes, ("m", REAL_POWER): watts}
    found = lamp_findings(live, {}, volts=23.0, watts=LAMP_W, mains_v=230.0)
    assert any(says in f.said for f in found if f.standing is Standing.FAILS), found


def test_swapped_meters_are_told_from_a_shorted_socket_however_old_their_readings_are() -> None:
    """A handheld still shows the 3 V of a moment ago where 9 V are set by now."""
    assert "they are swapped" in more_than_a_lamp("m", 2.88, 0.02, (3.0, 9.0))
    assert "they are swapped" in more_than_a_lamp("m", 9.1, 0.02, (3.0, 9.0))
    assert "swapped" not in more_than_a_lamp("m", 30.0, 0.02, (3.0, 9.0))
    assert "swapped" not in more_than_a_lamp("m", 9.0, 8.9, (9.0, 9.0))
    assert "the lamp's socket is shorted" in more_than_a_lamp("m", 2.0, 0.1, None)


def test_welded_contacts_are_told_from_a_meter_in_the_wrong_place() -> None:
    assert "welded" in cut_findings(Cut("relay", 0.05, {"m": None}, amperes_gone=False))[0].said
    assert "before the cut-off" in cut_findings(Cut("relay", 0.05, {"m": None}, amperes_gone=True))[1].said
    assert "takes no notice" in cut_findings(Cut("relay", None, {"m": None}, amperes_gone=False))[0].said
    assert cut_findings(Cut("relay", 0.05, {"m": 0.2}, amperes_gone=True))[0].standing is Standing.HOLDS


# -- new and list ------------------------------------------------------------------------------------------------------


def asked(answers: Sequence[str]) -> str:
    left = list(answers)

    def ask(question: str) -> str:
        if not left:
            raise EOFError
        return left.pop(0)

    return bench_file_by_questions(ask)


def test_a_hand_turned_bench_by_questions(tmp_path: Path) -> None:
    text = asked(
        ["Under the stairs", "", "", "n", "scpi-power-meter", "", "TCPIP0::192.0.2.1::5025::SOCKET", "", "n"]
        + ["y", "scpi-multimeter", "", "ASRL/dev/ttyUSB0::INSTR", "", "rail", "plus", "n"]
        + ["y", "modbus-relay", "", "MODBUS-RTU::/dev/ttyUSB1::1", ""]
    )
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    bench = load_bench_file(tmp_path / "bench.toml")
    assert bench.kind is BenchKind.HAND_TURNED
    assert bench.exclusive_cut_offs == ("contactor",)
    assert bench.meters == ("meter-1", "dc-meter-1")


def test_a_bench_without_any_interface_by_questions(tmp_path: Path) -> None:
    (tmp_path / "bench.toml").write_text(asked(["", "120", "", "n", "keyed-in", "", "n", "n", "n"]), encoding="utf-8")
    bench = load_bench_file(tmp_path / "bench.toml")
    assert bench.kind_in_words == "hand-turned variac, a person is the cut-off, readings typed by a person"
    assert (bench.mains.voltage_v, bench.mains.frequency_hz) == (120.0, 60.0)


def test_a_bench_with_a_digitiser_by_questions(tmp_path: Path) -> None:
    text = asked(
        ["Bench", "", "", "n", "scpi-digitiser", "", "TCPIP0::192.0.2.1::5025::SOCKET", "", "500", "-4", "2", "n"]
        + ["y", "modbus-relay", "", "MODBUS-RTU::/dev/ttyUSB1::1", ""]
    )
    (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
    bench = load_bench_file(tmp_path / "bench.toml")
    assert bench.digitiser == "meter-1"
    assert bench.instruments["meter-1"].scales == {"1": 500.0, "2": -4.0}


def test_a_person_who_gives_up_leaves_nothing() -> None:
    with pytest.raises(Cancelled):
        asked(["Bench"])


def test_list_says_what_there_is() -> None:
    done = subprocess.run([*RAMPGUARD, "bench", "list", "--json"], capture_output=True, text=True, timeout=60)
    said = json.loads(done.stdout)
    assert done.returncode == 0
    assert set(said) == {"format", "resources", "serial_ports", "problem"}
